"""What looks at trees say about the wood they were grafted with.

A tree of a lot is of one type: the label's, one of the `whats` of `Space`, or rootstock. A *report*
is what one look said of one tree; trees at known positions gather the reports of all looks at them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np

from scionreg.identity.states import LABEL, OTHER, SEVERAL, SPORT, TINY, Floats, Space
from scionreg.records.fixed_values import OFF_TYPE
from scionreg.records.starting_values import IdentityValues, OffTypeValues
from scionreg.records.vocabulary import CheckMethod, Found

STOCK_SHARES: Floats = np.array(OFF_TYPE.stock_shares)
"""Shares of a lot's trees that grew from the rootstock, which its looks have in common."""
USUAL_WEIGHTS: Floats = np.array(OFF_TYPE.stock_weights)
"""Their weights, before they are tilted so that their mean is the usual share; estimates."""
MUCH = OFF_TYPE.much_stock
"""Share of rootstock from which a lot's live trees are suspiciously many."""
SPORT_IS_CALLED = {
    "other": OFF_TYPE.sport_called_other,
    "rootstock": OFF_TYPE.sport_called_rootstock,
    "sport": OFF_TYPE.sport_called_sport,
}
"""What the eye takes a sport for: it can hardly tell it from another cultivar."""
TRUE_IS_CALLED = {
    "other": OFF_TYPE.true_called_other,
    "rootstock": OFF_TYPE.true_called_rootstock,
    "sport": OFF_TYPE.true_called_sport,
}
"""What a true tree is taken for where a look is wrong."""
STOCK_TAKEN_FOR_OTHER = OFF_TYPE.stock_called_other
"""Share of rootstock shoots, at least, that are taken for another cultivar."""


@dataclass(frozen=True, slots=True)
class Report:
    """What a look said of a tree: `found` is None where it was true to its label."""

    method: str
    found: str | None


@dataclass(frozen=True, slots=True)
class Seen:
    """`count` trees of which looks said the same; of one tree at a `position` where it is known.

    `place` numbers the look, for trees whose position is not known.
    """

    reports: tuple[Report, ...]
    count: int = 1
    position: int | None = None
    place: int = 0

    @property
    def off(self) -> bool:
        """Return whether any look found them off."""
        return any(report.found is not None for report in self.reports)


class Reports:
    """Probabilities of reports, by the type of the tree and the state of its lot's wood."""

    def __init__(self, space: Space, rates: IdentityValues, values: OffTypeValues) -> None:
        self.space = space
        self._rates, self._values = rates, values
        self._whats = tuple(what for what in space.whats if what not in (SEVERAL, SPORT))
        self.by_type = lru_cache(maxsize=None)(self._by_type)
        self.by_state = lru_cache(maxsize=None)(self._by_state)

    def _by_type(self, reports: tuple[Report, ...]) -> Floats:
        """Return (types,) the probability of all reports on one tree of each type."""
        found = np.ones(self.space.types)
        for report in reports:
            if report.method != CheckMethod.PAPER:
                found = found * self._report(report)
        return found

    def _report(self, report: Report) -> Floats:
        space, method = self.space, report.method
        off = np.full(space.types, self._rates.find_rate(method))
        off[LABEL] = self._rates.false_alarm(method)
        if method == CheckMethod.DNA:
            off[space.type_of(SPORT)] = off[LABEL]
        if report.found is None:
            return 1 - off
        if report.found == Found.UNKNOWN:
            return off
        named: Floats = off * [self._names(kind, report) for kind in range(space.types)]
        return named

    def _names(self, kind: int, report: Report) -> float:
        """Return the probability of the name that an off tree of a type was given."""
        space, found = self.space, report.found
        right = self._values.names_rightly(report.method)
        of_cultivar = found not in (Found.ROOTSTOCK, Found.SPORT)
        if kind == LABEL:
            return (
                TRUE_IS_CALLED["other"] / len(self._whats)
                if of_cultivar
                else TRUE_IS_CALLED[str(found)]
            )
        what = Found.ROOTSTOCK.value if kind == space.types - 1 else space.whats[kind - 1]
        if what == Found.ROOTSTOCK:
            other = max((1 - right) / 2, STOCK_TAKEN_FOR_OTHER)
            sport = OFF_TYPE.stock_called_sport
            shares = {"rootstock": 1 - sport - other, "other": other, "sport": sport}
        elif what == SPORT:
            shares = SPORT_IS_CALLED
        else:
            wrong = (1 - right) / 2
            shares = {"rootstock": wrong / 2, "sport": wrong / 2, "other": 1 - wrong}
        if not of_cultivar:
            return shares[str(found)]
        return shares["other"] * self._name_of(what, str(found), right)

    def _name_of(self, what: str, found: str, right: float) -> float:
        """Return the probability that what is seen to be a cultivar is given the name `found`."""
        options = len(self._whats)
        if what not in self._whats:
            return 1 / options
        told = found if found in self._whats else OTHER
        if told == what:
            return right if options > 1 else 1.0
        return (1 - right) / (options - 1)

    def _by_state(
        self, reports: tuple[Report, ...], wood: bool = True, stock: bool = True
    ) -> Floats:
        """Return the logarithm of the probability of reports on one tree.

        (stock shares, states); without what is not the label's wood, or without rootstock, it is
        the probability of the reports and of the tree being none of these.
        """
        q = self.by_type(reports)
        composition = self.space.composition
        of_wood = composition @ q if wood else composition[:, LABEL] * q[LABEL]
        grown = STOCK_SHARES[:, None]
        chance = (1 - grown) * of_wood[None, :]
        if stock:
            chance = chance + grown * q[-1]
        found: Floats = np.log(np.maximum(chance, TINY))
        return found


def stock_weights(expected: float, often: float = 1.0) -> Floats:
    """Return prior weights of `STOCK_SHARES` whose mean is `expected`.

    `often` multiplies the shares from `MUCH` on: where trees live that grafts do not account for.
    """

    def tilted(by: float) -> Floats:
        weights = USUAL_WEIGHTS * np.exp(by * (STOCK_SHARES - STOCK_SHARES[-1]))
        tilt: Floats = weights / weights.sum()
        return tilt

    low, high = -1e4, 1e4
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if tilted(middle) @ STOCK_SHARES < expected else (low, middle)
    weights = tilted(low) * np.where(STOCK_SHARES >= MUCH, often, 1.0)
    found: Floats = weights / weights.sum()
    return found


def clumping(seen: Iterable[Seen], stick: float) -> float:
    """Return how much likelier the places of off trees are in short runs than scattered.

    One stick feeds about `stick` trees in a row, so wood that is partly wrong goes wrong in runs:
    a chain along the row whose correlation fades with distance, against independent trees. Half of
    the wood may have been mixed stick by stick and leaves no runs. 1 where places are not known.
    """
    at: dict[int, bool] = {}
    for each in seen:
        if each.position is not None:
            at[each.position] = each.off or at.get(each.position, False)
    row = sorted(at.items())
    off = sum(is_off for _, is_off in row)
    if off < 2 or len(row) - off < 2:
        return 1.0
    share = (off + 0.5) / (len(row) + 1)
    log = 0.0
    for (before, was_off), (after, is_off) in pairwise(row):
        fades = np.exp(-(after - before) / stick)
        usual = share if is_off else 1 - share
        log += np.log(
            (usual + (1 - usual) * fades if was_off == is_off else usual * (1 - fades)) / usual
        )
    loose = OFF_TYPE.mixed_stick_by_stick
    return float(loose + (1 - loose) * np.exp(log))


def together(first: Sequence[Seen], second: Sequence[Seen]) -> list[Seen]:
    """Return what two looks at the same trees said of each, the places not being known.

    The ones found off by both are taken to be the same as far as they go: a second look is mostly
    at the ones in question.
    """
    found: list[Seen] = []
    left = sorted(first, key=lambda each: not each.off)
    for each in sorted(second, key=lambda each: not each.off):
        still: list[Seen] = []
        count = each.count
        for pile in left:
            taken = min(count, pile.count)
            count -= taken
            if taken:
                found.append(Seen((*pile.reports, *each.reports), taken, None, pile.place))
            if pile.count > taken:
                still.append(replace(pile, count=pile.count - taken))
        if count:
            found.append(replace(each, count=count))
        left = still
    return [*found, *left]
