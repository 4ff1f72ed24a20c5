"""What lies ahead: rootstocks and wood that are left, and trees that should stand by autumn."""

import datetime as dt
import json
from collections.abc import Callable
from typing import Any

import pytest
from conftest import Filled, fill_by
from hypothesis import given
from hypothesis import strategies as st

from scionreg.api import Registry
from scionreg.registry.settings import Settings
from scionreg.registry.store import Store
from scionreg.rotation.demand import Order
from scionreg.stock_ahead import interval, selling

Run = Callable[..., Any]
SUMMER = dt.date(2026, 7, 1)


def plant(store: Store) -> None:
    """Record a past season with both counts, and one that is counted early, late and not at all."""
    lots = (
        ("G1", "2025-03-10", 100, 80, 60),
        ("G2", "2026-03-10", 50, 40, None),
        ("G3", "2026-03-11", 30, 25, 20),
        ("G4", "2026-03-12", 20, None, None),
    )
    lines = [
        "add person --person P01",
        "add cultivar --cultivar Tillowby --species Carya",
        "add rootstock --rootstock-lot R1 --species Carya --plants 300",
        "add rootstock --rootstock-lot R2 --species Carya",
        "add tree --tree T1 --cultivar Tillowby",
        "cut --collection C1 --tree T1 --date 2026-06-20 --sticks 500",
        "cut --collection C0 --tree T1 --date 2025-01-20 --sticks 500",
        "pack --bundle B1 --collection C1 --sticks 300 --packed 2026-06-20",
        "pack --bundle B2 --collection C1 --sticks 100 --packed 2026-06-20",
        "pack --bundle B0 --collection C0 --sticks 500 --packed 2025-01-20",
        "log --bundle B2 --time 2026-06-21T08:00 --event hold",
        "log --bundle B0 --time 2026-06-21T08:00 --event discarded",
    ]
    for lot, day, grafts, early, late in lots:
        lines.append(
            f"graft --graft-lot {lot} --bundle B0 --date {day} --grafter P01 --method whip "
            f"--grafts {grafts} --rootstock-lot R1"
        )
        year = day[:4]
        if early is not None:
            lines.append(f"count --graft-lot {lot} --date {year}-05-01 --pushing {early}")
        if late is not None:
            lines.append(f"count --graft-lot {lot} --date {year}-06-29 --pushing {late}")
    lines.append(
        "dispatch --dispatch D1 --graft-lot G3 --date 2026-06-30 --customer CU-1 --trees 4"
    )
    fill_by(store, [line.split() for line in lines])


@pytest.fixture
def registry(filled: Filled) -> Registry:
    return Registry(filled(plant))


def test_rootstocks_left_are_those_that_came_less_those_grafted_on(registry: Registry) -> None:
    again = {
        "graft_lot": "G5",
        "bundle": "B0",
        "date": "2026-05-30",
        "grafter": "P01",
        "method": "whip",
        "grafts": 9,
        "rootstock_lot": "R1",
        "regraft_of": "G4",
    }
    registry.record("graft_lots", recorder="P01", **again)
    first, second = registry.ahead(at=SUMMER).rootstocks
    assert (first.came, first.grafted, first.left) == (300, 200, 100)
    assert (second.came, second.left) == (None, None)


def test_wood_that_may_be_used_is_set_against_the_grafts_that_orders_ask_for(
    registry: Registry,
) -> None:
    (wood,) = registry.ahead(at=SUMMER).wood
    assert (wood.may, wood.may_not, wood.method) == (300, 100, "whip")
    assert (wood.gives, wood.to_do, wood.short) == (255, None, None)
    order = Order(cultivar="Tillowby", season=2027, trees=1000)
    (wood,) = registry.ahead([order], at=SUMMER).wood
    assert wood.to_do is not None
    assert wood.to_do > 1000
    assert wood.short == wood.to_do - wood.gives


def test_trees_by_autumn_are_those_counted_late_and_the_early_ones_by_the_past(
    registry: Registry,
) -> None:
    (found,) = registry.ahead(at=SUMMER).saleable
    assert (found.counted, found.early, found.not_counted) == (20 - 4, 40, 20)
    assert (found.by, found.known) == ("own", 80)
    assert found.standing == 16 + round(40 * 30.5 / 41)
    assert found.low < found.standing < found.high <= 16 + 40
    assert found.saleable == int(found.standing * 0.9)


def test_nothing_that_came_later_counts_and_without_a_past_the_starting_value_does(
    registry: Registry,
) -> None:
    (found,) = registry.ahead(at=dt.date(2025, 5, 15)).saleable
    assert (found.counted, found.early, found.by, found.known) == (0, 80, "setting", 0)
    assert registry.ahead(at=dt.date(2025, 3, 1)).saleable == ()
    (asked,) = registry.ahead(at=SUMMER, season=2025).saleable
    assert (asked.counted, asked.early) == (60, 0)


@given(st.integers(0, 400), st.integers(0, 400), st.integers(1, 400))
def test_an_interval_lies_about_its_middle_and_within_the_trees_there_are(
    early: int, stood: int, took: int
) -> None:
    low, middle, high = interval(early, min(stood, took), took)
    assert 0 <= low <= middle <= high <= early


@pytest.mark.parametrize(
    ("first_day", "day", "season"),
    [
        ("07-01", "2026-04-10", 2026),
        ("07-01", "2026-08-10", 2026),
        ("07-01", "2026-11-30", 2026),
        ("01-01", "2026-10-10", 2026),
        ("01-01", "2027-04-10", 2026),
    ],
)
def test_autumn_sells_the_grafts_of_the_spring_before_it(
    first_day: str, day: str, season: int
) -> None:
    settings = Settings().changed({"season_first_day": first_day})
    assert selling(settings, dt.date.fromisoformat(day)) == season


def test_the_command_tells_what_json_tells(filled: Filled, run: Run) -> None:
    url = filled(plant).url.render_as_string(hide_password=False)
    words = ("ahead", "--at", "2026-07-01", "--trees", "Tillowby=100", "--registry", url)
    said = run(*words)
    assert (said.code, "season 2026" in said.out, "grafts to do" in said.out) == (0, True, True)
    told = json.loads(run(*words, "--json").out)
    assert (told["season"], told["rootstocks"][0]["left"]) == (2026, 100)
