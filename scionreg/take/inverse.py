"""Entries of the inverse of a sparse matrix, on the pattern of its factor L D L'.

The recursion of Takahashi, Fagan and Chin 1973, "Formation of a sparse bus impedance matrix and its
application to short circuit study", PICA Conference Proceedings 8: for a column j with the rows s
below its diagonal,

    V[s, j] = -V[s, s] L[s, j]        V[j, j] = 1 / D[j] - L[s, j]' V[s, j]

so that columns are computed from the last to the first, those that stand equally high in the
elimination tree together. The last columns, where L is all but full, are the *root*: inverted as
one dense block.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import lapack

Floats = NDArray[np.float64]
Places = NDArray[np.int32]

GATHERING = 100
"""Cost of gathering a number, in multiplications of a dense inverse."""
REMEMBERED = 20_000_000
"""Places to keep between calls, 4 bytes each; beyond it they are worked out every time."""
AT_ONCE = 1_000_000
"""Numbers to gather at once."""


@dataclass(frozen=True, slots=True)
class _Group:
    """Columns that are computed together: equally high, with equally many rows.

    `columns` is (k,); `entries`, (k, m), are the places of their entries in L and in the inverse;
    `rows` their rows; and `between`, (k, m, m), the places in the inverse of the entries between
    these rows, None where they are not remembered.
    """

    columns: Places
    entries: Places
    rows: Places
    between: Places | None


class SelectedInverse:
    """The recursion over one pattern of L, for ever changing values.

    The inverse is kept as one array: the entries of L outside the root, their diagonal, the root.
    """

    def __init__(
        self, lower: sparse.csc_matrix, order: NDArray[Any], rows: Places, columns: Places
    ) -> None:
        """Take L without its diagonal, the order of elimination, and the entries that are asked."""
        size = lower.shape[0]
        self._values, self._turns, lower = _with_the_full_last(lower)
        counts = np.diff(lower.indptr).astype(np.int64)
        before = np.concatenate([[0], np.cumsum(counts**2)])
        widths = (size - np.arange(size + 1)).astype(float)
        self._first = first = int(np.argmin(GATHERING * before + widths**3))
        self._width = size - first
        self._kept = kept = int(lower.indptr[first])
        column = np.repeat(np.arange(size, dtype=np.int64), counts)
        self._keys = column[:kept] * size + lower.indices[:kept]
        self._in_root = (lower.indices[kept:] - first, (column[kept:] - first).astype(np.int32))

        self._root = kept + first

        self._remembers = int(before[first]) <= REMEMBERED
        self._groups = list(self._grouped(lower, counts))
        turn = np.empty(size, dtype=np.int32)
        turn[order[self._turns]] = np.arange(size, dtype=np.int32)
        self._asked = self._places(turn[rows], turn[columns])

    def entries(self, lower: Floats, pivots: Floats) -> Floats:
        """Return the asked entries of the inverse, for the values of L and D."""
        lower, pivots = lower[self._values], pivots[self._turns]
        inverse = np.empty(self._root + self._width**2)
        inverse[self._root :] = self._inverted_root(lower, pivots).ravel()
        for group in self._groups:
            between = self._between(group.rows) if group.between is None else group.between
            below = lower[group.entries][:, :, None]
            found = -(inverse[between] @ below)
            inverse[group.entries] = found[:, :, 0]
            diagonal = 1.0 / pivots[group.columns] - (below * found).sum(axis=(1, 2))
            inverse[self._kept + group.columns] = diagonal
        return inverse[self._asked]

    def _inverted_root(self, lower: Floats, pivots: Floats) -> Floats:
        root = np.zeros((self._width, self._width), order="F")
        if not self._width:
            return root
        root[self._in_root] = lower[self._kept :]
        np.fill_diagonal(root, 1.0)
        root *= np.sqrt(pivots[self._first :])
        half, _ = lapack.dpotri(root, lower=1, overwrite_c=1)
        whole: Floats = half + np.tril(half, -1).T
        return whole

    def _grouped(self, lower: sparse.csc_matrix, counts: NDArray[np.int64]) -> Iterator[_Group]:
        """Yield the columns outside the root, in an order in which they can be computed."""
        if not self._first:
            return
        alike = np.stack([_heights(lower, self._first), counts[: self._first]])
        order = np.lexsort(alike[::-1]).astype(np.int32)
        changes = np.flatnonzero((np.diff(alike[:, order]) != 0).any(axis=0)) + 1
        for columns in np.split(order, changes):
            many = int(counts[columns[0]])
            parts = -(-len(columns) * many**2 // AT_ONCE)
            for part in np.array_split(columns, min(max(1, parts), len(columns))):
                entries = lower.indptr[part][:, None] + np.arange(many, dtype=np.int32)
                rows = lower.indices[entries]
                between = self._between(rows) if self._remembers else None
                yield _Group(part, entries.astype(np.int32), rows, between)

    def _between(self, rows: Places) -> Places:
        return self._places(rows[:, :, None], rows[:, None, :])

    def _places(self, one: Places, other: Places) -> Places:
        """Return where the inverse keeps its entries between rows and columns of L."""
        high, low = np.maximum(one, other), np.minimum(one, other)
        places = self._root + (high - self._first) * self._width + low - self._first
        outside = np.nonzero(low < self._first)
        high, low = high[outside], low[outside]
        found = self._kept + low
        sought = high != low
        keys = low[sought].astype(np.int64) * (self._first + self._width) + high[sought]
        found[sought] = np.searchsorted(self._keys, keys)
        places[outside] = found
        return places.astype(np.int32)


def _with_the_full_last(lower: sparse.csc_matrix) -> tuple[Places, Places, sparse.csc_matrix]:
    """Return L with those columns last that most others lead to, where it is fullest.

    Before it: where each of its values, and each of its columns, was. Any order in which no column
    comes after one that it leads to is as good for L; many small branches at its end would part
    the root.
    """
    parents, led = _parents(lower), [1] * lower.shape[0]
    for column, parent in enumerate(parents):
        if parent >= 0:
            led[parent] += led[column]
    turns = np.argsort(led, kind="stable").astype(np.int32)
    place = np.empty_like(turns)
    place[turns] = np.arange(len(turns), dtype=np.int32)
    columns = np.repeat(place, np.diff(lower.indptr))
    values = np.lexsort((place[lower.indices], columns)).astype(np.int32)
    starts = np.concatenate([[0], np.cumsum(np.diff(lower.indptr)[turns])]).astype(np.int32)
    rows = place[lower.indices][values]
    return values, turns, sparse.csc_matrix((np.ones(len(rows)), rows, starts), lower.shape)


def _parents(lower: sparse.csc_matrix) -> list[int]:
    """Return the first row of each column of L, its parent in the elimination tree, or -1."""
    starts, filled = lower.indptr[:-1], np.diff(lower.indptr) > 0
    parents = np.full(len(starts), -1)
    parents[filled] = lower.indices[starts[filled]]
    found: list[int] = parents.tolist()
    return found


def _heights(lower: sparse.csc_matrix, first: int) -> NDArray[np.int64]:
    """Return how many columns before `first` stand above each in the elimination tree."""
    parents, heights = _parents(lower), [0] * first
    for column in range(first - 1, -1, -1):
        if 0 <= parents[column] < first:
            heights[column] = heights[parents[column]] + 1
    return np.array(heights)
