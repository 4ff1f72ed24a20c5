"""How each species is worked here: dates, sizes and methods.

Usual take by method is common practice with no source, as are the months; the rest is invented.
"""

from dataclasses import dataclass

from scionreg.demo_nursery.places import APPLE, PECAN, WALNUT

Span = tuple[tuple[int, int], tuple[int, int]]
"""First and last (month, day) of a piece of work."""

USUAL_TAKE = {
    "four_flap": 0.77,
    "three_flap": 0.75,
    "inlay_bark": 0.76,
    "hot_callus": 0.75,
    "patch_bud": 0.72,
    "whip_and_tongue": 0.89,
    "saddle": 0.87,
}


@dataclass(frozen=True, slots=True)
class Craft:
    """One way of working a species."""

    name: str
    species: str
    cutting: Span
    grafting: Span
    rebundling: tuple[int, int] | None
    bundle_of: int
    lots_a_day: int
    methods: dict[str, float]
    count_after: tuple[int, int]
    grafts_a_stick: int = 1


CRAFTS = (
    Craft(
        "walnut bench", WALNUT, ((1, 4), (1, 12)), ((2, 19), (3, 15)), None, 55, 2,
        {"hot_callus": 1.0}, (35, 50),
    ),
    Craft(
        "apple bench", APPLE, ((1, 15), (1, 31)), ((3, 4), (4, 5)), (3, 25), 95, 2,
        {"whip_and_tongue": 0.75, "saddle": 0.25}, (38, 55),
    ),
    Craft(
        "pecan field", PECAN, ((2, 3), (2, 27)), ((4, 21), (5, 22)), (5, 8), 70, 2,
        {"four_flap": 0.6, "three_flap": 0.25, "inlay_bark": 0.15}, (28, 42),
    ),
    Craft(
        "walnut field", WALNUT, ((1, 4), (1, 12)), ((5, 11), (5, 22)), None, 55, 1,
        {"patch_bud": 1.0}, (24, 35), 3,
    ),
)  # fmt: skip


def cutting_of(species: str) -> Craft:
    """Return the craft that says when and how wood of a species is cut and tied."""
    return next(craft for craft in CRAFTS if craft.species == species)
