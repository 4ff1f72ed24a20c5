"""Layers for whoever cuts: trees that may be mistaken, and the walk with its neighbours."""

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scionreg import mapping, walking
from scionreg.api import Registry
from scionreg.cartography import walk_layers
from scionreg.geodesy.fixes import RADIUS, Fix, deviation, likelier, misread, reach
from scionreg.geodesy.ground import Plane, metres_apart, nearby
from scionreg.rotation.beside import ACROSS, IN_ROW, WITHIN_FIX, Neighbour, neighbours
from scionreg.rotation.rows import Standing

PLANE = Plane(36.4, -95.8)


@pytest.fixture(scope="module")
def nursery(demo: str) -> Iterator[Registry]:
    with Registry.open(demo) as registry:
        yield registry


def stand(tree: str, cultivar: str, east: float, north: float, accuracy: float) -> Standing:
    latitude, longitude = (float(each) for each in PLANE.degrees((east, north)))
    return Standing(tree, cultivar, latitude=latitude, longitude=longitude, accuracy_m=accuracy)


PLACES = st.lists(
    st.tuples(st.sampled_from("AB"), st.floats(-30, 30), st.floats(-30, 30), st.floats(0.1, 12)),
    min_size=1,
    max_size=12,
)


@given(PLACES)
def test_neighbours_within_the_fix_are_those_of_a_plain_loop(
    places: list[tuple[str, float, float, float]],
) -> None:
    trees = [stand(f"T{i}", *place) for i, place in enumerate(places)]
    found = neighbours(trees, trees)
    for tree in trees:
        near = {
            other.tree
            for other in trees
            if other.cultivar != tree.cultivar
            and metres_apart(tree.latitude, tree.longitude, other.latitude, other.longitude)
            <= np.hypot(tree.accuracy_m, other.accuracy_m)
        }
        assert {each.tree for each in found[tree.tree]} == near
        assert {each.where for each in found[tree.tree]} <= {WITHIN_FIX}


@given(PLACES, st.floats(0, 40))
@settings(max_examples=30)
def test_what_is_nearby_is_what_is_no_further(
    places: list[tuple[str, float, float, float]], most: float
) -> None:
    latitude, longitude = PLANE.degrees([place[1:3] for place in places])
    found = nearby(latitude, longitude, latitude, longitude, most)
    for i, others in enumerate(found):
        apart = metres_apart(latitude[i], longitude[i], latitude, longitude)
        sure = set(np.flatnonzero(apart <= most - 1e-6).tolist())
        assert sure <= set(others.tolist()) <= set(np.flatnonzero(apart <= most + 1e-6).tolist())


def test_the_chance_of_misreading_is_that_of_many_fixes() -> None:
    """Fixes taken at the one tree that are likelier at the other, both places off themselves."""
    dice = np.random.default_rng(5)
    draws, metres, accuracies = 400_000, 6.0, (5.0, 2.0, 4.0)
    fix, here, there = (dice.normal(0, float(deviation(each)), (draws, 2)) for each in accuracies)
    written = here, there + np.array([metres, 0.0])
    # The places as written lie somewhat nearer or further than the trees; what is told of a pair
    # is for places that turned out `metres` apart, which is the usual distance here.
    ahead = ((written[0] + written[1]) / 2 - fix) @ np.array([1.0, 0.0]) < 0
    assert misread(metres, *accuracies) == pytest.approx(ahead.mean(), abs=0.01)
    assert misread(0.0, 5.0, 1.0, 1.0) == 0.5
    assert misread(60.0, None, None, 0.2) < 1e-6
    # At the middle between two places alike, a fix is as likely at either.
    at = [Fix(*map(float, PLANE.degrees((east, 0.0))), 3.0) for east in (0.0, 3.0, 6.0)]
    assert likelier(at[1], at[2], at[0]) == pytest.approx(1, abs=1e-6)


def test_fixes_of_one_place_are_within_reach_at_68_percent() -> None:
    dice = np.random.default_rng(6)
    one, other = (dice.normal(0, float(deviation(each)), (100_000, 2)) for each in (3.0, 4.0))
    assert float(reach(3.0, 4.0)) == pytest.approx(5.0)
    within = np.hypot(*(one - other).T) <= float(reach(3.0, 4.0))
    assert within.mean() == pytest.approx(0.68, abs=0.005)
    assert pytest.approx(1.5096, abs=1e-4) == RADIUS


def test_every_pair_is_drawn_once_the_likeliest_first(nursery: Registry) -> None:
    found = nursery.layers("confusion")
    pairs = found.layers["pairs"]
    assert tuple(pairs.columns) == (*walk_layers.CONFUSION_COLUMNS, "geometry")
    assert pairs["probability"].is_monotonic_decreasing
    both = [frozenset(each) for each in zip(pairs["tree"], pairs["neighbour"], strict=True)]
    assert len(both) == len(set(both)) > 10
    assert (pairs["cultivar"] != pairs["neighbour_cultivar"]).all()
    assert set(pairs["reason"]) <= {IN_ROW, ACROSS, WITHIN_FIX}
    hidden = {each["tree"] for each in nursery.records("mother_trees", location_private=True)}
    assert not hidden & {*pairs["tree"], *pairs["neighbour"]}
    assert any("private places are left out" in note for note in found.notes)
    assert nursery.layers("confusion", fix_m=0.5).layers["pairs"]["probability"].max() < (
        pairs["probability"].max()
    )


def test_pairs_of_one_cultivar(nursery: Registry) -> None:
    pairs = nursery.layers("confusion", cultivar="Tilby").layers["pairs"]
    names = [{a, b} for a, b in zip(pairs["cultivar"], pairs["neighbour_cultivar"], strict=True)]
    assert names
    assert all("Tillowby" in each for each in names)


def test_a_pair_with_a_tree_that_is_not_shown_is_left_out() -> None:
    trees = [stand("T1", "A", 0, 0, 2), stand("T2", "B", 2, 0, 2)]
    near = {"T1": [Neighbour(tree="T2", cultivar="B", where=WITHIN_FIX)]}
    assert len(walk_layers.confusion(near, trees)) == 1
    assert walk_layers.confusion(near, trees[:1]).empty
    assert walk_layers.confusion(near, [trees[0], Standing("T2", "B")]).empty


def test_a_walk_has_its_stops_in_order_and_what_not_to_cut(nursery: Registry) -> None:
    asked = ("T24-0001-5", "T24-0010-6", "Old-1", "T24-0007-7")
    found = nursery.layers("walk", *asked)
    stops, beside = found.layers["stops"], found.layers["neighbours"]
    assert set(stops["code"]) == set(asked) - {"Old-1"}
    assert stops["order"].is_monotonic_increasing
    (route,) = found.layers["route"].geometry
    passed = iter(route.coords)
    assert all(each.coords[0] in passed for each in stops.geometry)
    assert len(route.coords) > len(stops)  # by the headlands
    assert found.layers["waypoints"].empty
    assert set(beside["of"]) <= set(stops["code"])
    assert any("do not cut" in each for each in stops["do_not_cut"])
    assert found.notes == ("1 private place is left out",)
    alone = nursery.layers("walk", "T24-0001-5").layers
    assert alone["route"].empty
    assert len(alone["stops"]) == 1


def test_what_stands_beside_a_stop_is_not_told_where_it_is_private(nursery: Registry) -> None:
    with nursery.store.reading() as connection:
        hidden = {each["tree"] for each in nursery.records("mother_trees", location_private=True)}
        beside = walking.walk_of(connection, ["Old-3", "Old-7"])
    assert hidden & {near.tree for stop in beside.stops for near in stop.neighbours}
    stops = nursery.layers("walk", "Old-3", "Old-7").layers["stops"]
    assert any("its place is private" in each for each in stops["do_not_cut"])
    assert not any(code in each for each in stops["do_not_cut"] for code in hidden)


def test_how_far_it_is_to_a_private_tree_is_not_told(nursery: Registry) -> None:
    hidden = next(nursery.records("mother_trees", location_private=True))["tree"]
    asked, ends = ("T24-0001-5", hidden, "T24-0037-2"), {"start": (36.4191, -95.7712)}
    with nursery.store.reading() as connection:
        whole = walking.walk_of(connection, asked, **ends)
        _, told = mapping.drawn_walk(connection, asked, **ends)
    at = whole.codes.index(hidden)
    assert 0 < at < len(asked) - 1
    kept = [None if n in (at, at + 1) else each.metres for n, each in enumerate(whole.stops)]
    assert [each.metres for each in told.stops] == kept
    assert told.metres == sum(filter(None, kept)) < whole.metres


def test_start_finish_and_gates_are_drawn_and_the_way_goes_by_them(nursery: Registry) -> None:
    asked = ("T24-0001-5", "Old-9", "T24-0037-2")
    ends = {"start": (36.4191, -95.7703), "finish": (36.4181, -95.7695)}
    gates = {"PB": [(36.4195, -95.7709)], "OG": [(36.4186, -95.7699), (36.4185, -95.7699)]}
    found = nursery.layers("walk", *asked, gates=gates, **ends).layers
    at = {
        code: (place.y, place.x)
        for code, place in zip(found["waypoints"]["code"], found["waypoints"].geometry, strict=True)
    }
    assert at == {
        **ends,
        "gate of PB": gates["PB"][0],
        "gate 1 of OG": gates["OG"][0],
        "gate 2 of OG": gates["OG"][1],
    }
    (route,) = found["route"].geometry
    way = [(north, east) for east, north in route.coords]
    assert (way[0], way[-1]) == (ends["start"], ends["finish"])
    assert min(metres_apart(*gates["PB"][0], *np.array(way).T)) < 0.1
    walk = nursery.walk(asked, gates=gates, **ends)
    assert list(found["stops"]["code"]) == list(walk.codes)


def test_the_way_to_a_private_tree_is_not_drawn(nursery: Registry) -> None:
    hidden = next(nursery.records("mother_trees", location_private=True))["tree"]
    asked = ("T24-0001-5", hidden, "T24-0037-2")
    ends = {"start": (36.4191, -95.7712), "finish": (36.4181, -95.7695)}
    walk = nursery.walk(asked, **ends)
    at = walk.codes.index(hidden)
    assert 0 < at < len(asked) - 1
    to_it, other = walk.ways[at : at + 2], (*walk.ways[:at], *walk.ways[at + 2 :])
    beside = {(east, north) for way in to_it for north, east in way}
    beside -= {(east, north) for way in other for north, east in way}
    found = nursery.layers("walk", *asked, **ends).layers
    assert len(found["route"]) == 2  # to the tree before it, and from the one after
    drawn = [place for piece in found["route"].geometry for place in np.round(piece.coords, 7)]
    assert beside
    assert not set(map(tuple, drawn)) & set(map(tuple, np.round(list(beside), 7)))


def test_a_walk_that_ends_where_it_sets_out_has_one_mark_for_both(nursery: Registry) -> None:
    at = (36.4191, -95.7703)
    found = nursery.layers("walk", "T24-0001-5", start=at, finish=at).layers
    assert list(found["waypoints"]["code"]) == ["start and finish"]
    (route,) = found["route"].geometry
    assert route.coords[0] == route.coords[-1] == at[::-1]
