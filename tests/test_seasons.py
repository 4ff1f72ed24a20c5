"""Which season a day belongs to: one answer in Python, in the database, wherever it is asked."""

import datetime as dt
from typing import Any

import pytest
from sqlalchemy import Date, String, column, select, values

from scionreg.lineage.balance import balance
from scionreg.ordering import demand
from scionreg.records.rules.base import season_of
from scionreg.registry.settings import Settings, write_settings
from scionreg.registry.store import Store
from scionreg.rotation.demand import Order
from scionreg.seasons import season_report
from tests.small_registries import bundle, collection, day, holding, small

A_DAY = dt.timedelta(days=1)
LEAP_YEAR = [dt.date(2024, 1, 1) + number * A_DAY for number in range(366)]


def test_the_season_of_a_day_is_the_same_in_the_database_and_in_python(store: Store) -> None:
    """For every first day of a season: itself, its neighbours, and the ends of years."""
    first_days = [f"{first:%m-%d}" for first in LEAP_YEAR]
    days = [dt.date(2023, 2, 28), dt.date(2023, 3, 1), dt.date(2023, 12, 31), *LEAP_YEAR]
    days.append(dt.date(2025, 1, 1))
    seasons = values(column("first_day", String), name="seasons").data([(f,) for f in first_days])
    asked = values(column("day", Date), name="asked").data([(day,) for day in days])
    seasons_there, days_there = seasons.cte("seasons_there"), asked.cte("days_there")
    first, each = seasons_there.c.first_day, days_there.c.day
    with store.reading() as connection:
        pairs = select(first, each, season_of(each, first)).join_from(
            seasons_there, days_there, first == first
        )
        found = {(row[0], row[1]): row[2] for row in connection.execute(pairs)}
    assert found == {
        (first_day, day): Settings(season_first_day=first_day).season(day)
        for first_day in first_days
        for day in days
    }


def spring(connection: Any) -> dict[str, Any]:
    """Return what is told of the wood of a spring, wherever seasons are told apart."""
    told = {
        scope: [row.to_dict() for row in balance(connection, scope=scope, season=2026).rows]
        for scope in ("cultivar", "season", "bundle")
    }
    told["seasons"] = [row.to_dict() for row in balance(connection, scope="season").rows]
    wanted = demand(connection, [Order(cultivar="Aldern", season=2026, trees=3000)], first=2026)
    # Whether it may be used depends on the day the season's wood is judged on.
    told["at_hand"] = sum(each.in_store for each in wanted.needs)
    told["at_hand"] += sum(each.sticks for each in wanted.not_counted)
    report = season_report(connection, 2026).to_dict()
    told["report"] = [report[name] for name in ("cut", "grafts", "balance", "store")]
    return told


@pytest.mark.parametrize("first_day", ["01-01", "01-10", "08-01", "12-31"])
def test_spring_wood_is_of_one_season_whatever_day_seasons_begin_on(
    store: Store, first_day: str
) -> None:
    records = small()
    records["collections"] += [collection("C3", "T1", sticks=50, date=day("2026-01-20"))]
    records["bundles"] += [
        bundle("B3", collection="C3", sticks=50, packed=day("2026-01-20")),
        bundle("B4", received_from="SU1", cultivar="Aldern", packed=day("2026-02-20")),
    ]
    with holding(store, records) as connection:
        usual = spring(connection)
        write_settings(connection, Settings(season_first_day=first_day))
        assert spring(connection) == usual
    assert [row["in_store"] for row in usual["seasons"]] == [130]
    assert usual["at_hand"] == 20 + 50 + 40
