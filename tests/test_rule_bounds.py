"""Rules at their bounds: what is just allowed, and what just is not."""

import datetime as dt
from typing import Any

import pytest
from small_registries import bundle, collection, day, dispatch, holding, lot, small
from sqlalchemy import Connection, insert

from scionreg.records.tables import table
from scionreg.registry.audit import audit
from scionreg.registry.store import Store

Row = dict[str, Any]


def broken(connection: Connection, rule: str) -> list[str]:
    """Return the keys of the records that break a rule."""
    return sorted({each.key for each in audit(connection) if each.rule == rule})


@pytest.mark.parametrize(("grafts", "odd"), [(31, []), (32, []), (33, ["G1"])])
def test_a_position_holds_one_graft(store: Store, grafts: int, odd: list[str]) -> None:
    records = small()
    records["graft_lots"] = [lot("G1", "B1", first=5, last=36, grafts=grafts)]
    with holding(store, records) as connection:
        assert broken(connection, "more_grafts_than_positions") == odd


@pytest.mark.parametrize(
    ("first", "last", "overlap"),
    [(21, 40, False), (20, 39, True), (19, 38, True), (1, 20, True)],
)
@pytest.mark.parametrize("later_first", [False, True])
def test_two_lots_share_no_position(
    store: Store, first: int, last: int, overlap: bool, later_first: bool
) -> None:
    records = small()
    lots = [
        lot("G1", "B1", first=1, last=20),
        lot("G2", "B2", first=first, last=last, order_in_day=2),
    ]
    records["graft_lots"] = lots[::-1] if later_first else lots
    with holding(store, records) as connection:
        assert bool(broken(connection, "overlapping_rows")) is overlap


AGAIN = {"first": 3, "last": 4, "grafts": 2, "regraft_of": "G1"}


@pytest.mark.parametrize(
    ("pushing", "green", "regraft", "odd"),
    [
        (10, 0, None, False),
        (11, 0, None, True),
        # What is green lives too.
        (10, 1, None, True),
        (9, 1, None, False),
        # A regraft before the second count, and on its very day, accounts for more.
        (12, 0, "2026-06-30", False),
        (12, 0, "2026-07-01", False),
        (12, 0, "2026-07-02", True),
    ],
)
def test_live_grafts_rise_by_a_regraft_alone(
    store: Store, pushing: int, green: int, regraft: str | None, odd: bool
) -> None:
    records = small()
    records["take_counts"] = [
        {"graft_lot": "G1", "date": day("2026-05-20"), "pushing": 10},
        {"graft_lot": "G1", "date": day("2026-07-01"), "pushing": pushing, "green": green},
    ]
    if regraft is not None:
        records["graft_lots"].append(lot("G3", "B2", date=day(regraft), **AGAIN))
    with holding(store, records) as connection:
        assert bool(broken(connection, "rising_count")) is odd


def test_a_regraft_of_an_unknown_day_accounts_for_more(store: Store) -> None:
    records = small()
    records["take_counts"] = [
        {"graft_lot": "G1", "date": day("2026-05-20"), "pushing": 10},
        {"graft_lot": "G1", "date": day("2026-07-01"), "pushing": 12},
    ]
    records["graft_lots"].append(lot("G3", "B2", date=None, **AGAIN))
    with holding(store, records) as connection:
        assert broken(connection, "rising_count") == []


@pytest.mark.parametrize(
    ("trees", "counted", "regraft", "odd"),
    [
        ((6, 6), "2026-09-10", None, []),
        ((6, 7), "2026-09-10", None, ["D2/G1"]),
        ((13, 1), "2026-09-10", None, ["D1/G1", "D2/G1"]),
        # A count after the first ones left found those that were left.
        ((6, 12), "2026-11-06", None, []),
        ((6, 13), "2026-11-06", None, ["D2/G1"]),
        # A later regraft brings trees that nobody has counted.
        ((6, 7), "2026-09-10", "2026-09-12", []),
        ((6, 7), "2026-09-10", "2026-09-08", ["D2/G1"]),
        # What was counted only later tells nothing.
        ((6, 13), "2026-12-01", None, []),
    ],
)
def test_no_more_is_sent_than_lived_at_the_last_count(
    store: Store, trees: tuple[int, int], counted: str, regraft: str | None, odd: list[str]
) -> None:
    records = small()
    records["take_counts"] = [
        {"graft_lot": "G1", "date": day("2026-05-20"), "pushing": 20},
        {"graft_lot": "G1", "date": day(counted), "pushing": 10, "green": 2},
    ]
    anywhere: Row = {"first": None, "last": None}
    records["dispatches"] = [
        dispatch("D1", "G1", trees=trees[0], **anywhere),
        dispatch("D2", "G1", trees=trees[1], date=day("2026-11-07"), **anywhere),
    ]
    if regraft is not None:
        records["graft_lots"].append(lot("G3", "B2", date=day(regraft), **AGAIN))
    with holding(store, records) as connection:
        assert broken(connection, "sent_more_than_lived") == odd


@pytest.mark.parametrize(
    ("first", "last", "trees", "odd"),
    [
        (6, 8, 3, False),
        (5, 8, 3, False),
        (5, 8, 4, True),
        (1, 5, 5, True),
        (2, 3, 1, True),
        # Picked from a whole row, as the first ones were: there are enough for both.
        (1, 20, 15, False),
        (None, None, 5, False),
    ],
)
def test_a_position_is_sent_once(
    store: Store, first: int | None, last: int | None, trees: int, odd: bool
) -> None:
    records = small()
    records["dispatches"] = [
        dispatch("D1", "G1"),
        dispatch("D2", "G1", trees=trees, first=first, last=last),
        dispatch("D3", "G2"),
    ]
    with holding(store, records) as connection:
        assert broken(connection, "position_sent_twice") == ["D2/G1"] * odd


@pytest.mark.parametrize(
    ("label", "odd"),
    [(None, False), ("Aldern", False), ("Ald", False), ("Birkwood", True), ("Carder", True)],
)
def test_a_label_names_what_the_wood_is_recorded_as(
    store: Store, label: str | None, odd: bool
) -> None:
    records = small()
    records["mother_trees"][0]["cultivar"] = "Old Aldern"
    records["dispatches"] = [dispatch("D1", "G1", label_cultivar=label)]
    with holding(store, records) as connection:
        assert broken(connection, "label_against_wood") == ["D1/G1"] * odd


@pytest.mark.parametrize(
    ("parents", "mixed", "mislabelled"),
    [
        (("B1", "B4"), False, False),
        (("B1", "B2"), True, False),
        (("B2", "B4"), True, False),
        (("B2",), False, True),
        # Nobody knows what the rest of it is.
        (("B2", "B5"), False, False),
    ],
)
def test_wood_that_was_tied_again_is_what_its_sources_are(
    store: Store, parents: tuple[str, ...], mixed: bool, mislabelled: bool
) -> None:
    records = small()
    records["bundles"] += [
        bundle("B3"),
        bundle("B4", received_from="Riverside", cultivar="Ald"),
        bundle("B5", unlabelled=True),
        bundle("B6"),
    ]
    records["bundle_parents"] = [
        *({"bundle": "B3", "parent": parent, "sticks": 5} for parent in parents),
        {"bundle": "B6", "parent": "B3", "sticks": 5},
    ]
    records["graft_lots"].append(lot("G3", "B6", row=3))
    records["dispatches"] = [dispatch("D1", "G3", label_cultivar="Aldern")]
    with holding(store, records) as connection:
        assert broken(connection, "two_cultivars_in_bundle") == ["B3", "B6"] * mixed
        assert broken(connection, "label_against_wood") == ["D1/G3"] * mislabelled


@pytest.mark.parametrize(
    ("hours", "odd"), [(-48, True), (-12, True), (-11, False), (0, False), (30, False)]
)
def test_a_bundle_is_looked_at_from_the_day_it_was_tied(
    store: Store, hours: int, odd: bool
) -> None:
    # Half a day before midnight in UTC may be the same day, far in the east.
    time = dt.datetime(2026, 1, 11, tzinfo=dt.UTC) + dt.timedelta(hours=hours)
    records = small()
    records["bundle_log"] = [{"bundle": "B1", "time": time, "event": "checked"}]
    with holding(store, records) as connection:
        assert bool(broken(connection, "logged_before_tied")) is odd


@pytest.mark.parametrize(
    ("event", "sticks", "count", "odd"),
    [
        ("checked", 40, "counted", False),
        ("checked", 41, "counted", True),
        ("checked", 41, None, True),
        ("checked", 41, "estimated", False),
        ("discarded", 41, "counted", False),
    ],
)
def test_no_more_sticks_are_found_than_were_tied(
    store: Store, event: str, sticks: int, count: str | None, odd: bool
) -> None:
    records = small()
    records["bundles"][0]["count"] = count
    time = dt.datetime(2026, 2, 1, 9, tzinfo=dt.UTC)
    records["bundle_log"] = [{"bundle": "B1", "time": time, "event": event, "sticks": sticks}]
    with holding(store, records) as connection:
        assert bool(broken(connection, "counted_more_than_tied")) is odd


@pytest.mark.parametrize(
    ("other", "event", "odd"),
    [
        ({}, None, True),
        ({"status": "resting"}, None, True),
        ({"status": "retired"}, None, False),
        ({"status": "dead"}, None, False),
        ({"position": 2}, None, False),
        ({}, {"event": "died"}, False),
        ({}, {"event": "replanted"}, False),
        ({}, {"event": "died", "limb": "N"}, True),
        ({}, {"event": "treated"}, True),
    ],
)
def test_two_trees_that_live_do_not_stand_at_one_place(
    store: Store, other: Row, event: Row | None, odd: bool
) -> None:
    place = {"block": "N1", "row": 1, "position": 1}
    records = small()
    records["mother_trees"] = [
        {"tree": "T1", "cultivar": "Aldern", **place, **other},
        {"tree": "T2", "cultivar": "Birkwood", **place},
    ]
    if event is not None:
        records["tree_events"] = [{"tree": "T1", "date": day("2026-02-01"), **event}]
    with holding(store, records) as connection:
        assert broken(connection, "same_place_twice") == ["T2"] * odd


OUTLINE = '{"type":"Polygon","coordinates":[[[95,31],[96,31],[96,32],[95,31]]]}'


@pytest.mark.parametrize(
    ("fix", "outline", "odd"),
    [
        ((31.4, 95.77), None, True),
        ((-31.4, -95.77), None, True),
        ((31.4, -95.77), None, False),
        # It would be far with the other sign, too: perhaps they do have a tree there.
        ((31.4, 20.0), None, False),
        ((31.4, 93.0), None, False),
        # The block's outline is the better witness.
        ((31.4, 95.77), OUTLINE, False),
    ],
)
def test_a_forgotten_minus_is_told_where_other_trees_would_be_near(
    store: Store, fix: tuple[float, float], outline: str | None, odd: bool
) -> None:
    records = small()
    trees = ((31.41, -95.76), (31.42, -95.78), fix)
    records["mother_trees"] = [
        {"tree": f"T{number}", "cultivar": "Aldern", "latitude": north, "longitude": east}
        for number, (north, east) in enumerate(trees, 1)
    ]
    records["mother_trees"][2]["block"] = "N2"
    with holding(store, records) as connection:
        connection.execute(insert(table("blocks")).values(block="N2", outline=outline, entry=1))
        assert broken(connection, "far_from_others") == ["T3"] * odd


@pytest.mark.parametrize("sides", [((51.5, 1.2), (51.5, -1.2)), ((1.3, 36.8), (-1.3, 36.8))])
def test_trees_may_stand_on_both_sides_of_a_meridian_or_the_equator(
    store: Store, sides: tuple[tuple[float, float], ...]
) -> None:
    records = small()
    records["mother_trees"] = [
        {"tree": f"T{number}", "cultivar": "Aldern", "latitude": north, "longitude": east}
        for number, (north, east) in enumerate((sides[0], sides[1], sides[1]), 1)
    ]
    with holding(store, records) as connection:
        assert broken(connection, "far_from_others") == []


@pytest.mark.parametrize(
    ("a_year", "sticks", "odd"),
    [
        (None, (1000, 500), []),
        (None, (1000, 501), ["C2"]),
        (None, (1501, 1), ["C1", "C2"]),
        (100, (200, 100), []),
        (100, (200, 101), ["C2"]),
        # None expected is not written of a tree that is cut.
        (0, (1000, 500), []),
    ],
)
def test_a_tree_is_cut_of_what_it_grows(
    store: Store, a_year: int | None, sticks: tuple[int, int], odd: list[str]
) -> None:
    records = small()
    records["mother_trees"][0]["sticks_per_year"] = a_year
    records["collections"] = [
        collection("C1", "T1", sticks=sticks[0]),
        collection("C2", "T1", sticks=sticks[1], date=day("2026-02-10")),
        # Of another season, and of another tree.
        collection("C3", "T1", sticks=300, date=day("2026-07-10")),
        collection("C4", "T2", sticks=1500),
    ]
    with holding(store, records) as connection:
        assert broken(connection, "cut_more_than_it_grows") == odd
