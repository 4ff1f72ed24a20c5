"""Numbers of the reasoning that no setting moves, each with its meaning and source.

They stand in one place, as the starting values do, so that a figure can be recomputed from the
pages of docs/ alone. What a nursery may know better is a starting value instead.
"""

from dataclasses import dataclass, fields
from typing import Any, NamedTuple

from scionreg.records.starting_values import value


class Fixed(NamedTuple):
    """One number or several: where, its name, what it means, and its source."""

    group: str
    name: str
    number: Any
    means: str
    source: str


def _row(start: Any, means: str, source: str = "estimate") -> Any:
    return value(start, means, source)


@dataclass(frozen=True, slots=True, kw_only=True)
class OffTypeFixed:
    """What `offtype` supposes of wood, looks and people beside its settings."""

    shares: tuple[float, ...] = _row(
        (0.1, 0.35, 0.7, 1.0), "shares of foreign wood that are told apart"
    )
    kept: float = _row(0.75, "how often a part of partly foreign wood has the whole's share")
    lost: float = _row(0.08, "how often it has none; another share else, each alike")
    limb_is_one: float = _row(
        0.8, "how often a limb of a partly foreign tree is wholly one or the other, by its share"
    )
    unfound: float = _row(
        0.15, "weight of cultivars not in the registry, for each other one of the species that is"
    )
    several_in_mix: float = _row(0.25, "share of unrecorded mixes that hold several cultivars")
    excess_spread: float = _row(
        0.15, "s in exp(-|share - excess| / s), where more was used than packed"
    )
    most_cut_beside: float = _row(0.5, "most that all trees nearby together may have been cut")
    next_in_row: float = _row(1.0, "weight of the next tree in the row as the one cut instead")
    across_row: float = _row(0.6, "weight of the tree across the row")
    two_away: float = _row(0.2, "weight of the next but one, and of the diagonal")
    stock_shares: tuple[float, ...] = _row(
        (0.0, 0.004, 0.02, 0.06, 0.12), "shares g of a lot's trees that grew from the rootstock"
    )
    stock_weights: tuple[float, ...] = _row(
        (0.3, 0.3, 0.24, 0.1, 0.06),
        "their weights, tilted by exp(t g) until their mean is offtype.rootstock_grew",
    )
    much_stock: float = _row(0.06, "share of rootstock from which live trees are too many")
    lives_too_much: float = _row(
        5.0, "times likelier such shares are where more lives than was grafted, or than before"
    )
    sport_called_other: float = _row(0.37, "how often a sport found off is called a cultivar")
    sport_called_rootstock: float = _row(0.03, "how often it is called rootstock")
    sport_called_sport: float = _row(0.6, "how often it is called a sport")
    true_called_other: float = _row(0.7, "how often a true tree called off is called a cultivar")
    true_called_rootstock: float = _row(0.2, "how often it is called rootstock")
    true_called_sport: float = _row(0.1, "how often it is called a sport")
    stock_called_other: float = _row(
        0.1, "how often, at least, a rootstock's shoot found off is called a cultivar"
    )
    stock_called_sport: float = _row(0.02, "how often it is called a sport")
    runs: tuple[int, ...] = _row(
        (*range(2, 13), 14, 17, 20, 24, 29, 34, 40),
        "lengths of a run at a change-over, equally likely, those shorter than the lot",
    )
    places: tuple[float, ...] = _row(
        (0.4, 0.3, 0.3), "how often a look without positions is of the whole lot, sent, the rest"
    )
    mirrored: float = _row(0.7, "how often a run has its mirror image in the neighbouring lot")
    mixed_stick_by_stick: float = _row(
        0.5, "share of partly foreign wood that was mixed stick by stick and leaves no runs"
    )
    tied: float = _row(
        2.0,
        "factor of likelihoods up to which causes are tied",
        "Kass & Raftery 1995, J. Am. Stat. Assoc. 90:773-795, from memory",
    )
    tied_odds: float = _row(3.0, "factor of probabilities up to which they are", "the same")
    worth_naming: float = _row(0.04, "probability from which a cause is counted among the tied")


@dataclass(frozen=True, slots=True, kw_only=True)
class WhyFixed:
    """What `take --why` supposes and looks at beside its settings."""

    most_lots: int = _row(1_500, "lots weighed together: those asked about and the most like them")
    screened_fully: int = _row(6, "best candidates by one step that are reckoned in full")
    sure: float = _row(0.9, "probability from which a cause is named")
    close: float = _row(10.0, "factor of probabilities within which another is its rival")
    tied_together: float = _row(0.75, "probability that rivals need together to be tied")
    background: float = _row(
        9.0, "weight from which a cause elsewhere is taken as given", "odds of nine tenths"
    )
    background_rounds: int = _row(6, "causes elsewhere that are taken as given, at most")
    gap: float = _row(0.05, "least gap that is a shortfall, as a share")
    gap_design: float = _row(1.5, "design effect of its standard error")
    needed_design: float = _row(2.0, "design effect of the grafts needed")
    rows_together: int = _row(4, "neighbouring rows that stand on like ground")
    most_rows: int = _row(8, "rows of a run, at most")
    row_gap: int = _row(3, "how far apart they are, at most")
    most_days: int = _row(3, "days of a run, at most")
    day_gap: int = _row(2, "how far apart they are, at most")
    week: int = _row(6, "working days of one grafter that are one run, at most")
    week_gap: int = _row(3, "how far apart they are, at most")
    sat_through: float = _row(0.5, "share of a spell that wood must have sat through")
    sd_rounds: int = _row(2, "times that the deviations are found anew about the mode")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFixed:
    """What `plan` holds beside its settings."""

    weights: tuple[float, ...] = _row(
        (1.0, 0.6, 0.3),
        "weights w of shares cut in this season and the two before",
        "common practice, no source; no published rule sets one",
    )
    largest_part: float = _row(0.4, "largest part of a demand that one tree gives")
    rest_after_heavy: int = _row(1, "n: seasons of rest after a heavy cut")
    rest_after_heavy_most: int = _row(
        2, "n of trees that may be cut harder than rotation.heavy_share"
    )
    visits_within: float = _row(0.01, "share within which the visits are proven")
    narrow_band: float = _row(0.01, "share of the pressures' bounds that visits first keep to")
    wide_band: float = _row(0.1, "share that they keep to where none is found so")


OFF_TYPE, WHY, PLAN = OffTypeFixed(), WhyFixed(), PlanFixed()
GROUPS: dict[str, Any] = {"offtype": OFF_TYPE, "cause": WHY, "rotation": PLAN}
"""The groups by the name of the settings that they stand beside."""


def fixed_values() -> list[Fixed]:
    """Return every fixed value, group by group."""
    return [
        Fixed(group, each.name, getattr(held, each.name), *_said(each.metadata))
        for group, held in GROUPS.items()
        for each in fields(held)
    ]


def _said(metadata: Any) -> tuple[str, str]:
    return metadata["means"], metadata["source"]
