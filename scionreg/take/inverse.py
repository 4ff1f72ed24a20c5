"""Entries of the inverse of a sparse matrix, on the pattern of its factor L D L'.

The recursion of Takahashi, Fagan and Chin 1973, "Formation of a sparse bus impedance matrix and its
application to short circuit study", PICA Conference Proceedings 8: for a column j with the rows s
below its diagonal,

    V[s, j] = -V[s, s] L[s, j]        V[j, j] = 1 / D[j] - L[s, j]' V[s, j]

so that columns are computed from the last to the first. The first of the rows s is the column's
parent in the elimination tree, and the parent's rows hold the others: V[s, s] is a part of the
parent's *front*, the dense block of V among the parent and its rows. Columns that are equally far
below the *root* are computed together. The root is the last columns, where L is all but full; it
is inverted as one dense block.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import lapack

Floats = NDArray[np.float64]
Places = NDArray[np.int32]

GATHERING = 100
"""Cost of gathering a number, in multiplications of a dense inverse."""
AT_ONCE = 100_000
"""Numbers to gather at once."""


@dataclass(frozen=True, slots=True)
class _Group:
    """Columns that are computed together: equally far below the root, with equally many rows.

    `columns`, (k,); `entries`, (k, m), are the places of their entries in L and in the inverse.
    Their parents' fronts begin at `begins`, (k,), among those one step nearer the root, and are
    `strides`, (k,), wide; there the columns' rows have the numbers `numbers`, (k, m). Where others
    lead to these columns, their own fronts begin at `front` among those of their level.
    """

    columns: Places
    entries: Places
    begins: NDArray[np.int64]
    strides: NDArray[np.int64]
    numbers: Places
    front: int | None

    def end(self) -> int:
        """Return where the columns' own fronts end among those of their level."""
        many, wide = len(self.columns), self.entries.shape[1] + 1
        return 0 if self.front is None else self.front + many * wide**2


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
        self._in_root = (lower.indices[kept:] - first, (column[kept:] - first).astype(np.int32))
        keys = column[:kept] * size + lower.indices[:kept]
        self._levels = list(self._layered(lower, counts, column[:kept], keys))
        # Fronts are needed one level further; two arrays in turn serve for all levels and calls.
        room = [max(map(_Group.end, level), default=0) for level in self._levels]
        self._fronts = tuple(np.empty(max(room[turn::2], default=0)) for turn in (0, 1))
        turn = np.empty(size, dtype=np.int32)
        turn[order[self._turns]] = np.arange(size, dtype=np.int32)
        self._asked = self._places(turn[rows], turn[columns], keys)

    def entries(self, lower: Floats, pivots: Floats) -> Floats:
        """Return the asked entries of the inverse, for the values of L and D."""
        lower, pivots = lower[self._values], pivots[self._turns]
        root = self._inverted_root(lower, pivots).ravel()
        inverse = np.empty(self._kept + self._first + len(root))
        inverse[self._kept + self._first :] = root
        nearer, fronts, spare = root, *self._fronts
        for groups in self._levels:
            for group in groups:
                at = group.begins[:, None] + group.numbers * group.strides[:, None]
                between = nearer.take(at[:, :, None] + group.numbers[:, None, :])
                below = lower[group.entries][:, :, None]
                found = -(between @ below)
                diagonal = 1.0 / pivots[group.columns] - (below * found).sum(axis=(1, 2))
                inverse[group.entries] = found[:, :, 0]
                inverse[self._kept + group.columns] = diagonal
                if group.front is not None:
                    _keep_fronts(fronts[group.front :], diagonal, found, between)
            nearer, fronts, spare = fronts, spare, fronts
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

    def _layered(
        self,
        lower: sparse.csc_matrix,
        counts: NDArray[np.int64],
        column: NDArray[np.int64],
        keys: NDArray[np.int64],
    ) -> Iterator[list[_Group]]:
        """Yield the columns outside the root, level by level from the root on."""
        first = self._first
        parents = np.array(_parents(lower), dtype=np.int64)[:first]
        inside = (parents >= 0) & (parents < first)
        keeps = np.zeros(first, dtype=np.int64)
        keeps[parents[inside]] = 1
        numbers = self._numbers(lower, parents[column], keys)
        # Where each column's front begins among its level's, and how wide it is.
        begins, widths = np.zeros(first, dtype=np.int64), counts[:first] + 1
        for level in _alike(_depths(parents.tolist()), keeps, counts[:first]):
            groups: list[_Group] = []
            ends = 0
            for columns in level:
                many, keep = int(counts[columns[0]]), bool(keeps[columns[0]])
                near = inside[columns]
                parent = np.where(near, parents[columns], 0)
                begin = np.where(near, begins[parent], 0)
                width = np.where(near, widths[parent], self._width)
                if keep:
                    begins[columns] = ends + np.arange(len(columns)) * (many + 1) ** 2
                    ends += len(columns) * (many + 1) ** 2
                parts = min(-(-len(columns) * (many**2 + 1) // AT_ONCE), len(columns))
                for part in np.array_split(np.arange(len(columns)), parts):
                    entries = lower.indptr[columns[part]][:, None] + np.arange(many)
                    group = _Group(
                        columns[part],
                        entries.astype(np.int32),
                        begin[part],
                        width[part],
                        numbers[entries],
                        int(begins[columns[part[0]]]) if keep else None,
                    )
                    groups.append(group)
            yield groups

    def _numbers(
        self, lower: sparse.csc_matrix, parent: NDArray[np.int64], keys: NDArray[np.int64]
    ) -> Places:
        """Return the number that the row of each entry has in the front of the column's parent.

        The parent itself is 0 in its front, and its rows follow. The root is one front.
        """
        rows = lower.indices[: self._kept]
        numbers = np.where(parent >= self._first, rows - self._first, 0)
        sought = np.flatnonzero((parent < self._first) & (rows != parent))
        wanted = parent[sought] * lower.shape[0] + rows[sought]
        numbers[sought] = np.searchsorted(keys, wanted) - lower.indptr[parent[sought]] + 1
        return numbers.astype(np.int32)

    def _places(self, one: Places, other: Places, keys: NDArray[np.int64]) -> Places:
        """Return where the inverse keeps its entries between rows and columns of L."""
        high, low = np.maximum(one, other).astype(np.int64), np.minimum(one, other)
        root = self._kept + self._first + (high - self._first) * self._width + low - self._first
        places = np.where(low >= self._first, root, self._kept + low)
        sought = (low < self._first) & (high != low)
        wanted = low[sought].astype(np.int64) * (self._first + self._width) + high[sought]
        places[sought] = np.searchsorted(keys, wanted)
        return places.astype(np.int32)


def _alike(
    depths: list[int], keeps: NDArray[np.int64], counts: NDArray[np.int64]
) -> Iterator[list[Places]]:
    """Yield the levels from the root on, each parted into columns that are computed alike."""
    kinds = np.stack([np.array(depths, dtype=np.int64), keeps, counts])
    order = np.lexsort(kinds[::-1]).astype(np.int32)
    changes = np.flatnonzero((np.diff(kinds[:, order]) != 0).any(axis=0)) + 1
    parted = np.split(order, changes) if len(order) else []
    for _, level in groupby(parted, key=lambda columns: depths[columns[0]]):
        yield list(level)


def _keep_fronts(fronts: Floats, diagonal: Floats, found: Floats, between: Floats) -> None:
    """Write the fronts of a group's columns, one after the other."""
    many, wide = len(found), found.shape[1] + 1
    each = fronts[: many * wide**2].reshape(many, wide, wide)
    each[:, 0, 0] = diagonal
    each[:, 1:, :1] = found
    each[:, :1, 1:] = found.swapaxes(1, 2)
    each[:, 1:, 1:] = between


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


def _depths(parents: list[int]) -> list[int]:
    """Return how many of these columns stand between each and the root."""
    depths = [0] * len(parents)
    for column in range(len(parents) - 1, -1, -1):
        if 0 <= parents[column] < len(parents):
            depths[column] = depths[parents[column]] + 1
    return depths
