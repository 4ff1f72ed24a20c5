"""Points in time beside days: the day of a moment is that of the registry's own clock.

At eight in the morning in Auckland it is still the day before in UTC, and at eight in the evening
in Chicago it is the next one already.
"""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from scionreg.lineage.balance import balance
from scionreg.lineage.recall import recall
from scionreg.lineage.recall_items import OfStore
from scionreg.lineage.trace import trace
from scionreg.registry.settings import Settings, write_settings
from scionreg.registry.store import Store
from scionreg.storing import report
from tests.small_registries import Rows, bundle, day, holding, lot, small

AT = dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
ZONES = pytest.mark.parametrize(
    ("zone", "hour"), [("Pacific/Auckland", 8), ("UTC", 12), ("America/Chicago", 20)]
)


def logged(zone: str, text: str, hour: int, event: str, **more: object) -> dict[str, object]:
    local = dt.datetime.combine(day(text), dt.time(hour), ZoneInfo(zone))
    return {"bundle": "B1", "time": local.astimezone(dt.UTC), "event": event, **more}


def rows(*log: dict[str, object]) -> Rows:
    records = small()
    records["bundle_log"] = list(log)
    return records


@ZONES
def test_grafts_of_the_day_of_a_count_are_in_it_and_those_of_the_next_day_are_not(
    store: Store, zone: str, hour: int
) -> None:
    records = rows(logged(zone, "2026-03-20", hour, "checked", sticks=20))
    records["graft_lots"] += [lot("G3", "B1", date=day("2026-03-21"), row=3, sticks_used=7)]
    records["bundles"] += [bundle("B3", sticks=4, packed=day("2026-03-21"))]
    records["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 4}]
    with holding(store, records) as connection:
        write_settings(connection, Settings(time_zone=zone))
        (found,) = balance(connection, scope="bundle", codes=["B1"]).rows
    assert (found.in_store, found.unexplained) == (20 - 7 - 4, 0)


@ZONES
@pytest.mark.parametrize(("held", "speaks"), [("2026-03-20", True), ("2026-03-21", False)])
def test_a_hold_speaks_against_grafts_from_its_own_day_on(
    store: Store, zone: str, hour: int, held: str, speaks: bool
) -> None:
    with holding(store, rows(logged(zone, held, hour, "hold"))) as connection:
        write_settings(connection, Settings(time_zone=zone))
        traced = trace(connection, "G1")
        stops = report(connection, ["B1"], at=AT).bundles[0].may_not_be_used
    said = [str(each) for each in traced.contradictions]
    assert ["G1 was grafted on 2026-03-20" in each for each in said] == [True] * speaks
    assert any(held in str(each) for each in stops)


@ZONES
def test_a_store_is_recalled_from_the_day_that_wood_came_into_it(
    store: Store, zone: str, hour: int
) -> None:
    records = rows(logged(zone, "2026-03-01", hour, "moved", store="S2"))
    with holding(store, records) as connection:
        write_settings(connection, Settings(time_zone=zone))
        there, before = (
            recall(connection, [OfStore("S2", end=day(end))])
            for end in ("2026-03-01", "2026-02-28")
        )
    assert [each.bundle for each in there.bundles] == ["B1"]
    assert before.bundles == ()
