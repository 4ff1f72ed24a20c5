"""The sparse algebra of the random block, against dense matrices."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import sparse

from scionreg.take import inverse
from scionreg.take.sparse import RandomBlock


def memberships(seed: int) -> sparse.csr_array:
    """Return lots that each belong to a few of some levels, by share."""
    draw = np.random.default_rng(seed)
    lots, levels = draw.integers(1, 120), draw.integers(1, 50)
    many = draw.integers(0, 4, lots)
    rows = np.repeat(np.arange(lots), many)
    # A level is likelier the lower its number: some are met by many lots, some by none.
    columns = (levels * draw.random(len(rows)) ** draw.integers(1, 4)).astype(int)
    return sparse.csr_array((draw.random(len(rows)), (rows, columns)), shape=(lots, levels))


def dense(shares: sparse.csr_array, weights: NDArray[Any], scale: NDArray[Any]) -> NDArray[Any]:
    wide = shares.toarray() * scale
    return np.eye(len(scale)) + wide.T @ (weights[:, None] * wide)


@pytest.mark.parametrize("gathering", [1e-9, 1, 1e9], ids=["no root", "a root", "all root"])
@pytest.mark.parametrize("at_once", [1, 100_000])
@given(seed=st.integers(0, 10_000))
def test_the_block_is_solved_and_inverted_as_a_dense_one(
    gathering: float, at_once: int, seed: int
) -> None:
    draw = np.random.default_rng(seed + 1)
    shares = memberships(seed)
    lots, levels = shares.shape
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(inverse, "GATHERING", gathering)
        patch.setattr(inverse, "AT_ONCE", at_once)
        block = RandomBlock(shares)
        for _ in range(2):  # the pattern serves for changing values
            weights, scale = draw.random(lots), draw.random(levels) * draw.integers(0, 2, levels)
            plain = dense(shares, weights, scale)
            whole = np.linalg.inv(plain)
            wide = shares.toarray() * scale
            block.factorise(weights, scale)
            diagonal, of_lots = block.inverse()
            assert diagonal == pytest.approx(np.diag(whole), abs=1e-12)
            assert of_lots == pytest.approx(np.sum((wide @ whole) * wide, axis=1), abs=1e-12)
            assert block.log_determinant() == pytest.approx(np.linalg.slogdet(plain)[1], abs=1e-12)
            right = draw.normal(size=levels)
            assert block.solve(right) == pytest.approx(np.linalg.solve(plain, right), abs=1e-12)
