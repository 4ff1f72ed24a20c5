"""How likely the looks at one thing are, by the state of its wood.

For the thing asked about, the same is told apart by what its off trees may owe to: foreign wood
that ran in from a neighbouring lot, its own wood, rootstock, or nothing (false alarms).
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln  # noqa: TID253

from scionreg.identity.looks import STOCK_SHARES, Reports, Seen, clumping
from scionreg.identity.states import LABEL, TINY, Floats, Indices
from scionreg.records.fixed_values import OFF_TYPE

RUNS = OFF_TYPE.runs
"""Lengths of a run of foreign trees at the end of a lot, equally likely."""
PLACES = OFF_TYPE.places
"""How often a look without positions is of the whole lot, of what was sent, of the rest."""


class Run(NamedTuple):
    """Wood of another label at one end of a lot; `at_start` of its positions."""

    what: str
    at_start: bool


@dataclass(frozen=True, slots=True)
class Sight:
    """All looks at one thing.

    Attributes
    ----------
    seen : what was seen of its trees.
    moved : what was seen of its trees under another label, with its states under that label.
    positions : its row positions; none for what is no graft lot.
    sent : positions that were sent to customers.
    stock : prior weights of `STOCK_SHARES`; None for what has no rootstock.
    """

    seen: tuple[Seen, ...] = ()
    moved: tuple[tuple[tuple[Seen, ...], Indices], ...] = ()
    positions: range = field(default=range(0))
    sent: frozenset[int] = frozenset()
    stock: tuple[float, ...] | None = None

    @property
    def off(self) -> bool:
        """Return whether anything was found off."""
        return any(each.off for each in self.seen)


class Otherwise(NamedTuple):
    """Another light to see looks in: with a run at one end, or as looks at other trees."""

    sight: Sight
    chance: float
    run: Run | None = None


class Split(NamedTuple):
    """Likelihoods by state, times exp(`scale`), told apart by what the off trees owe to."""

    run: Floats
    wood: Floats
    stock: Floats
    none: Floats
    scale: float

    @property
    def whole(self) -> Floats:
        """Return the likelihoods by state, whatever the off trees owe to."""
        return self.run + self.wood + self.stock + self.none


Asked = Callable[[Seen], bool]


def was_off(seen: Seen) -> bool:
    """Return whether trees are those asked about: the ones found off."""
    return seen.off


def nothing(seen: Seen) -> bool:
    """Return that no trees are asked about."""
    return False


class Allowed(NamedTuple):
    """What the trees asked about may be, besides what their label says."""

    asked: Asked = nothing
    run: bool = True
    wood: bool = True
    rootstock: bool = True


ANYTHING = Allowed()


class Evidence:
    """Likelihoods of looks, for the states of one space."""

    def __init__(self, reports: Reports, stick_run: float) -> None:
        self._reports, self._stick_run = reports, stick_run
        self._partial = (reports.space.share > 0) & (reports.space.share < 1)
        self._wooden = np.arange(reports.space.size) != LABEL

    def likelihood(self, sight: Sight, others: Iterable[Otherwise] = ()) -> tuple[Floats, float]:
        """Return (size,) likelihoods with 1 for the likeliest, and the logarithm taken out.

        `others` is what else the looks may have seen, with probabilities.
        """
        ways = [*others]
        usual = 1.0 - sum(each.chance for each in ways)
        logs = [(self._log(sight, None), usual)]
        logs += [(self._log(each.sight, each.run), each.chance) for each in ways]
        top = max(float(log.max()) for log, _ in logs)
        found = sum(chance * self._over_stock(sight, log - top) for log, chance in logs)
        return np.asarray(found), top

    def split(
        self, sight: Sight, asked: Asked, run: Run | None = None, *, found: bool = True
    ) -> Split:
        """Return the likelihoods told apart by what the trees asked about owe to.

        Where none were `found` off anywhere, wood that is not as labelled counts as such whether or
        not a tree of it was seen.
        """
        whole = self._log(sight, run)
        top = float(whole.max())
        total = self._over_stock(sight, whole - top)
        if not found:
            zero = np.zeros_like(total)
            wood = total * self._wooden
            return Split(zero, wood, zero, total - wood, top)

        def only(*kinds: bool) -> Floats:
            return self._over_stock(sight, self._log(sight, run, Allowed(asked, *kinds)) - top)

        no_run = only(False, True, True) if run else total
        no_wood = only(False, False, True)
        neither = only(False, False, False)
        parts = (total - no_run, no_run - no_wood, no_wood - neither, neither)
        of_run, of_wood, of_stock, none = (np.maximum(part, 0.0) for part in parts)
        return Split(of_run, of_wood, of_stock, none, top)

    def _over_stock(self, sight: Sight, log: Floats) -> Floats:
        weights = np.array([1.0]) if sight.stock is None else np.array(sight.stock)
        found: Floats = weights @ np.exp(log[: len(weights)])
        return found

    def _log(self, sight: Sight, run: Run | None, allowed: Allowed = ANYTHING) -> Floats:
        """Return (stock shares, size) logarithms of the likelihood of all looks."""
        total = np.zeros((len(STOCK_SHARES), len(self._partial)))
        for each, states in sight.moved:
            moved = replace(sight, seen=each, moved=())
            total = total + self._log(moved, None, allowed)[:, states]
        if run is not None and len(sight.positions) > RUNS[0]:
            total = total + self._log_with_run(sight, run, allowed)
        else:
            for one in sight.seen:
                total = total + one.count * self._of(one, allowed)
            clumped = clumping(sight.seen, self._stick_run)
            if clumped != 1.0:
                total = total + math.log(clumped) * self._partial
        return total

    def _of(self, seen: Seen, allowed: Allowed) -> Floats:
        """Return (stock shares, size) logarithms of what was said of a tree."""
        if not allowed.asked(seen):
            return self._reports.by_state(seen.reports)
        return self._reports.by_state(seen.reports, allowed.wood, allowed.rootstock)

    def _of_run(self, seen: Seen, what: str, allowed: Allowed) -> Floats:
        """Return (stock shares, 1) logarithms for a tree that stands in a run of foreign wood."""
        q = self._reports.by_type(seen.reports)
        every = not allowed.asked(seen)
        of_wood = q[self._reports.space.type_of(what)] if every or allowed.run else 0.0
        of_stock = q[-1] if every or allowed.rootstock else 0.0
        grown = STOCK_SHARES[:, None]
        found: Floats = np.log(np.maximum((1 - grown) * of_wood + grown * of_stock, TINY))
        return found

    # --------------------------------------------------------------------------- runs at an end

    def _log_with_run(self, sight: Sight, run: Run, allowed: Allowed = ANYTHING) -> Floats:
        """Return what `_log` does, given that a run of unknown length stands at one end."""
        lengths = [length for length in RUNS if length < len(sight.positions)]
        placed = [each for each in sight.seen if each.position is not None]
        ways: dict[int, list[Seen]] = {}
        for each in sight.seen:
            if each.position is None:
                ways.setdefault(each.place, []).append(each)
        inner = {each: each.count * self._of(each, allowed) for each in placed}
        outer = {each: each.count * self._of_run(each, run.what, allowed) for each in placed}
        spread = [self._allotted(each, run.what, allowed) for each in ways.values()]
        logs = []
        for length in lengths:
            ends = sight.positions[:length] if run.at_start else sight.positions[-length:]
            total = np.zeros((len(STOCK_SHARES), len(self._partial)))
            for each in placed:
                total = total + (outer[each] if each.position in ends else inner[each])
            for numbers, scale in spread:
                total = total + scale + _log_of_places(numbers, sight, frozenset(ends))
            logs.append(total)
        stacked = np.array(logs)
        top = stacked.max(axis=0)
        found: Floats = top + np.log(np.exp(stacked - top).mean(axis=0))
        return found

    def _allotted(
        self, seen: Sequence[Seen], what: str, allowed: Allowed = ANYTHING
    ) -> tuple[Floats, Floats]:
        """Return, for each number of a look's trees standing in a run, what they sum to.

        (number, stock shares, size) sums over the ways to choose which trees, times exp(scale).
        """
        found = np.ones((1, 1, 1))
        scale = np.zeros((1, 1))
        for each in seen:
            outside, inside = self._of(each, allowed), self._of_run(each, what, allowed)
            top = np.maximum(outside, inside)
            numbers = np.arange(each.count + 1)[:, None, None]
            ways = _log_choose(each.count, numbers)
            term = np.exp(
                ways + (each.count - numbers) * (outside - top) + numbers * (inside - top)
            )
            found = _convolved(found, term)
            scale = scale + each.count * top
        return found, scale


def _log_choose(total: int, chosen: NDArray[Any] | int) -> Floats:
    """Return the logarithm of a binomial coefficient; -inf of none."""
    inside = (np.asarray(chosen) >= 0) & (np.asarray(chosen) <= total)
    k = np.clip(chosen, 0, max(total, 0))
    found = gammaln(total + 1.0) - gammaln(k + 1.0) - gammaln(total - k + 1.0)
    return np.where(inside, found, -np.inf)


def _convolved(first: Floats, second: Floats) -> Floats:
    """Return the convolution along the first axis."""
    length = len(first) + len(second) - 1
    shape = np.broadcast_shapes(first.shape[1:], second.shape[1:])
    found = np.zeros((length, *shape))
    for i, each in enumerate(first):
        found[i : i + len(second)] += each * second
    return found


def _log_of_places(numbers: Floats, sight: Sight, run: frozenset[int]) -> Floats:
    """Return the logarithm of a look's likelihood, over where in the lot its trees may stand."""
    looked = len(numbers) - 1
    every = frozenset(sight.positions)
    sent = every & sight.sent
    places = [(every, PLACES[0]), (sent, PLACES[1]), (every - sent, PLACES[2])]
    fitting = [(place, weight) for place, weight in places if len(place) >= max(looked, 1)]
    if not sent or not fitting:
        fitting = [(every, 1.0)]
    total = np.zeros(numbers.shape[1:])
    for place, weight in fitting:
        size, inside = max(len(place), looked), len(place & run)
        chances = np.exp(
            _log_choose(size - looked, inside - np.arange(looked + 1)) - _log_choose(size, inside)
        )
        total = total + weight * np.tensordot(chances, numbers, axes=(0, 0))
    found: Floats = np.log(np.maximum(total / sum(weight for _, weight in fitting), TINY))
    return found
