"""The six stories hidden in the books: where each one bites, in one function each.

Three of them change who a tree is (`neighbour_cut_instead`, `leftovers_rebundled`,
`dispatches_exchanged`) and three change how well wood takes (`warmed_cooler`, `tree_cut_too_hard`,
`poor_week`). Shifts of take are in logit; all numbers are invented.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from scionreg.demo_nursery.things import Bundle, Lot, Nursery, Tree

# 1. Wood cut from the neighbour of the right tree.

WRONG_TREE_SEASON = 2024
CLAIMED, CUT_INSTEAD = ("AB", 2, 5), ("AB", 2, 6)
"""The last Tillowby of its row, and the first Pendrake 1.5 m further on."""


def neighbour_cut_instead(nursery: Nursery, season: int, tree: Tree) -> Tree:
    """Return the tree that was really cut when the book says `tree`."""
    if season == WRONG_TREE_SEASON and (tree.block, tree.row, tree.position) == CLAIMED:
        return nursery.at(*CUT_INSTEAD)
    return tree


# 2. Leftovers re-bundled so that more was grafted than cut.

LEFTOVERS_SEASON = 2025
LEFTOVERS_OF, FOREIGN = "Tarnwick", "Quarrow"
LEFT_OVER = (11, 10, 9)
FOREIGN_STICKS = 22


@dataclass(frozen=True, slots=True)
class Leftovers:
    """The bundles whose leftovers met on one bench, and the one that came without a label."""

    parents: tuple[Bundle, ...]
    unlabelled: Bundle


def leftovers_rebundled(nursery: Nursery) -> Leftovers:
    """Choose three bundles of one cultivar that keep leftovers, and the stray one of another."""
    cold = [
        bundle
        for bundle in nursery.bundles
        if bundle.season == LEFTOVERS_SEASON
        and bundle.store != nursery.stores[WARM_STORE]
        and bundle.tree is not None
        and bundle.left >= 45
    ]
    parents: dict[str, Bundle] = {}
    for bundle in cold:
        if bundle.cultivar == LEFTOVERS_OF and bundle.tree is not None:
            parents.setdefault(bundle.tree.code, bundle)
    stray = next(bundle for bundle in cold if bundle.cultivar == FOREIGN)
    return Leftovers(tuple(parents.values())[: len(LEFT_OVER)], stray)


# 3. A cooler that warmed for three days.

WARM_STORE = "cooler_b"
WARM_FROM = datetime(2025, 4, 25, 22, tzinfo=UTC)
WARM_HOURS = 72
WARM_TO = WARM_FROM + timedelta(hours=WARM_HOURS)
WARM_SHIFT = -1.35


def warmed_cooler(nursery: Nursery, bundle: Bundle, day: date) -> float:
    """Return the shift of wood that lay in the cooler all through and was grafted after."""
    there = bundle.store == nursery.stores[WARM_STORE] and bundle.packed < WARM_FROM.date()
    return WARM_SHIFT if bundle.season == 2025 and there and day >= WARM_TO.date() else 0.0


# 4. A mother tree cut too hard three winters running.

OVER_CUT = "Old-7"


@dataclass(frozen=True, slots=True)
class HardCut:
    """One winter of the tree: share of its shoots taken, their length, sticks, shift of take."""

    share: float
    shoot_length_cm: float
    sticks: int
    shift: float


HARD_CUTS = {
    2024: HardCut(0.58, 71, 124, -1.0),
    2025: HardCut(0.66, 52, 105, -1.3),
    2026: HardCut(0.75, 37, 88, -1.6),
}


def tree_cut_too_hard(tree: Tree | None, season: int) -> float:
    """Return the shift of wood from the tree that never got a winter's rest."""
    return HARD_CUTS[season].shift if tree is not None and tree.code == OVER_CUT else 0.0


# 5. A grafter with a poor week.

POOR_GRAFTER = "P07"
POOR_WEEK = (date(2026, 5, 4), date(2026, 5, 8))
POOR_SHIFT = -1.4


def poor_week(grafter: str, day: date) -> float:
    """Return the shift of one person's lots in one week."""
    poor = grafter == POOR_GRAFTER and POOR_WEEK[0] <= day <= POOR_WEEK[1]
    return POOR_SHIFT if poor else 0.0


# 6. Two dispatches exchanged.

EXCHANGED_ON = date(2025, 11, 18)
EXCHANGED_CULTIVARS = ("Tarnwick", "Quarrow")


def dispatches_exchanged(nursery: Nursery) -> tuple[Lot, Lot]:
    """Choose the two lots whose trees went to each other's customer."""
    chosen = []
    for cultivar in EXCHANGED_CULTIVARS:
        lots = [
            lot
            for lot in nursery.lots
            if lot.season == 2025 and lot.cultivar == cultivar and not lot.wrong
        ]
        chosen.append(max(lots, key=lambda lot: (len(lot.unsold), lot.code)))
    return chosen[0], chosen[1]


def in_a_story(lot: Lot) -> bool:
    """Tell whether a lot's identity belongs to a story, so that routine checks leave it alone."""
    return lot.bundle.truth != lot.bundle.cultivar or lot.bundle.foreign > 0
