"""Rules where an example is not enough: distances, seasons, and what a change is judged by."""

import datetime as dt
import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from nursery import take_in_the_base
from pyproj import Geod

from scionreg.geodesy.ground import metres_outside
from scionreg.records.codes import issue
from scionreg.records.rules.base import RULES, Finder, one_of
from scionreg.records.tables import KINDS
from scionreg.registry import checking
from scionreg.registry.changes import change
from scionreg.registry.create import create_store
from scionreg.registry.intake import Batch, Intake
from scionreg.registry.settings import Settings
from scionreg.registry.store import Store

EARTH = Geod(ellps="WGS84")


# Distances


def rectangle(west: float, south: float, width: float, height: float) -> dict[str, Any]:
    """Return a GeoJSON rectangle."""
    east, north = west + width, south + height
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {"type": "Polygon", "coordinates": [ring]}


def test_distance_of_a_fix_is_that_of_a_published_survey_line() -> None:
    # Flinders Peak to Buninyong, 54,972.271 m: Geocentric Datum of Australia technical manual.
    flinders = (-(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600)
    buninyong = (-(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600)
    speck = rectangle(buninyong[1] - 5e-8, buninyong[0] - 5e-8, 1e-7, 1e-7)
    assert metres_outside(speck, *flinders) == pytest.approx(54_972.271, abs=0.02)


@given(
    latitude=st.floats(-75, 75),
    longitude=st.floats(-170, 170),
    bearing=st.floats(0, 360),
    metres=st.floats(60, 2000),
)
def test_distance_from_a_block_agrees_with_the_geodesic(
    latitude: float, longitude: float, bearing: float, metres: float
) -> None:
    wide = 0.001 / math.cos(math.radians(latitude))
    block = rectangle(longitude - wide / 2, latitude - 0.0005, wide, 0.001)
    there = EARTH.fwd(longitude, latitude, bearing, metres + 100)
    found = metres_outside(block, there[1], there[0])
    ring = block["coordinates"][0]
    edges = [
        (x + (next_x - x) * part / 200, y + (next_y - y) * part / 200)
        for (x, y), (next_x, next_y) in pairwise(ring)
        for part in range(200)
    ]
    xs, ys = zip(*edges, strict=True)
    _, _, away = EARTH.inv(xs, ys, [there[0]] * len(xs), [there[1]] * len(xs))
    assert found == pytest.approx(min(away), abs=0.1)


def test_a_fix_inside_its_block_is_at_no_distance() -> None:
    assert metres_outside(rectangle(5.0, 45.0, 0.001, 0.001), 45.0005, 5.0005) == 0.0


# Words and seasons


def test_kinds_are_named_as_one_thing_each() -> None:
    names = [one_of([kind]) for kind in KINDS]
    assert one_of(["people"]) == "person"
    assert one_of(["mother_trees", "bundles"]) == "mother tree or bundle"
    assert not [name for name in names if name.endswith("s") or "_" in name]


@pytest.mark.parametrize(
    ("day", "season"), [("2026-06-30", 2026), ("2026-07-01", 2027), ("2026-01-01", 2026)]
)
def test_season_is_named_by_the_year_of_its_spring(day: str, season: int) -> None:
    assert Settings().season(dt.date.fromisoformat(day)) == season


# What a change is judged by


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    made = create_store(tmp_path_factory.mktemp("rules") / "registry.db")
    take_in_the_base(made)
    yield made
    made.close()


def code(letter: str, *serials: int) -> st.SearchStrategy[str]:
    """Return one of the codes of this season with the given serials."""
    return st.sampled_from([issue(letter, 2026, serial) for serial in serials])


TREES = st.sampled_from([issue("T", 2020, 1), issue("T", 2020, 2), issue("T", 2025, 1)])
BUNDLES = code("B", 1, 2, 4, 5, 11, 12)
LOTS = code("G", 1, 2, 3, 11, 12)
DAYS = st.sampled_from(["", "2026-01-05", "2026-01-12", "2026-03-20", "2026-03-25", "2026-09-01"])
FEW = st.integers(0, 30).map(str)
PLACES = st.sampled_from(["", "1", "3", "20", "26", "31", "55"])
HANDS = st.sampled_from(["P01", "P02", "P09"])
MAYBE_LOT = st.just("") | LOTS

MISTAKES: dict[str, dict[str, st.SearchStrategy[str]]] = {
    "mother_trees": {
        "tree": code("T", 11, 12),
        "cultivar": st.sampled_from(["Fernhill", "FH", "Fern"]),
        "block": st.sampled_from(["", "Bank"]),
        "row": st.sampled_from(["1", "9"]),
        "position": st.sampled_from(["", "1"]),
        "latitude": st.sampled_from(["", "45.0002", "46", "-45"]),
        "longitude": st.sampled_from(["", "5.0002"]),
        "planted": DAYS,
        "graft_lot": MAYBE_LOT,
        "graft_position": PLACES,
        "sticks_per_year": st.sampled_from(["", "0", "5"]),
    },
    "collections": {
        "collection": code("C", 11, 12),
        "tree": TREES | code("T", 11, 12),
        "date": DAYS,
        "cutter": HANDS,
        "sticks": FEW | st.just("1490"),
        "order_in_day": st.sampled_from(["", "1", "2", "7"]),
    },
    "bundles": {
        "bundle": code("B", 11, 12),
        "collection": st.just("") | code("C", 1, 11, 12),
        "received_from": st.sampled_from(["", "Riverside"]),
        "cultivar": st.sampled_from(["", "Oldgate", "Gate"]),
        "sticks": FEW,
        "packed": DAYS,
    },
    "bundle_parents": {"bundle": BUNDLES, "parent": BUNDLES, "sticks": st.sampled_from("19")},
    "bundle_log": {
        "bundle": BUNDLES,
        "time": st.sampled_from(["2026-01-02T08:00Z", "2026-01-11T20:00Z", "2026-03-21T08:00Z"]),
        "event": st.sampled_from(["checked", "discarded"]),
        "sticks": FEW,
    },
    "graft_lots": {
        "graft_lot": code("G", 11, 12),
        "bundle": BUNDLES,
        "date": DAYS,
        "grafter": HANDS,
        "method": st.sampled_from(["whip", "cleft", "patch_bud"]),
        "grafts": st.sampled_from(["2", "10", "2600"]),
        "block": st.sampled_from(["", "Field"]),
        "row": st.sampled_from(["1", "2"]),
        "first": PLACES,
        "last": PLACES,
        "order_in_day": st.sampled_from(["", "1", "2"]),
        "regraft_of": MAYBE_LOT,
    },
    "take_counts": {"graft_lot": LOTS, "date": DAYS, "pushing": FEW, "dead": FEW},
    "identity_checks": {
        "check": code("K", 11, 12),
        "item": LOTS.map(lambda lot: f"{lot}/40") | BUNDLES | TREES,
        "date": DAYS,
        "method": st.just("leaf"),
        "checked": FEW,
        "off": FEW,
        "found": st.sampled_from(["", "rootstock", "Gate", "Old"]),
    },
    "dispatches": {
        "dispatch": code("D", 1, 11, 12),
        "graft_lot": LOTS,
        "date": DAYS,
        "customer": st.just("K08"),
        "trees": st.sampled_from(["2", "20"]),
        "first": PLACES,
        "last": PLACES,
        "label_cultivar": st.sampled_from(["", "Gate", "Oldgate", "Fernhill"]),
    },
}
"""Columns and the values that rows are drawn from: some right, some wrong, some of old records."""


def rows(kind: str) -> st.SearchStrategy[list[tuple[str, ...]]]:
    """Return up to two rows of a kind, with keys of their own."""
    width = len(KINDS[kind].KEY)
    drawn = st.tuples(*MISTAKES[kind].values())
    return st.lists(drawn, max_size=2, unique_by=lambda row: row[:width])


def batches() -> st.SearchStrategy[list[Batch]]:
    """Return rows of some kinds, to be taken together."""
    each = [
        st.builds(Batch, st.just(kind), st.just(tuple(MISTAKES[kind])), rows(kind))
        for kind in MISTAKES
    ]
    return st.tuples(*each).map(lambda made: [batch for batch in made if batch.rows])


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(given_batches=batches())
def test_a_change_is_judged_as_the_whole_registry_would_be(
    store: Store, given_batches: list[Batch]
) -> None:
    with change(store, by="P01", action="try", checking_references=False) as making:
        intake = Intake(making)
        for batch in given_batches:
            intake.take(batch)
        changed = {batch.kind: {row[0] for row in batch.rows} for batch in given_batches}
        narrow = checking.touched(making.connection, making.settings, changed)
        wide = checking.whole(making.settings)
        by_change = dict.fromkeys(
            each for _, each in checking.problems(making.connection, narrow, changed)
        )
        by_audit = dict.fromkeys(each for _, each in checking.problems(making.connection, wide))
        making.cancelled = True
    assert set(map(str, by_change)) == set(map(str, by_audit))


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(given_batches=batches())
def test_a_screen_finds_something_wherever_a_rule_it_screens_is_broken(
    store: Store, given_batches: list[Batch]
) -> None:
    with change(store, by="P01", action="try", checking_references=False) as making:
        intake = Intake(making)
        for batch in given_batches:
            intake.take(batch)
        scope = checking.whole(making.settings)

        def finds(queries: Finder) -> bool:
            return any(making.connection.execute(each).first() for each in queries(scope))

        missed = [
            rule.name
            for rule in RULES.values()
            if rule.find and rule.screen and finds(rule.find) and not finds(rule.screen)
        ]
        making.cancelled = True
    assert missed == []
