"""Where rows run: through good fixes, by the spacing where fixes are poor or lacking."""

import itertools
import math
import random

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from orchards import ROW_M, TREE_M, orchard

from scionreg.geodesy.ground import Plane
from scionreg.rotation.rows import Spacing, Standing, on_plane, rows_of

PLANE = Plane(47.0, 11.0)
BY_THE_BOOK = Spacing(6.0, 4.0, "N", 8)


def fixed(row: int, position: int, east: float, north: float, accuracy: float) -> Standing:
    latitude, longitude = (float(each) for each in PLANE.degrees([east, north]))
    code = f"{row}-{position}"
    return Standing(code, "Fernhill", "A", row, position, latitude, longitude, accuracy)


@pytest.mark.parametrize("turned", [0, 20, 45])
def test_surveyed_trees_are_as_far_apart_as_the_ellipsoid_says(turned: float) -> None:
    trees, blocks = orchard(1, 3, 8, turned=turned)
    found = rows_of("A", trees, blocks["A"], PLANE)
    assert [each.row for each in found] == [1, 2, 3]
    for row in found:
        its = [each for each in trees if each.row == row.row]
        for one, other in itertools.pairwise(its):
            by_the_book = Geodesic.WGS84.Inverse(
                one.latitude, one.longitude, other.latitude, other.longitude
            )["s12"]
            way = row.along[row.places[other.position]] - row.along[row.places[one.position]]
            assert way == pytest.approx(by_the_book, abs=0.02)


@pytest.mark.parametrize(
    ("side", "along"), [("N", (0, -1)), ("S", (0, 1)), ("E", (-1, 0)), ("W", (1, 0))]
)
def test_without_any_fix_rows_follow_the_spacing_from_the_side_counted_from(
    side: str, along: tuple[int, int]
) -> None:
    trees = [Standing(f"{r}-{p}", "Fernhill", "A", r, p) for r in (1, 2) for p in (1, 3)]
    one, two = rows_of("A", trees, Spacing(6.0, 4.0, side, 5), PLANE)
    step = one.points[one.places[3]] - one.points[one.places[1]]
    assert step == pytest.approx(np.array(along) * 8.0)
    across = two.points[0] - one.points[0]
    assert np.hypot(*across) == pytest.approx(6.0)
    assert across @ step == pytest.approx(0.0)
    # Five positions and half a step to the headland at either end.
    assert one.metres == pytest.approx(5 * 4.0)


def test_without_spacings_usual_ones_are_taken() -> None:
    trees = [Standing("1", "Fernhill", "A", 1, 1), Standing("2", "Fernhill", "A", 1, 11)]
    (row,) = rows_of("A", trees, Spacing(), PLANE)
    assert row.metres == pytest.approx(11 * 3.0)


def test_a_tree_without_a_fix_stands_between_its_neighbours() -> None:
    ends = [fixed(1, 1, 0, 0, 0.1), fixed(1, 5, 2, -18, 0.1)]
    (row,) = rows_of("A", [*ends, Standing("1-3", "Fernhill", "A", 1, 3)], BY_THE_BOOK, PLANE)
    assert row.points[row.places[3]] == pytest.approx(on_plane(ends, PLANE).mean(axis=0), abs=0.5)


def test_a_good_fix_holds_its_tree_and_a_poor_one_gives_way_to_the_spacing() -> None:
    for accuracy, least, most in ((0.1, 1.6, 2.1), (8.0, 0.0, 0.4)):
        row_1 = [fixed(1, p, 0, -4.0 * p, 0.1) for p in (1, 2, 3, 5, 6, 7)]
        off = fixed(1, 4, 2.0, -16.0, accuracy)
        (row,) = rows_of("A", [*row_1, off], BY_THE_BOOK, PLANE)
        assert least <= row.points[row.places[4]][0] <= most


def test_rows_on_a_contour_are_followed() -> None:
    bend = 60.0
    trees = [
        fixed(1, p, bend * math.sin(4 * p / bend), -bend * (1 - math.cos(4 * p / bend)), 0.1)
        for p in range(1, 16)
    ]
    (row,) = rows_of("A", trees, Spacing(6.0, 4.0, "W", 15), PLANE)
    assert row.points[1:-1] == pytest.approx(on_plane(trees, PLANE), abs=0.3)
    assert row.along[15] - row.along[1] == pytest.approx(14 * 4.0, rel=0.01)


@given(st.integers(0, 10**6), st.sampled_from([1.5, 5.0, 8.0]))
def test_however_poor_the_fixes_positions_keep_their_order(seed: int, accuracy: float) -> None:
    dice = random.Random(seed)
    spread = accuracy / 1.51
    trees = [
        fixed(
            r, p, ROW_M * r + dice.gauss(0, spread), -TREE_M * p + dice.gauss(0, spread), accuracy
        )
        for r in (1, 2, 3)
        for p in range(1, 9)
    ]
    for row in rows_of("A", trees, BY_THE_BOOK, PLANE):
        middle = row.points[:, 1]
        assert np.all(np.diff(row.along) > 0)
        assert middle[0] > middle[-1]
        assert row.metres == pytest.approx(8 * TREE_M, rel=0.6)


def test_trees_without_a_position_make_no_row() -> None:
    assert rows_of("A", [Standing("1", "Fernhill", "A", 1)], BY_THE_BOOK, PLANE) == []
