"""A day's page: what is due, what runs out, what is wrong, and what changed."""

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from conftest import Filled, fill_by
from printed import texts

from scionreg.api import Registry
from scionreg.lineage.listing import Wanted
from scionreg.registry.store import Store

Run = Callable[..., Any]
DAY = dt.date(2026, 4, 20)


def plant(store: Store) -> None:
    """Record a spring with one of everything that a day's page tells."""
    lines = (
        "add person --person P01",
        "add cultivar --cultivar Tillowby --species Carya --rights patent --rights-no 7 "
        "--licence-no L-1 --rights-until 2026-05-01",
        "add block --block N1",
        "add store --store Cooler-1",
        "add tree --tree T1 --cultivar Tillowby --kind bank",
        "add tree --tree T2 --cultivar Tillowby --kind increase --planted 2023-05-02",
        "add permission --permission W1 --host H-1 --tree T1 --valid-from 2020-01-01 "
        "--valid-until 2026-05-03",
        "check --check K1 --item T2 --date 2024-05-04 --method bud --checked 1 --off 0",
        "cut --collection C1 --tree T1 --date 2026-01-20 --sticks 90",
        "pack --bundle B1 --collection C1 --sticks 40 --packed 2026-01-20 --store Cooler-1",
        "pack --bundle B2 --collection C1 --sticks 40 --packed 2026-01-20 --store Cooler-1",
        "log --bundle B2 --time 2026-02-01T08:00 --event hold",
        "graft --graft-lot G1 --bundle B1 --date 2026-03-10 --grafter P01 --method whip "
        "--grafts 9 --block N1 --row 2 --first 1 --last 9",
        "graft --graft-lot G2 --bundle B1 --date 2026-03-11 --grafter P01 --method whip "
        "--grafts 9 --block N1 --row 1 --first 1 --last 9",
        "graft --graft-lot G3 --bundle B1 --date 2026-04-11 --grafter P01 --method whip "
        "--grafts 9 --block N1 --row 3 --first 1 --last 9",
        "check --check K2 --item G1 --date 2026-04-15 --method leaf --checked 5 --off 2",
    )
    fill_by(store, [line.split() for line in lines])


@pytest.fixture
def registry(filled: Filled) -> Registry:
    return Registry(filled(plant))


def test_counts_are_due_by_age_and_told_row_by_row(registry: Registry) -> None:
    found = registry.today(at=DAY)
    assert [(each.graft_lot, each.stage, each.days) for each in found.counts] == [
        ("G2", "early", 40),
        ("G1", "early", 41),
    ]
    later = registry.today(at=dt.date(2026, 7, 1)).counts
    assert [(each.graft_lot, each.stage) for each in later] == [
        ("G2", "late"),
        ("G1", "late"),
        ("G3", "early"),
    ]


def test_wood_is_told_by_whether_it_may_be_used_and_stores_to_look_through(
    registry: Registry,
) -> None:
    found = registry.today(at=DAY)
    assert [each.bundle for each in found.wood_first] == ["B1"]
    (banned,) = found.wood_banned
    assert (banned.bundle, banned.sticks) == ("B2", 40)
    assert "on hold" in banned.why[0]
    (due,) = found.rounds
    assert (due.store, due.bundles, due.looked) == ("Cooler-1", 2, dt.date(2026, 1, 20))
    for bundle in ("B1", "B2"):
        registry.record(
            "bundle_log", recorder="P01", bundle=bundle, time="2026-04-18T08:00", event="checked"
        )
    assert registry.today(at=DAY).rounds == ()


def test_what_runs_out_until_a_day_is_told_with_the_day(registry: Registry) -> None:
    found = registry.today(at=DAY, until=dt.date(2026, 5, 31)).ending
    assert [(each.day.isoformat(), each.what, each.item) for each in found] == [
        ("2026-05-01", "right", "Tillowby"),
        ("2026-05-02", "age", "T2"),
        ("2026-05-03", "permission", "T1"),
        ("2026-05-04", "look", "T2"),
    ]
    soon = registry.today(at=DAY, until=dt.date(2026, 5, 1)).ending
    assert [each.what for each in soon] == ["right"]


def test_holds_without_a_release_are_long_after_the_days_of_the_setting(
    registry: Registry,
) -> None:
    (held,) = registry.today(at=DAY).holds
    assert (held.item, held.long) == ("B2", True)
    registry.change_settings(recorder="P01", **{"today.hold_long_days": "200"})
    (held,) = registry.today(at=DAY).holds
    assert not held.long
    registry.record("holds", recorder="P01", item="G1", date="2026-04-16", event="hold")
    assert {each.item for each in registry.today(at=DAY).holds} == {"B2", "G1"}


def test_off_types_found_lately_are_alarms_and_todays_changes_are_told(
    registry: Registry,
) -> None:
    found = registry.today(at=DAY)
    assert [(each.what, each.item) for each in found.alarms] == [("off_type", "G1")]
    assert registry.today(at=dt.date(2026, 7, 1)).alarms == ()
    assert found.changed == ()
    assert registry.today().changed


def test_a_sheet_that_is_typed_and_not_recorded_is_told(registry: Registry) -> None:
    if not registry.store.is_sqlite:
        pytest.skip("a server's drafts are in the user's own folder, tested with the file's")
    entry = registry.enter("counting", recorder="P01")
    assert registry.today().open_sheets == ()
    entry.draft.rows[0].cells["graft_lot"] = "G1"
    entry.draft.rows[0].touched = True
    entry.draft.save()
    assert [tuple(each) for each in registry.today().open_sheets] == [("counting", "P01", 1)]


def test_the_page_prints_what_the_command_tells(filled: Filled, run: Run, tmp_path: Path) -> None:
    url = filled(plant).url.render_as_string(hide_password=False)
    into = tmp_path / "today.pdf"
    said = run("today", "--at", "2026-04-20", "--registry", url, "--into", str(into))
    assert said.code == 0
    printed = " ".join(texts(into))
    shown = run("today", "--at", "2026-04-20", "--registry", url).out
    for text in ("Graft lots to count, row by row (2)", "B2 is on hold", "Cooler-1"):
        assert text in shown
        assert text in " ".join(printed.split())
    told = json.loads(run("today", "--at", "2026-04-20", "--registry", url, "--json").out)
    assert {"at", "until", "counts", "rounds", "wood_first", "wood_banned", "ending"} <= told.keys()


def test_wood_that_may_not_be_used_is_the_same_wherever_it_is_listed(demo: str) -> None:
    with Registry.open(demo) as registry:
        banned = {each.bundle for each in registry.today().wood_banned}
        listed = registry.listed("bundles", Wanted(), against=True).records
    assert banned
    assert banned <= {each["bundle"] for each in listed}
