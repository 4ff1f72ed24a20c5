"""Sparse algebra of the random block: I + S Z'WZ S over one pattern, for ever changing W and S.

Z (lots x levels) holds each lot's shares, W (lots) the weights of the binomial, S (levels) the
standard deviations. qdldl factorises the block as L D L'; `scionreg.take.inverse` computes what is
wanted of its inverse.
"""

import numpy as np
import qdldl
from scipy import sparse

from scionreg.take.inverse import Floats, Places, SelectedInverse


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
        self._inverse: SelectedInverse | None = None
        self.factorised = False
        self._scaling: Floats = np.ones(len(self._rows))

    def factorise(self, weights: Floats, scale: Floats) -> None:
        """Factorise for W, (lots,), and S, (levels,)."""
        self._scaling = scale[self._rows] * scale[self._columns]
        data = (self._products @ weights) * self._scaling
        data[self._diagonal] += 1.0
        self._upper.data = data
        self._solver.update(self._upper, upper=True)
        self.factorised = True

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
            self._inverse = SelectedInverse(lower, np.asarray(order), self._rows, self._columns)
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
