"""What grows of a graft lot: the take it was due, the counts that somebody makes, the trees."""

from collections.abc import Sequence
from datetime import date, timedelta
from random import Random

from scionreg.demo_nursery.crafts import USUAL_TAKE, Craft
from scionreg.demo_nursery.places import SCORERS
from scionreg.demo_nursery.stories import poor_week, tree_cut_too_hard, warmed_cooler
from scionreg.demo_nursery.things import Lot, Nursery, binomial, expit, logit

SPREAD = {"grafter": 0.2, "rootstock": 0.2, "day": 0.2, "rows": 0.15, "season": 0.12, "lot": 0.25}
"""Standard deviations of the ordinary differences, logit: invented."""

KEPT = 0.93
"""Share of the early take that still stands in autumn: common practice loses 6 to 10 points."""


def grow(nursery: Nursery, lot: Lot, rootstock: str | None) -> None:
    """Settle which positions of a lot live in early summer and in autumn."""
    dice = nursery.books.dice("growth", lot.code)
    chance = expit(logit(USUAL_TAKE[lot.method]) + _shift(nursery, lot, rootstock))
    lot.early = binomial(dice, lot.grafts, chance)
    late = binomial(dice, lot.early, KEPT)
    places = sorted(dice.sample(range(lot.first, lot.last + 1), lot.grafts))
    lot.alive = sorted(dice.sample(places, late))
    lot.unsold = list(lot.alive)
    lot.grown_stock = {position for position in lot.alive if dice.random() < 0.01}


def _shift(nursery: Nursery, lot: Lot, rootstock: str | None) -> float:
    """Return how far, in logit, a lot's take is off its method's usual: ordinary and told."""
    levels = {
        "grafter": lot.grafter,
        "rootstock": rootstock,
        "day": lot.date,
        "rows": f"{lot.block} {lot.row // 4}",
        "season": lot.season,
        "lot": lot.code,
    }
    ordinary = sum(
        nursery.books.dice("effect", factor, level).gauss(0, SPREAD[factor])
        for factor, level in levels.items()
    )
    wood = lot.bundle.luck + (lot.bundle.tree.luck if lot.bundle.tree else 0.0)
    told = (
        warmed_cooler(nursery, lot.bundle, lot.date)
        + tree_cut_too_hard(lot.bundle.tree, lot.season)
        + poor_week(lot.grafter, lot.date)
    )
    return ordinary + wood + told


def count_early(nursery: Nursery, lot: Lot, craft: Craft) -> date:
    """Write the first count of a lot, unless it was forgotten; return its day."""
    dice = nursery.books.dice("early", lot.code)
    day = lot.date + timedelta(dice.randint(*craft.count_after))
    if dice.random() < 0.96:
        _write(nursery, lot, day, lot.early, (0.2, 0.5, 0.2, 0.05, 0.05), dice)
    return day


def count_late(nursery: Nursery, lot: Lot) -> None:
    """Write the count at the end of the season, unless nobody came round."""
    dice = nursery.books.dice("late", lot.code)
    if dice.random() < 0.88:
        day = date(lot.season, 9, 21) + timedelta(dice.randint(0, 24))
        _write(nursery, lot, day, len(lot.alive), (0.0, 0.45, 0.35, 0.15, 0.05), dice)


def _write(
    nursery: Nursery, lot: Lot, day: date, growing: int, failed_as: Sequence[float], dice: Random
) -> None:
    """Write a count; some scorers put down only what grows."""
    names = ("green", "dead", "stock_only", "missing", "broken")
    classes = dict.fromkeys(names, 0)
    for name in dice.choices(names, failed_as, k=lot.grafts - growing):
        classes[name] += 1
    full = dice.random() < 0.85
    nursery.books.add(
        "take_counts",
        graft_lot=lot.code,
        date=day,
        scorer=dice.choice(SCORERS) if dice.random() < 0.93 else None,
        pushing=growing,
        **(classes if full else {}),
    )
