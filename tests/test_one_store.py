"""One question about a store, put to every command that answers it: which wood was there?"""

import datetime as dt
from contextlib import closing
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scionreg.lineage.balance import balance
from scionreg.lineage.graph import Query, rows
from scionreg.lineage.holdings import TIED_FROM
from scionreg.lineage.readings import known_stores
from scionreg.lineage.recall import recall
from scionreg.lineage.recall_items import OfStore
from scionreg.lineage.sticks import read_left
from scionreg.records.vocabulary import Reach
from scionreg.registry.store import Store, open_store
from scionreg.seasons import season_report
from scionreg.storing import report
from tests.small_registries import bundle, collection, day, holding, lot, small
from tests.strategies import Rows, registries

ONE_STORE = settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
STORES = ("S1", "S2")
CUT_OF = Query("SELECT collection FROM collections WHERE tree IN {codes}")
YEAR = 2020
Period = tuple[dt.date | None, dt.date | None]


@st.composite
def kept(draw: st.DrawFn) -> Rows:
    """Return a year's wood, some of it moved, on days known or not, or packed on unknown days."""
    records = draw(registries(generations=0))
    records["stores"].append({**records["stores"][0], "store": "S2"})
    for each in records["bundles"]:
        if draw(st.integers(0, 9)) == 0:
            each["packed"] = None
    for number in range(draw(st.integers(0, 4))):
        moved = dt.datetime(YEAR, 3, 1, 9, number, tzinfo=dt.UTC)
        moved += dt.timedelta(days=draw(st.integers(0, 40)))
        line = {**dict.fromkeys(("sticks", "condition", "by", "notes")), "event": "moved"}
        line |= {"time": draw(st.sampled_from([moved, moved, moved, None]))}
        line |= {"bundle": draw(st.sampled_from(records["bundles"]))["bundle"]}
        line["store"] = draw(st.sampled_from(["S1", "S2", None]))
        key = (line["bundle"], line["time"])
        if key not in {(each["bundle"], each["time"]) for each in records["bundle_log"]}:
            records["bundle_log"].append(line)
    for each in records["graft_lots"]:
        if draw(st.integers(0, 9)) == 0:
            each["date"] = None
    return records


@st.composite
def periods(draw: st.DrawFn) -> Period:
    """Return a period of the year, perhaps open at one end or both."""
    days = st.none() | st.dates(dt.date(YEAR, 1, 20), dt.date(YEAR, 5, 10))
    start, end = draw(days), draw(days)
    return (end, start) if start and end and end < start else (start, end)


def of_recall(connection: Any, store: str, period: Period) -> dict[str, Reach]:
    found = recall(connection, [OfStore(store, *period)])
    return {each.bundle: each.grade for each in found.bundles}


def of_trees_grown_from_it(connection: Any, store: str, period: Period) -> set[str]:
    """Return the bundles that a recall lists as they are of trees that were grown from the wood."""
    found = recall(connection, [OfStore(store, *period)])
    grown = [each.tree for each in found.mother_trees]
    cut = [row[0] for row in rows(connection, CUT_OF, grown)]
    return {row[0] for row in rows(connection, TIED_FROM["collection"], cut)}


@given(records=kept(), store_asked=st.sampled_from(STORES), period=periods())
@ONE_STORE
def test_a_recall_of_a_store_lists_the_wood_that_its_report_lists(
    store: Store, records: Rows, store_asked: str, period: Period
) -> None:
    start, end = period
    at = dt.datetime(YEAR, 6, 1, tzinfo=dt.UTC)
    with holding(store, records) as connection:
        told = report(connection, store=store_asked, since=start, until=end, at=at)
        recalled = of_recall(connection, store_asked, period)
    assert {each.bundle for each in told.bundles} == recalled.keys()


@given(records=kept(), period=periods())
@ONE_STORE
def test_wood_is_there_for_certain_if_sticks_of_it_were(
    store: Store, records: Rows, period: Period
) -> None:
    """Of bundles never moved, packed on a known day and tied from no others."""
    start, end = period[0] or dt.date.min, period[1] or dt.date.max
    moved = {each["bundle"] for each in records["bundle_log"] if each["event"] == "moved"}
    tied = {each["bundle"] for each in records["bundle_parents"]}
    packed = {each["bundle"]: each["packed"] for each in records["bundles"]}
    used = [(each["bundle"], each["date"], True) for each in records["graft_lots"]]
    used += [(each["parent"], packed[each["bundle"]], True) for each in records["bundle_parents"]]
    used += [
        (each["bundle"], each["time"].date(), each["sticks"] != 0)
        for each in records["bundle_log"]
        if each["event"] != "moved"
    ]
    with holding(store, records) as connection:
        recalled = of_recall(connection, "S1", period)
        left = read_left(connection)
    for code, on in packed.items():
        if code in moved | tied or on is None:
            continue
        days = [(date, sticks) for bundle, date, sticks in used if bundle == code]
        later = any(date is not None and date >= start and sticks for date, sticks in days)
        undated = any(date is None for date, _ in days)
        if on > end:
            assert code not in recalled
        elif later or code in left:
            assert code in recalled
        elif not undated and not any(date >= start for date, _ in days):
            assert code not in recalled or on >= start
        if recalled.get(code) is Reach.CERTAIN:
            assert on <= end
            assert later or code in left or on >= start


@given(records=kept())
@ONE_STORE
def test_what_is_left_now_is_what_the_balance_says(store: Store, records: Rows) -> None:
    at = dt.datetime(YEAR, 6, 1, tzinfo=dt.UTC)
    with holding(store, records) as connection:
        now = report(connection, now=True, at=at)
        by_cultivar = balance(connection, scope="cultivar").rows
        by_bundle = {each.code: each.in_store for each in balance(connection, scope="bundle").rows}
    assert sum(each.sticks_left for each in now.bundles) == pytest.approx(
        sum(each.in_store for each in by_cultivar)
    )
    assert {each.bundle: each.sticks_left for each in now.bundles} == {
        code: sticks for code, sticks in by_bundle.items() if sticks
    }


def known_by(records: Rows, last: dt.date) -> Rows:
    """Return the records of days up to one; what has no day is there from the start."""
    found = {kind: list(rows) for kind, rows in records.items()}

    def until(kind: str, day_of: Any) -> None:
        found[kind] = [each for each in found[kind] if (day_of(each) or dt.date.min) <= last]

    until("bundles", lambda each: each["packed"])
    until("graft_lots", lambda each: each["date"])
    until("bundle_log", lambda each: each["time"] and each["time"].date())
    there = {each["bundle"] for each in found["bundles"]}
    found["bundle_parents"] = [e for e in found["bundle_parents"] if e["bundle"] in there]
    lots = {each["graft_lot"] for each in found["graft_lots"]}
    found["graft_lots"] = [
        each for each in found["graft_lots"] if each["regraft_of"] in lots | {None}
    ]
    found["dispatches"] = []
    return found


@given(records=kept(), last=st.dates(dt.date(YEAR, 2, 2), dt.date(YEAR, 5, 1)))
@ONE_STORE
def test_a_day_is_answered_by_what_was_recorded_of_days_until_then(
    store: Store, records: Rows, last: dt.date
) -> None:
    def seen(rows: Rows, **asked: Any) -> list[tuple[Any, ...]]:
        with holding(store, rows) as connection:
            found = report(connection, now=True, **asked)
        return sorted(
            (each.bundle, each.sticks_left, each.store or "", each.may_not_be_used, each.until)
            for each in found.bundles
        )

    end = dt.datetime.combine(last + dt.timedelta(days=1), dt.time(), dt.UTC)
    assert seen(records, day=last) == seen(known_by(records, last), at=end)


@pytest.mark.parametrize(
    "period",
    [
        ("2025-04-25", "2025-04-28"),
        ("2024-04-01", "2024-04-02"),
        ("2026-02-10", "2026-03-01"),
        ("2026-08-01", None),
        (None, "2024-02-15"),
        (None, None),
    ],
)
def test_the_invented_nursery_tells_of_the_same_wood_every_way(
    demo: str, period: tuple[str | None, str | None]
) -> None:
    start, end = (None if each is None else day(each) for each in period)
    at = dt.datetime(2026, 12, 1, tzinfo=dt.UTC)
    with closing(open_store(demo)) as opened, opened.reading() as connection:
        for store in known_stores(connection):
            told = report(connection, store=store, since=start, until=end, at=at)
            recalled = of_recall(connection, store, (start, end)).keys()
            there = {each.bundle for each in told.bundles}
            assert there <= recalled
            assert recalled - there <= of_trees_grown_from_it(connection, store, (start, end))
            sat = set().union(*(told.touched_by(spell)["bundle"] for spell in told.spells))
            assert sat <= there


def test_every_answer_counts_the_same_bundles_in_the_spell_of_the_invented_nursery(
    demo: str,
) -> None:
    """Those with sticks in the cooler, whether opened or not, of whatever season."""
    cooler, first, last = "S24-0002-8", day("2025-04-26"), day("2025-04-27")
    with closing(open_store(demo)) as opened, opened.reading() as connection:
        recalled = of_recall(connection, cooler, (first, last))
        told = report(connection, store=cooler, since=first, until=last)
        (spell,) = told.spells
        touched = set(told.touched_by(spell)["bundle"])
        season = season_report(connection, 2025)
        own = {each.bundle for each in report(connection, now=True).bundles}
    assert {code for code, grade in recalled.items() if grade is Reach.CERTAIN} <= touched
    assert season.spells[0].bundles_in_all == len(touched)
    # Of what is there still, all that was packed by then sat through it.
    assert {"B25-0005-6", "B24-0005-3"} <= own & touched


# ------------------------------------------------------------------------------ what is not sure


def one_bundle(**more: Any) -> Rows:
    records = small()
    records["collections"] = [collection("C1", "T1")]
    records["bundles"] = [bundle("B1", collection="C1", **more)]
    records["graft_lots"] = [lot("G1", "B1", sticks_used=40)]
    return records


def grade(store: Store, records: Rows, asked: str, start: str, end: str) -> str | None:
    with holding(store, records) as connection:
        found = of_recall(connection, asked, (day(start), day(end))).get("B1")
        told = report(connection, store=asked, since=day(start), until=day(end))
    assert [each.bundle for each in told.bundles] == ([] if found is None else ["B1"])
    return None if found is None else found.value


def test_wood_used_up_before_was_not_there(store: Store) -> None:
    assert grade(store, one_bundle(), "S1", "2026-03-20", "2026-03-25") == "certain"
    assert grade(store, one_bundle(), "S1", "2026-03-21", "2026-03-25") is None
    assert grade(store, one_bundle(), "S1", "2026-01-01", "2026-01-10") is None


def test_what_is_left_by_estimate_was_there_possibly(store: Store) -> None:
    records = one_bundle()
    records["graft_lots"][0]["sticks_used"] = 30
    assert grade(store, records, "S1", "2026-03-21", "2026-03-25") == "certain"
    records["bundles"][0]["count"] = "estimated"
    assert grade(store, records, "S1", "2026-03-20", "2026-03-25") == "certain"
    assert grade(store, records, "S1", "2026-03-21", "2026-03-25") == "possible"
    records["bundle_log"] = [
        {"bundle": "B1", "time": dt.datetime(2026, 3, 23, tzinfo=dt.UTC), "event": "checked"}
    ]
    assert grade(store, records, "S1", "2026-03-21", "2026-03-25") == "certain"
    assert grade(store, records, "S1", "2026-03-24", "2026-03-25") == "possible"


def test_wood_packed_on_an_unknown_day_was_there_possibly(store: Store) -> None:
    records = one_bundle(packed=None)
    assert grade(store, records, "S1", "2026-02-01", "2026-02-05") == "possible"
    assert grade(store, records, "S1", "2026-03-18", "2026-03-20") == "certain"
    assert grade(store, records, "S1", "2026-01-01", "2026-01-09") is None


def test_wood_moved_on_an_unknown_day_was_possibly_in_either_store(store: Store) -> None:
    records = one_bundle()
    records["bundle_log"] = [{"bundle": "B1", "time": None, "event": "moved", "store": "S2"}]
    for asked in ("S1", "S2"):
        assert grade(store, records, asked, "2026-02-01", "2026-02-05") == "possible"
    assert grade(store, records, "S1", "2026-01-05", "2026-01-11") == "certain"


def test_wood_used_on_an_unknown_day_was_possibly_there_ever_after(store: Store) -> None:
    records = one_bundle()
    records["graft_lots"].append(lot("G2", "B1", row=2, date=None, sticks_used=10))
    records["graft_lots"][0]["sticks_used"] = 30
    assert grade(store, records, "S1", "2026-03-01", "2026-03-20") == "certain"
    assert grade(store, records, "S1", "2026-04-01", "2026-04-20") == "possible"
