"""Distances against a reference library and a published line; fixes and rows by hand."""

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from scionreg.geodesy.fixes import (
    MOST_LIKELIER,
    RADIUS,
    Fix,
    average,
    deviation,
    likelier,
    log_densities,
)
from scionreg.geodesy.grid import among_fixes, fit, lay_out
from scionreg.geodesy.ground import Plane, metres_apart

LATITUDE = st.floats(-80, 80)
LONGITUDE = st.floats(-180, 180)
BEARING = st.floats(0, 360)


def moved(latitude: float, longitude: float, bearing: float, metres: float) -> tuple[float, float]:
    """Return a place some metres away, by the reference library."""
    there = Geodesic.WGS84.Direct(latitude, longitude, bearing, metres)
    return there["lat2"], there["lon2"]


# Distances


def test_the_published_survey_line() -> None:
    # Flinders Peak to Buninyong, 54,972.271 m: Geocentric Datum of Australia technical manual,
    # on GRS80, whose flattening differs from that of WGS 84 by less than a part in 10^8.
    flinders = (-(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600)
    buninyong = (-(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600)
    assert metres_apart(*flinders, *buninyong) == pytest.approx(54_972.271, abs=0.001)
    east, north = Plane(*flinders).metres(*buninyong)
    assert math.hypot(east, north) == pytest.approx(54_972.271, abs=0.001)
    azimuth = math.degrees(math.atan2(east, north)) % 360
    assert azimuth == pytest.approx(306 + 52 / 60 + 5.37 / 3600, abs=0.005 / 3600 * 2)


@given(LATITUDE, LONGITUDE, LATITUDE, LONGITUDE)
def test_distances_are_those_of_the_reference_library(
    latitude: float, longitude: float, to_latitude: float, to_longitude: float
) -> None:
    expected = Geodesic.WGS84.Inverse(latitude, longitude, to_latitude, to_longitude)["s12"]
    found = metres_apart(latitude, longitude, to_latitude, to_longitude)
    assert found == pytest.approx(expected, abs=1e-6)


@given(LATITUDE, LONGITUDE, BEARING, BEARING, st.floats(0, 5000), st.floats(0, 5000))
def test_a_plane_keeps_distances_within_five_kilometres(
    latitude: float, longitude: float, one: float, other: float, near: float, far: float
) -> None:
    plane = Plane(latitude, longitude)
    first, second = (moved(latitude, longitude, *each) for each in ((one, near), (other, far)))
    flat = float(np.hypot(*(plane.metres(*first) - plane.metres(*second))))
    assert flat == pytest.approx(float(metres_apart(*first, *second)), rel=4e-7, abs=2e-3)
    back = plane.degrees(plane.metres(*first))
    assert float(metres_apart(*first, *back)) < 2e-3


# Fixes


def test_an_accuracy_holds_68_of_100_fixes() -> None:
    dice = np.random.default_rng(7)
    off = dice.normal(0, deviation(5.0), (200_000, 2))
    assert (np.hypot(*off.T) < 5).mean() == pytest.approx(0.68, abs=0.004)


@given(st.lists(st.floats(0.1, 30), min_size=1, max_size=6), LATITUDE, LONGITUDE, st.data())
def test_fixes_are_averaged_as_on_a_plane(
    accuracies: list[float], latitude: float, longitude: float, data: st.DataObject
) -> None:
    off = [data.draw(st.tuples(BEARING, st.floats(0, 40))) for _ in accuracies]
    places = np.array([moved(latitude, longitude, *each) for each in off])
    found = average(places[:, 0], places[:, 1], accuracies)
    plane = Plane(latitude, longitude)
    weights = [1 / each**2 for each in accuracies]
    mean = sum(w * plane.metres(*at) for w, at in zip(weights, places, strict=True)) / sum(weights)
    assert float(metres_apart(found.latitude[0], found.longitude[0], *plane.degrees(mean))) < 0.01
    assert found.accuracy_m[0] == pytest.approx(sum(weights) ** -0.5, abs=0.001)
    assert found.fixes[0] == len(accuracies)


def test_places_are_averaged_apart_and_one_without_fixes_has_none() -> None:
    found = average(
        [10.0, 20.0, 10.0], [179.9999, 5.0, -179.9999], [1, 2, 1], of=[2, 0, 2], places=3
    )
    assert found.latitude.tolist()[::2] == [20.0, 10.0]
    assert abs(found.longitude[2]) == 180
    assert np.isnan([found.latitude[1], found.accuracy_m[1]]).all()
    assert found.fixes.tolist() == [1, 0, 2]


@given(st.floats(0.6, 20), st.floats(0.05, 20), st.floats(0.05, 20), st.floats(0, 8))
def test_how_much_likelier_is_the_ratio_of_two_normals(
    fix: float, there: float, own: float, north: float
) -> None:
    at = [moved(45, 5, 0, north), moved(45, 5, 0, 10)]
    expected = []
    for place, accuracy in zip(at, (there, own), strict=True):
        spread = math.hypot(fix, accuracy) / RADIUS
        metres = float(metres_apart(45, 5, *place))
        expected.append(math.exp(-(metres**2) / 2 / spread**2) / spread**2)
    found = likelier(Fix(45, 5, fix), Fix(*at[0], there), Fix(*at[1], own))
    ratio = expected[0] / max(expected[1], 1e-300)
    assert found == pytest.approx(min(max(ratio, 1 / MOST_LIKELIER), MOST_LIKELIER), rel=1e-6)


def test_densities_sum_to_one_over_the_ground() -> None:
    plane, step = Plane(36.4, -95.8), 0.5
    squares = np.arange(-60, 60, step) + step / 2
    over = np.stack(np.meshgrid(squares, squares), axis=-1).reshape(-1, 2)
    latitude, longitude = plane.degrees(over)
    logs = log_densities(Fix(36.4, -95.8, 8), latitude, longitude, np.full(len(over), 3.0))
    assert np.exp(logs).sum() * step**2 == pytest.approx(1, abs=1e-3)


# Rows


def outline(
    latitude: float, longitude: float, wide: float, tall: float, turned: float
) -> dict[str, object]:
    """Return a rectangle of metres about a place, turned clockwise by degrees."""
    plane, angle = Plane(latitude, longitude), math.radians(turned)
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]) * (wide / 2, tall / 2)
    north, east = plane.degrees(corners @ np.array(rotation(angle)))
    ring = np.stack([east, north], axis=1).tolist()
    return {"type": "Polygon", "coordinates": [ring]}


def rotation(angle: float) -> list[list[float]]:
    """Return the matrix that turns row vectors clockwise."""
    return [[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]


@given(st.floats(-70, 70), st.floats(-179, 179), st.floats(-35, 35), st.sampled_from("NESW"))
def test_rows_lie_in_the_middle_of_a_turned_block(
    latitude: float, longitude: float, turned: float, side: str
) -> None:
    rows, places, apart, step = 4, 9, 6.0, 3.0
    wide, tall = (30.0, 40.0) if side in "NS" else (40.0, 30.0)
    block = outline(latitude, longitude, wide, tall, turned)
    grid = lay_out(block, rows, places, row_spacing_m=apart, tree_spacing_m=step, counted_from=side)
    angle = math.radians(turned)
    along = {"N": (0, -1), "E": (-1, 0), "S": (0, 1), "W": (1, 0)}[side]
    across = (1, 0) if side in "NS" else (0, -1)
    plane = Plane(latitude, longitude)
    for row, place in ((1, 1), (1, places), (rows, 1), (rows, places), (2, 5)):
        flat = np.array(across) * apart * (row - 2.5) + np.array(along) * step * (place - 5)
        expected = plane.degrees(flat @ np.array(rotation(angle)))
        assert float(metres_apart(*grid.degrees(row, place), *expected)) < 0.05


def test_spacings_that_do_not_fit_spread_the_rows_over_the_block() -> None:
    block = outline(45, 5, 20, 40, 0)
    grid = lay_out(block, 4, 10, row_spacing_m=9, tree_spacing_m=9, counted_from="N")
    steps = np.hypot(*grid.steps[1:].T)
    assert steps == pytest.approx([20 / 4, 40 / 10], abs=0.01)
    unknown = lay_out(block, 4, 10)
    assert unknown.steps == pytest.approx(grid.steps, abs=1e-6)


@pytest.mark.parametrize("mirrored", [False, True])
def test_fixes_turn_and_stretch_the_rows(mirrored: bool) -> None:
    block = outline(45, 5, 60, 60, 0)
    laid_out = lay_out(block, 5, 8, row_spacing_m=9, tree_spacing_m=5, counted_from="N")
    # What is really there: turned by 3 degrees, begun in a corner, maybe counted from the east.
    turn = np.array(rotation(math.radians(3)))
    truth = np.stack([(-20.0, 25.0), (9.3 * (-1) ** mirrored, 0.0) @ turn, (0.0, -5.1) @ turn])
    if mirrored:
        truth[0] = (22.0, 25.0)
    dice = np.random.default_rng(3)
    rows, places = (each.ravel() for each in np.meshgrid(np.arange(1, 6), np.arange(1, 9)))
    design = np.stack([np.ones(40), rows, places], axis=1)
    spread = np.full(40, deviation(1.5))
    fixes = design @ truth + dice.normal(0, 1, (40, 2)) * spread[:, None]
    fitted = fit(laid_out, rows, places, fixes, spread)
    off = np.hypot(*(fitted.metres(rows, places) - design @ truth).T)
    before = np.hypot(*(laid_out.metres(rows, places) - design @ truth).T)
    assert off.mean() < 0.6 < 3 < before.mean()
    assert fitted.accuracy_m < laid_out.accuracy_m
    assert (off < fitted.accuracy_m).mean() > 0.6


def test_one_fix_moves_the_block_and_none_leaves_it() -> None:
    laid_out = lay_out(outline(45, 5, 60, 60, 0), 3, 4, row_spacing_m=9, tree_spacing_m=5)
    nothing = np.empty((0, 2))
    assert fit(laid_out, [], [], nothing, nothing[:, 0]) is laid_out
    there = laid_out.metres(2, 2) + np.array([4.0, -3.0])
    moved_one = fit(laid_out, [2], [2], there[None], np.array([0.1]))
    assert float(np.hypot(*(moved_one.metres(2, 2) - there))) < 0.2
    assert moved_one.metres(3, 4) - laid_out.metres(3, 4) == pytest.approx([4, -3], abs=0.5)


# Rows of a block without an outline: 8 of 15 places, turned and skewed a little.
STEPS = np.array([(5.0, 40.0), (6.0, 0.5), (0.3, -3.0)])
ENDS = (8, 15)


def in_block(rows: np.ndarray, places: np.ndarray) -> np.ndarray:
    return np.stack([np.ones(len(rows)), rows, places], axis=1) @ STEPS


@given(st.floats(-70, 70), st.floats(-180, 180), st.integers(0, 2**32 - 1), st.integers(6, 30))
def test_fixes_alone_lay_rows_out(latitude: float, longitude: float, seed: int, n: int) -> None:
    dice, plane = np.random.default_rng(seed), Plane(latitude, longitude)
    rows, places = dice.integers(1, 9, n), dice.integers(1, 16, n)
    rows[:4], places[:4] = (1, 1, 8, 8), (1, 15, 1, 15)
    spread = np.full(n, deviation(1.5))
    fixes = in_block(rows, places) + dice.normal(0, 1, (n, 2)) * spread[:, None]
    grid = among_fixes(rows, places, *plane.degrees(fixes), spread, ENDS)
    assert grid is not None
    every = [each.ravel() for each in np.meshgrid(np.arange(1, 9), np.arange(1, 16))]
    expected = plane.degrees(in_block(*every))
    off = metres_apart(*grid.degrees(*every), *expected)
    assert off.max() < 4 * grid.accuracy_m
    assert 0 < (grid.off_m or 0) < 4


def test_an_outline_across_the_date_line_is_laid_out_as_elsewhere() -> None:
    def laid_out(west: float, east: float) -> np.ndarray:
        ring = [[west, -17.2], [east, -17.2], [east, -17.1995], [west, -17.1995], [west, -17.2]]
        outline = {"type": "Polygon", "coordinates": [ring]}
        grid = lay_out(outline, 3, 4, row_spacing_m=5, tree_spacing_m=4, counted_from="S")
        return grid.metres([1, 1, 3], [1, 4, 4])

    assert laid_out(179.9998, -179.9997) == pytest.approx(laid_out(10.0, 10.0005), abs=0.001)


def test_fixes_in_one_line_too_few_or_all_in_a_corner_lay_nothing_out() -> None:
    plane = Plane(45, 5)

    def grid(rows: list[int], places: list[int], metres: float) -> object:
        at, spread = in_block(np.array(rows), np.array(places)), deviation([metres] * len(rows))
        return among_fixes(rows, places, *plane.degrees(at), spread, ENDS)

    assert grid([], [], 1) is None
    assert grid([1, 8], [1, 15], 1) is None
    assert grid([2, 4, 6, 8], [1, 2, 3, 4], 1) is None
    assert grid([1, 1, 2], [1, 2, 1], 5) is None
    three = grid([1, 1, 8], [1, 15, 1], 1)
    assert three is not None
    # Any three fixes lie on some rows, so how near they are says nothing.
    assert getattr(three, "off_m", 0) is None
