"""What a piece of wood is, relative to its own label: as labelled, or a share of something else.

A state is "as labelled", or (what, share): `what` is a cultivar that a check found, another one,
several, or a sport of the labelled cultivar; `share` is one of `SHARES`. States are numbers from 0
(as labelled) on, so that beliefs over them are arrays.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scionreg.records.fixed_values import OFF_TYPE

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

SHARES = OFF_TYPE.shares
"""Shares that are told apart; finer ones changed no answer."""
OTHER, SEVERAL, SPORT, STOCK = "other", "several", "sport", "rootstock"
TINY = 1e-300
"""Stands for zero where a logarithm is taken."""
LABEL = 0
"""The state "as labelled", and the place of the label among the types of a tree."""


class Space:
    """The states of wood and the types of single trees, given the cultivars that were named.

    Attributes
    ----------
    whats : the named cultivars, then other, several, sport.
    size : number of states.
    what : (size,) index into `whats`, -1 as labelled.
    share : (size,) share of the wood that is not as labelled.
    types : number of types of a single tree: the label, each of `whats`, rootstock.
    composition : (size, types) probability that a tree of such wood is of each type.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self.names = tuple(names)
        self.whats = (*self.names, OTHER, SEVERAL, SPORT)
        grid = [(i, share) for i in range(len(self.whats)) for share in SHARES]
        self.size = 1 + len(grid)
        self.what: Indices = np.array([-1, *(i for i, _ in grid)])
        self.share: Floats = np.array([0.0, *(share for _, share in grid)])
        self.types = len(self.whats) + 2
        self.composition: Floats = np.zeros((self.size, self.types))
        self.composition[:, LABEL] = 1 - self.share
        states = np.arange(1, self.size)
        self.composition[states, self.what[1:] + 1] = self.share[1:]
        self.relabel = lru_cache(maxsize=None)(self._relabel)

    def what_of(self, cultivar: str | None) -> str:
        """Return the `what` that stands for a cultivar."""
        return cultivar if cultivar in self.names else OTHER

    def type_of(self, what: str) -> int:
        """Return the place of a `what`, or of rootstock, among the types of a tree."""
        return self.types - 1 if what == STOCK else 1 + self.whats.index(what)

    def state(self, what: str, share: float = 1.0) -> int:
        """Return the state of wood of which about `share` is `what`."""
        return int(self._nearest(np.array(self.whats.index(what)), np.array(share)))

    def partly(self, what: str) -> Indices:
        """Return the states of wood that is partly, not wholly, `what`."""
        start = 1 + self.whats.index(what) * len(SHARES)
        return np.arange(start, start + len(SHARES) - 1)

    def wholly(self, what: str) -> int:
        """Return the state of wood that is wholly `what`."""
        return 1 + self.whats.index(what) * len(SHARES) + len(SHARES) - 1

    def _nearest(self, what: NDArray[Any], share: NDArray[Any]) -> Indices:
        """Return the states nearest to shares; less than half of the least is as labelled."""
        between = [(a + b) / 2 for a, b in zip((0.0, *SHARES), SHARES, strict=False)]
        level = np.searchsorted(between, share, side="right")
        return np.where(level == 0, LABEL, what * len(SHARES) + level)

    def _relabel(self, before: str, after: str) -> Indices:
        """Return, for each state of wood labelled `before`, its state when labelled `after`."""
        states = np.arange(self.size)
        if before == after:
            return states
        is_now = self.whats.index(self.what_of(before))
        found = np.full(self.size, self.wholly(SEVERAL))
        found[LABEL] = self.wholly(self.whats[is_now])
        sports = self.what == self.whats.index(SPORT)
        found[sports] = found[LABEL]
        whole = (self.share == 1) & ~sports
        found[whole] = states[whole]
        if after in self.names:
            true = self.what == self.names.index(after)
            found[true] = self._nearest(np.full(true.sum(), is_now), 1 - self.share[true])
        return found

    def mix(
        self, label: str, first: tuple[str, float], second: tuple[str, float]
    ) -> tuple[Indices, Floats, Floats]:
        """Return what a mix of two woods is, labelled `label`.

        Parameters
        ----------
        first, second : label of each wood, and its share of the mix.

        Returns
        -------
        state : (size, size) of the mix, by the states of the first and the second wood.
        of_first, of_second : (size, size) share of what is not as labelled that each brought; where
            nothing remains of it, its share all the same.
        """
        states = [self.relabel(each[0], label) for each in (first, second)]
        parts = [
            each[1] * self.share[state] for each, state in zip((first, second), states, strict=True)
        ]
        whats = [self.what[state] for state in states]
        total = parts[0][:, None] + parts[1][None, :]
        one, other = whats[0][:, None], whats[1][None, :]
        what = np.where(one < 0, other, np.where((other < 0) | (one == other), one, -2))
        what = np.where(what == -2, self.whats.index(SEVERAL), what)
        state = self._nearest(np.maximum(what, 0), np.where(what < 0, 0.0, total))
        with np.errstate(invalid="ignore"):
            of_first = np.where(total > 0, parts[0][:, None] / total, 0.0)
        return state, of_first, np.where(total > 0, 1 - of_first, 0.0)
