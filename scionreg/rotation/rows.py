"""Where the rows of a block run, for walking along them: fixes smoothed along each row.

A row is a line from headland to headland. A good fix holds its tree where it was measured; poor
ones, and trees without any, give way to the spacing of the block.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from scionreg.geodesy.fixes import UNKNOWN_M, deviation
from scionreg.geodesy.grid import AWAY, Grid, fit
from scionreg.geodesy.ground import Numbers, Plane

ROW_M, TREE_M = 5.0, 3.0
"""Distances between rows and between trees where the block's were not written, m (estimates)."""
WANDERS = 0.1
"""How far a tree usually stands off its spacing from the one before it, as a share (estimate)."""
STRAYS = 0.5
"""How far a row usually lies off the block's even rows, as a share of their distance (estimate)."""
TURNS = 0.5
"""How far rows may be off the compass, or spacings off the book, as a share, once fixes tell."""
ANYWHERE_M = 1e5
"""How far off a block's corner may be before its fixes are looked at, m."""


class Standing(NamedTuple):
    """A tree on the ground; `estimated` where its coordinates, if any, are no fix."""

    tree: str
    cultivar: str
    block: str | None = None
    row: int | None = None
    position: int | None = None
    latitude: float | None = None
    longitude: float | None = None
    accuracy_m: float | None = None
    estimated: bool = False

    @property
    def in_row(self) -> bool:
        """Tell whether its row and position are known."""
        return None not in (self.block, self.row, self.position)

    @property
    def placed(self) -> bool:
        """Tell whether it has coordinates."""
        return self.latitude is not None and self.longitude is not None


class Spacing(NamedTuple):
    """A block's rows: metres between rows and trees, the side counted from, and the last place."""

    row_m: float | None = None
    tree_m: float | None = None
    counted_from: str | None = None
    positions: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """A row as a line of `points` (m, 2): a headland, its trees, the other headland.

    `along` is the way from the first headland to each of them, in metres, shape (m,); `places`
    gives the number in it of each position.
    """

    block: str
    row: int
    points: Numbers
    along: Numbers
    places: Mapping[int, int]

    @property
    def metres(self) -> float:
        """Return the length of the row."""
        return float(self.along[-1])


def rows_of(block: str, trees: Sequence[Standing], spacing: Spacing, plane: Plane) -> list[Row]:
    """Return the rows of a block on a plane, in order, from the trees recorded in them.

    Parameters
    ----------
    trees : of the block; those whose row or position is not known are passed over.

    Notes
    -----
    First the whole block is fitted as evenly spaced, parallel rows. Each row then bends towards its
    fixes, which weigh 1 / variance, against steps that stray `WANDERS` from the block's.
    """
    stand = [each for each in trees if each.in_row]
    last = max([spacing.positions, *(each.position or 0 for each in stand)])
    grid = _grid(stand, spacing, last, plane)
    by_row: dict[int, list[Standing]] = {}
    for each in stand:
        by_row.setdefault(each.row or 0, []).append(each)
    return [_row(block, row, its, grid, last, plane) for row, its in sorted(by_row.items())]


def _grid(trees: Sequence[Standing], spacing: Spacing, last: int, plane: Plane) -> Grid:
    """Return the block as even rows: by the book, then fitted to whatever fixes there are."""
    along = np.array(AWAY[spacing.counted_from or "N"])
    across = np.array((1.0, 0.0) if along[1] else (0.0, -1.0))
    row_m, tree_m = spacing.row_m or ROW_M, spacing.tree_m or TREE_M
    steps = np.stack([np.zeros(2), across * row_m, along * tree_m])
    spread = np.array([ANYWHERE_M, TURNS * row_m, TURNS * tree_m])
    ends = (max((each.row or 0 for each in trees), default=0), last)
    by_the_book = Grid(plane, steps, spread, ends, math.inf)
    placed = [each for each in trees if each.placed]
    return fit(
        by_the_book,
        [each.row or 0 for each in placed],
        [each.position or 0 for each in placed],
        on_plane(placed, plane),
        _deviations(placed),
    )


def _row(
    block: str, row: int, trees: Sequence[Standing], grid: Grid, last: int, plane: Plane
) -> Row:
    positions = sorted({each.position or 0 for each in trees})
    # A headland is half a step beyond the first and the last place of the block.
    at = np.array([0.5, *positions, last + 0.5])
    places = {position: number for number, position in enumerate(positions, start=1)}
    even = grid.metres(np.full(len(at), row), at)
    placed = [each for each in trees if each.placed]
    points = even
    if placed:
        number = np.array([places[each.position or 0] for each in placed])
        off = on_plane(placed, plane) - even[number]
        points = even + _bend(at, number, off, _deviations(placed), grid)
    steps = np.hypot(*np.diff(points, axis=0).T)
    return Row(block, row, points, np.concatenate([[0.0], np.cumsum(steps)]), places)


def _bend(
    at: Numbers, number: NDArray[np.int64], off: Numbers, spread: Numbers, grid: Grid
) -> Numbers:
    """Return how far each place of a row lies off the even row, shape (m, 2).

    Least squares over what the fixes say (`off`, at the places `number`), that neighbours bend
    alike, and that rows lie about where the block's even rows do.
    """
    row_m, tree_m = (float(np.hypot(*step)) for step in grid.steps[1:])
    alike = 1 / (WANDERS * tree_m) ** 2 / np.diff(at)
    normal = np.diag(np.full(len(at), 1 / (STRAYS * row_m) ** 2))
    for step, weight in enumerate(alike):
        normal[step : step + 2, step : step + 2] += weight * np.array([[1.0, -1.0], [-1.0, 1.0]])
    right = np.zeros((len(at), 2))
    np.add.at(normal, (number, number), spread**-2.0)
    np.add.at(right, number, off * spread[:, None] ** -2.0)
    return np.asarray(np.linalg.solve(normal, right))


def on_plane(trees: Sequence[Standing], plane: Plane) -> Numbers:
    """Return the places of trees that have coordinates, in metres, shape (n, 2)."""
    fixes = np.array([(each.latitude, each.longitude) for each in trees], dtype=np.float64)
    return plane.metres(*fixes.reshape(-1, 2).T)


def _deviations(trees: Sequence[Standing]) -> Numbers:
    return deviation([each.accuracy_m or UNKNOWN_M for each in trees])
