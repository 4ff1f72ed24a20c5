"""Sparse algebra of the random block: I + S Z'WZ S over one pattern, for ever changing W and S.

Z (lots x levels) holds each lot's shares, W (lots) the weights of the binomial, S (levels) the
standard deviations. qdldl factorises the block as L D L'; of its inverse only the entries on the
pattern of L are computed, by the recursion of Takahashi, Fagan and Chin 1973, "Formation of a
sparse bus impedance matrix and its application to short circuit study", PICA Conference Proceedings
8. For a column j with the rows s below its diagonal it reads::

    V[s, j] = -V[s, s] L[s, j]        V[j, j] = 1 / D[j] - L[s, j]' V[s, j]

Columns that stand equally high in the elimination tree do not touch each other and are computed
together. The last columns, where L is all but full, are inverted as one dense block, the *root*.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import qdldl
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import lapack

Floats = NDArray[np.float64]
Places = NDArray[np.int32]

REMEMBERED = 30_000_000
"""Gather places to keep between calls, 4 bytes each; beyond it they are worked out every time."""


class RandomBlock:
    """The matrix I + S Z'WZ S of one Z: factorised, solved, and selectively inverted."""

    def __init__(self, memberships: sparse.csr_array) -> None:
        """Take Z, (lots, levels), without duplicate entries."""
        self.size = memberships.shape[1]
        self._rows, self._columns, self._products = _pairs(memberships)
        starts = np.searchsorted(self._columns, np.arange(self.size + 1)).astype(np.int32)
        self._upper = sparse.csc_matrix(
            (np.ones(len(self._rows)), self._rows, starts), shape=(self.size, self.size)
        )
        self._diagonal = starts[1:] - 1
        # A matrix of ones is not definite; any definite one of the pattern will do to begin with.
        self._upper.data[self._diagonal] += np.bincount(self._rows, minlength=self.size)
        self._upper.data[self._diagonal] += np.bincount(self._columns, minlength=self.size)
        self._solver = qdldl.Solver(self._upper, upper=True)
        self._twice = np.where(self._rows == self._columns, 1.0, 2.0)
        self._inverse: _SelectedInverse | None = None
        self._scaling: Floats = np.ones(len(self._rows))

    def factorise(self, weights: Floats, scale: Floats) -> None:
        """Factorise for W, (lots,), and S, (levels,)."""
        self._scaling = scale[self._rows] * scale[self._columns]
        data = (self._products @ weights) * self._scaling
        data[self._diagonal] += 1.0
        self._upper.data = data
        self._solver.update(self._upper, upper=True)

    def solve(self, right: Floats) -> Floats:
        """Return the solution for a right side, (levels,)."""
        found: Floats = self._solver.solve(right)
        return found

    def log_determinant(self) -> float:
        """Return the logarithm of the determinant of the factorised matrix."""
        return float(np.log(self._solver.factors()[1]).sum())

    def inverse(self) -> tuple[Floats, Floats]:
        """Return the diagonal V[a, a], (levels,), and z' S V S z of each lot, (lots,)."""
        lower, pivots, order = self._solver.factors()
        if self._inverse is None:
            self._inverse = _SelectedInverse(lower, np.asarray(order), self._rows, self._columns)
        entries = self._inverse.entries(lower.data, pivots)
        lots: Floats = self._products.T @ (entries * self._scaling * self._twice)
        return entries[self._diagonal], lots


def _pairs(memberships: sparse.csr_array) -> tuple[Places, Places, sparse.csr_array]:
    """Return the pattern of Z'WZ above and on the diagonal, and what makes its entries of W.

    Rows and columns of the pattern, sorted by column; and the matrix (entries, lots) of products of
    two shares of a lot, which times W gives the entries.
    """
    counts = np.diff(memberships.indptr)
    size = memberships.shape[1]
    lots, first, second, products = [], [], [], []
    for count in np.unique(counts[counts > 0]):
        those = np.flatnonzero(counts == count)
        places = memberships.indptr[those][:, None] + np.arange(count)
        members, shares = memberships.indices[places], memberships.data[places]
        a, b = np.triu_indices(count)
        lots.append(np.repeat(those, len(a)))
        first.append(members[:, a].ravel())
        second.append(members[:, b].ravel())
        products.append((shares[:, a] * shares[:, b]).ravel())
    every = np.arange(size)  # a level without any lot is in the pattern too
    one, other = np.concatenate([*first, every]), np.concatenate([*second, every])
    keys = np.maximum(one, other).astype(np.int64) * size + np.minimum(one, other)
    pattern, entry = np.unique(keys, return_inverse=True)
    entry = entry[: len(keys) - size].astype(np.int32)
    lot = np.concatenate([*lots, np.empty(0)]).astype(np.int32)
    made = sparse.csr_array(
        (np.concatenate([*products, np.empty(0)]), (entry, lot)),
        shape=(len(pattern), memberships.shape[0]),
    )
    return (pattern % size).astype(np.int32), (pattern // size).astype(np.int32), made


@dataclass(frozen=True, slots=True)
class _Group:
    """Columns of one height in the elimination tree, equally many entries below the diagonal."""

    columns: Places
    """(k,)"""
    entries: Places
    """(k, m): places of the columns' entries in L, and in the inverse."""
    rows: Places
    """(k, m)"""
    between: Places | None
    """(k, m, m): places in the inverse of the entries between these rows; None: not remembered."""


class _SelectedInverse:
    """Takahashi's recursion over one pattern of L.

    The inverse is kept as one array: the entries of L outside the root, their diagonal, the root.
    """

    def __init__(self, lower: Any, order: NDArray[Any], rows: Places, columns: Places) -> None:
        """Take L without its diagonal, the order of elimination, and the entries that are asked."""
        self._size = lower.shape[0]
        counts = np.diff(lower.indptr).astype(np.int64)
        self._first = self._root_begins(counts)
        self._kept = int(lower.indptr[self._first])
        self._rows = lower.indices
        column = np.repeat(np.arange(self._size, dtype=np.int64), counts)
        self._keys = column[: self._kept] * self._size + lower.indices[: self._kept]
        self._root = (
            lower.indices[self._kept :] - self._first,
            (column[self._kept :] - self._first).astype(np.int32),
        )
        self._groups = self._grouped(lower, counts)
        turn = np.empty(self._size, dtype=np.int32)
        turn[order] = np.arange(self._size, dtype=np.int32)
        self._asked = self._places(turn[rows], turn[columns])

    def _root_begins(self, counts: NDArray[np.int64]) -> int:
        """Return the first column of the root, such that the least is stored."""
        before = np.concatenate([[0], np.cumsum(counts**2)])
        return int(np.argmin(before + (self._size - np.arange(self._size + 1)) ** 2))

    def _grouped(self, lower: Any, counts: NDArray[np.int64]) -> list[_Group]:
        """Return the columns outside the root, in an order in which they can be computed."""
        # Where no two levels share a lot, nothing lies below the diagonal.
        first = np.minimum(lower.indptr[:-1], max(0, lower.nnz - 1))
        parents = lower.indices[first].tolist() if lower.nnz else []
        heights = [0] * self._size
        for column in range(self._first - 1, -1, -1):
            if counts[column] and parents[column] < self._first:
                heights[column] = heights[parents[column]] + 1
        kinds = np.stack([heights[: self._first], counts[: self._first]], axis=1).astype(np.int64)
        _, kind = np.unique(kinds, axis=0, return_inverse=True)
        remembered = int((counts[: self._first] ** 2).sum()) <= REMEMBERED
        sorted_columns = np.argsort(kind.ravel(), kind="stable").astype(np.int32)
        ends = np.cumsum(np.bincount(kind.ravel()))
        groups = []
        for columns in np.split(sorted_columns, ends[:-1]) if self._first else []:
            entries = lower.indptr[columns][:, None] + np.arange(counts[columns[0]], dtype=np.int32)
            below = lower.indices[entries]
            between = self._between(below) if remembered else None
            groups.append(_Group(columns, entries.astype(np.int32), below, between))
        return groups

    def _between(self, rows: Places) -> Places:
        return self._places(rows[:, :, None], rows[:, None, :])

    def _places(self, one: Places, other: Places) -> Places:
        """Return where the inverse keeps its entries between rows and columns of L."""
        high, low = np.broadcast_arrays(np.maximum(one, other), np.minimum(one, other))
        outside = np.int32(self._kept) + low
        width, root = self._size - self._first, self._kept + self._first
        places = np.where(high == low, outside, root + (high - self._first) * width)
        inside = low >= self._first
        places[inside] = (root + (high - self._first) * width + low - self._first)[inside]
        sought = ~inside & (high != low)
        keys = low[sought].astype(np.int64) * self._size + high[sought]
        places[sought] = np.searchsorted(self._keys, keys)
        return places.astype(np.int32)

    def entries(self, lower: Floats, pivots: Floats) -> Floats:
        """Return the asked entries of the inverse, for the values of L and D."""
        inverse = np.empty(self._kept + self._first + (self._size - self._first) ** 2)
        inverse[self._kept + self._first :] = self._inverted_root(lower, pivots).ravel()
        for group in self._groups:
            between = self._between(group.rows) if group.between is None else group.between
            below = lower[group.entries]
            found = -(inverse[between] @ below[:, :, None])[:, :, 0]
            inverse[group.entries] = found
            diagonal = 1.0 / pivots[group.columns] - np.einsum("ij,ij->i", below, found)
            inverse[self._kept + group.columns] = diagonal
        return inverse[self._asked]

    def _inverted_root(self, lower: Floats, pivots: Floats) -> Floats:
        width = self._size - self._first
        root = np.zeros((width, width), order="F")
        root[self._root] = lower[self._kept :]
        if not width:
            return root
        np.fill_diagonal(root, 1.0)
        half, _ = lapack.dtrtri(root, lower=1, unitdiag=1, overwrite_c=1)
        inverted: Floats = half.T @ (half / pivots[self._first :, None])
        return inverted
