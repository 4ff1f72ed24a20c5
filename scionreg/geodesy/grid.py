"""Where the rows and positions of a block lie that nobody surveyed: laid out, then fitted to fixes.

Positions run away from the side they are counted from. Rows are counted from the west where
positions run north or south, else from the north, unless fixes show the other way about.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from scionreg.geodesy.fixes import RADIUS
from scionreg.geodesy.ground import Numbers, Plane, run_on

AWAY = {"N": (0.0, -1.0), "E": (-1.0, 0.0), "S": (0.0, 1.0), "W": (1.0, 0.0)}
"""Where positions run to, east and north, by the side they are counted from."""
STEP_SHARE = 0.05
"""How far a spacing, or its direction, is usually off what was written, as a share (estimate)."""
OFF_PEG = 0.1
"""How far a tree usually stands off its peg, as a share of the spacing (estimate)."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Rows and positions on a plane: a place is ``corner + row * across + position * along``.

    `steps` holds those three, in metres east and north, shape (3, 2); `spread` the standard
    deviations, shape (3,), of where the middle lies and of both steps, infinite where nothing is
    known. `accuracy_m` is the radius that a place lies within at 68 %, `ends` the last row and
    position. `off_m` is how far the fixes lie off it, as the root of their mean square; None
    where they are none, or so few that they lie on it whatever they are.
    """

    plane: Plane
    steps: Numbers
    spread: Numbers
    ends: tuple[int, int]
    accuracy_m: float
    off_m: float | None = None

    def metres(self, row: ArrayLike, position: ArrayLike) -> Numbers:
        """Return metres east and north of the plane's middle, shape (n, 2)."""
        return np.asarray(_design(row, position) @ self.steps)

    def degrees(self, row: ArrayLike, position: ArrayLike) -> tuple[Numbers, Numbers]:
        """Return latitude and longitude of places."""
        return self.plane.degrees(self.metres(row, position))

    def mirrored(self) -> "Grid":
        """Return the grid with its rows counted from the other side."""
        corner, across, along = self.steps
        steps = np.stack([corner + (self.ends[0] + 1) * across, -across, along])
        return Grid(self.plane, steps, self.spread, self.ends, self.accuracy_m)


def _design(row: ArrayLike, position: ArrayLike) -> Numbers:
    rows = np.asarray(row, dtype=np.float64)
    return np.stack([np.ones_like(rows), rows, np.asarray(position, np.float64)], axis=-1)


def lay_out(
    outline: Mapping[str, Any],
    rows: int,
    positions: int,
    *,
    row_spacing_m: float | None = None,
    tree_spacing_m: float | None = None,
    counted_from: str | None = None,
) -> Grid:
    """Lay `rows` of `positions` out in the middle of a block's outline (GeoJSON), along its sides.

    Spacings that are not known, or do not fit, spread the places over the outline.
    """
    from shapely import get_coordinates, minimum_rotated_rectangle
    from shapely.geometry import shape

    ring = get_coordinates(shape(outline))
    ring[:, 0] = run_on(ring[:, 0])
    low, high = ring.min(axis=0), ring.max(axis=0)
    plane = Plane(float(low[1] + high[1]) / 2, float(low[0] + high[0]) / 2)
    flat = plane.metres(ring[:, 1], ring[:, 0])
    corners = get_coordinates(minimum_rotated_rectangle(_hull(flat)))[:4]
    sides = [corners[1] - corners[0], corners[2] - corners[1]]
    lengths = [float(np.hypot(*side)) for side in sides]
    axes = [side / max(length, 1e-9) for side, length in zip(sides, lengths, strict=True)]
    toward = _toward(counted_from, axes, lengths)
    lead = int(abs(axes[1] @ toward) > abs(axes[0] @ toward))
    beside = np.array((1.0, 0.0) if abs(toward[1]) > abs(toward[0]) else (0.0, -1.0))
    step, spare = _step(tree_spacing_m, lengths[lead], positions)
    row_step, row_spare = _step(row_spacing_m, lengths[1 - lead], rows)
    along = step * _pointing(axes[lead], toward)
    across = row_step * _pointing(axes[1 - lead], beside)
    corner = corners.mean(axis=0) - (rows + 1) / 2 * across - (positions + 1) / 2 * along
    # The rows may begin anywhere in what room is left, and a tree stands off its peg.
    accuracy = float(np.hypot(spare, row_spare) / 2 + min(step, row_step) / 2)
    return Grid(
        plane=plane,
        steps=np.stack([corner, across, along]),
        spread=np.array([accuracy / RADIUS, STEP_SHARE * row_step, STEP_SHARE * step]),
        ends=(rows, positions),
        accuracy_m=accuracy,
    )


def _hull(flat: Numbers) -> Any:
    from shapely import MultiPoint

    return MultiPoint(flat).convex_hull


def _toward(side: str | None, axes: Sequence[Numbers], lengths: Sequence[float]) -> Numbers:
    """Return where positions run to; where nobody said, along the longer side from N or W."""
    if side is not None:
        return np.array(AWAY[side])
    longer = axes[int(lengths[1] > lengths[0])]
    return np.array(AWAY["N"] if abs(longer[1]) > abs(longer[0]) else AWAY["W"])


def _pointing(axis: Numbers, toward: Numbers) -> Numbers:
    return axis if axis @ toward >= 0 else -axis


def _step(spacing: float | None, length: float, number: int) -> tuple[float, float]:
    """Return the metres from one place to the next, and those left over at the ends."""
    even = length / max(number, 1)
    if not spacing or spacing * (number - 1) > length:
        return even, 0.0
    return spacing, max(length - spacing * number, 0.0)


def among_fixes(
    row: ArrayLike,
    position: ArrayLike,
    latitude: ArrayLike,
    longitude: ArrayLike,
    spread: Numbers,
    ends: tuple[int, int],
) -> Grid | None:
    """Lay rows and positions up to `ends` out by fixes alone, in a block without an outline.

    None where they do not tell: three are needed that stand in no line, and so many that the
    block's corners are known better than to half of what lies between them.

    Parameters
    ----------
    row, position, latitude, longitude, spread : of the trees with fixes, shape (n,); degrees, and
        standard deviations in metres.
    """
    design, north = _design(row, position), np.asarray(latitude, np.float64)
    if not len(design) or np.linalg.matrix_rank(design) < 3:
        return None
    east = np.asarray(longitude, np.float64)
    turned = east[0] + (east - east[0] + 180) % 360 - 180
    plane = Plane(float(north.mean()), float(turned.mean()))
    metres = plane.metres(north, turned)
    steps = np.asarray(np.linalg.lstsq(design, metres, rcond=None)[0], np.float64)
    unknown = Grid(plane, steps, np.full(3, np.inf), ends, np.inf)
    found = fit(unknown, row, position, metres, spread)
    one, other = found.metres([1, ends[0]], [1, ends[1]])
    return found if found.accuracy_m < np.hypot(*(other - one)) / 2 else None


def fit(
    laid_out: Grid, row: ArrayLike, position: ArrayLike, metres: Numbers, spread: Numbers
) -> Grid:
    """Fit a grid to fixes: `metres` (n, 2) on its plane, of standard deviation `spread` (n,).

    Least squares, in which what was laid out counts as much as it can be trusted; so one fix moves
    the block, and many turn and stretch it. Rows are counted from the side that fits better.
    """
    design = _design(row, position)
    if not len(design):
        return laid_out
    peg = OFF_PEG * float(np.hypot(laid_out.steps[1:, 0], laid_out.steps[1:, 1]).min())
    weights = 1 / np.hypot(spread, peg)
    fits = [_fitted(each, design, metres, weights, peg) for each in (laid_out, laid_out.mirrored())]
    return min(fits, key=lambda each: each[0])[1]


def _fitted(
    laid_out: Grid, design: Numbers, metres: Numbers, weights: Numbers, peg: float
) -> tuple[float, Grid]:
    """Return how badly a grid fits, and the grid."""
    rows, positions = laid_out.ends
    middle = np.array([[1.0, (rows + 1) / 2, (positions + 1) / 2]])
    # What is known beforehand: where the middle is, and both steps.
    known = np.isfinite(laid_out.spread)
    before = np.concatenate([middle, np.eye(3)[1:]])[known] / laid_out.spread[known, None]
    left = np.concatenate([design * weights[:, None], before])
    right = np.concatenate([metres * weights[:, None], before @ laid_out.steps])
    steps = np.linalg.lstsq(left, right, rcond=None)[0]
    misfit = float(((left @ steps - right) ** 2).sum())
    ends = _design([1, 1, rows, rows], [1, positions, 1, positions])
    variance = ((ends @ np.linalg.inv(left.T @ left)) * ends).sum(axis=1).mean()
    spare = len(left) - 3
    worse = max(1.0, misfit / max(2 * spare, 1))
    accuracy = RADIUS * float(np.sqrt(worse * variance + peg**2))
    off = float(np.sqrt(((design @ steps - metres) ** 2).sum(axis=1).mean())) if spare else None
    return misfit, Grid(laid_out.plane, steps, laid_out.spread, laid_out.ends, accuracy, off)
