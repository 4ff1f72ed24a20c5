"""What a plan starts from: the trees with what they may give, and the sticks that are wanted."""

from dataclasses import dataclass, field

LOOK_BACK = 3
"""Seasons over which cutting wears a tree."""
WEIGHTS = (1.0, 0.6, 0.3)
"""Weights of the share cut in this season and the two before (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a nursery lets be cut of a tree of some kind.

    `share` is the largest share of its sticks in one season; `watch` and `rest` are pressures:
    above the first a tree is watched, above the second it is not cut. After more than `heavy_share`
    in a season it rests for `rest_seasons`. `least_visit` is the fewest sticks worth a visit.
    """

    share: float
    watch: float
    rest: float
    heavy_share: float
    rest_seasons: int
    least_visit: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeSupply:
    """A mother tree as the plan sees it.

    Attributes
    ----------
    capacity : sticks that it grows, by planned season (first season first).
    past : shares cut in the last seasons, newest first, cuts in leaf counted 1.5 times; at most
        `LOOK_BACK` - 1 of them bear on the first planned season.
    eligible : by planned season, whether it may be cut at all.
    why_not : why it may not be, where it may not.
    """

    tree: str
    cultivar: str
    kind: str
    capacity: tuple[float, ...]
    limits: Limits
    past: tuple[float, ...] = ()
    eligible: tuple[bool, ...] = ()
    why_not: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Sticks wanted of a cultivar in a season (the first planned one is 0)."""

    cultivar: str
    season: int
    sticks: int
