"""The commands about single records: what is asked for oddly, and what the hints lead to."""

import datetime as dt
import json
import shlex
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from conftest import Filled, fill_by

from scionreg.registry.store import Store

Run = Callable[..., Any]


def keep_own_codes(store: Store) -> None:
    """Record a small nursery in New Zealand, with codes of its own."""
    lines = (
        "settings --set time_zone=Pacific/Auckland",
        "add person --person P01",
        "add cultivar --cultivar Tillowby --species Carya",
        "add tree --tree Old-3 --cultivar Tillowby --location-private yes",
        "add tree --tree Old-4 --cultivar Tillowby --location-private no",
        "cut --collection C1 --tree Old-3 --date 2026-06-20 --sticks 50 --in-leaf yes",
        "pack --bundle B1 --collection C1 --sticks 50 --packed 2026-06-20",
        "log --bundle B1 --time 2026-09-09T08:00 --event checked --sticks 40",
        "graft --graft-lot G1 --bundle B1 --date 2026-09-10 --grafter P01 --method whip --grafts 9",
        "count --graft-lot G1 --date 2026-10-20 --pushing 8",
    )
    fill_by(store, [line.split() for line in lines])


@pytest.fixture
def nursery(filled: Filled, run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run commands on it."""
    url = filled(keep_own_codes).url
    monkeypatch.setenv("SCIONREG_REGISTRY", url.render_as_string(hide_password=False))
    monkeypatch.setenv("SCIONREG_BY", "P01")
    return run


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("list collections --where sticks=x", "sticks: 'x' is not a"),
        ("list collections --where date=x", "date: 'x' is not a date"),
        ("list collections --where nosuch=x", "there are: collection, tree, limb"),
        ("correct C1 --set nosuch=1 --why x", "there are: collection, tree, limb"),
    ],
)
def test_a_column_or_value_that_cannot_be_is_refused_in_words(
    nursery: Run, words: str, says: str
) -> None:
    said = nursery(*words.split())
    assert said.code == 1
    assert says in said.err


def test_a_list_has_no_negative_length(nursery: Run) -> None:
    assert nursery("list", "trees", "--limit", "-1").code == 2


@pytest.mark.parametrize(
    ("kind", "where", "found"),
    [
        ("mother_trees", "location_private=yes", "Old-3"),
        ("mother_trees", "location_private=no", "Old-4"),
        ("collections", "date=2026-06-20", "C1"),
        ("bundle_log", "time=2026-09-09T08:00", "B1"),
    ],
)
def test_lists_are_filtered_by_whatever_a_column_holds(
    nursery: Run, kind: str, where: str, found: str
) -> None:
    said = nursery("list", kind, "--where", where, "--json")
    assert [next(iter(row.values())) for row in json.loads(said.out)] == [found]


def hinted(said: Any) -> list[str]:
    """Return the command that a command pointed to."""
    return shlex.split(said.err.split("see: scionreg ")[1].splitlines()[0])


def test_what_a_correction_points_to_shows_it(nursery: Run) -> None:
    for key, kind, change in (
        ("G1/2026-10-20", "take_counts", "pushing=7"),
        ("C1", "", "shoots=9"),
    ):
        named = ["--kind", kind] if kind else []
        said = nursery("correct", key, *named, "--set", change, "--why", "counted again")
        assert "counted again" in nursery(*hinted(said)).out


def test_the_history_of_a_voided_record_is_told_by_its_code_alone(nursery: Run) -> None:
    assert nursery("void", "G1", "--why", "typed twice").code == 0
    told = nursery("history", "G1")
    assert (told.code, "typed twice" in told.out, "grafts" in told.out) == (0, True, True)
    for command in ("show", "void"):
        said = nursery(command, "G1", "--why", "x") if command == "void" else nursery("show", "G1")
        assert (said.code, "G1' was voided" in said.err) == (1, True)
    assert "nothing is recorded" in nursery("history", "G99").err


def test_an_alarm_of_no_season_is_none_of_a_season_called_none(nursery: Run) -> None:
    for line in (
        "cut --collection C2 --tree Old-3 --sticks 9",
        "pack --bundle B2 --collection C2 --sticks 9",
        "log --bundle B2 --time 2026-09-09T08:00 --event checked --sticks 0",
    ):
        assert nursery(*line.split()).code == 0
    said = nursery("balance", "--per", "season")
    assert "season -: 9 sticks are unexplained" in said.out
    assert "None" not in said.out


def test_a_line_of_the_log_is_told_and_named_by_the_registrys_clock(nursery: Run) -> None:
    said = nursery(*["log", "--bundle", "B1", "--time", "2026-09-11T08:00", "--event", "hold"])
    assert "time 2026-09-11T08:00:00+12:00" in said.out
    assert "2026-09-11T08:00" in nursery(*hinted(said)).out
    for key in (
        "B1/2026-09-11T08:00/hold",
        "B1/2026-09-11T08:00:00+12:00",
        "B1/2026-09-10 20:00:00",
    ):
        told = nursery("history", key, "--kind", "bundle_log")
        assert (told.code, "2026-09-11T08:00:00+12:00" in told.out) == (0, True)
    key = "B1/2026-09-11T08:00/hold"
    gone = nursery("void", key, "--why", "not held")
    assert gone.out == f"voided line of the bundle log {key}\n"
    assert nursery(*shlex.split(gone.err.split("scionreg ")[1])).code == 0
    assert nursery("void", key, "--kind", "bundle_log", "--why", "not held").code == 0
    assert "not held" in nursery("history", key, "--kind", "bundle_log").out
    assert nursery("show", "B1/morning", "--kind", "bundle_log").code == 1


def test_when_a_record_was_written_is_told_by_the_registrys_clock(nursery: Run) -> None:
    (step,) = json.loads(nursery("history", "C1", "--json").out)
    there = dt.datetime.fromisoformat(step["time"]).astimezone(ZoneInfo("Pacific/Auckland"))
    for command in ("show", "history"):
        assert f"{there:%Y-%m-%d %H:%M}" in nursery(command, "C1").out


def test_yes_and_no_are_told_as_words(nursery: Run) -> None:
    again = [
        "cut",
        "--collection",
        "C1",
        "--tree",
        "Old-3",
        "--date",
        "2026-06-20",
        "--sticks",
        "50",
        "--in-leaf",
        "yes",
    ]
    assert "in_leaf yes" in nursery(*again).out
    assert json.loads(nursery(*again, "--json").out)[0]["record"]["in_leaf"] is True
    assert nursery(*["correct", "C1", "--set", "in_leaf=no", "--why", "green"]).code == 0
    assert "in_leaf: yes -> no" in nursery("history", "C1").out


def test_a_trace_tells_times_in_store_by_the_registrys_clock(nursery: Run) -> None:
    for line in (
        "add store --store S-1",
        "log --bundle B1 --time 2026-09-10T09:30 --event moved --store S-1",
    ):
        assert nursery(*line.split()).code == 0
    assert "B1 in S-1 from 2026-09-10 09:30 to 2026-09-10" in nursery("trace", "G1").out


def test_a_key_of_several_parts_needs_no_kind_where_only_one_fits(nursery: Run) -> None:
    said = nursery("void", "G1/2026-10-20", "--why", "wrong lot")
    assert (said.code, said.out) == (0, "voided take count G1/2026-10-20\n")
    assert "wrong lot" in nursery("history", "G1/2026-10-20").out
    assert nursery("restore", "G1/2026-10-20").code == 0
    assert nursery("show", "G1/2026-10-20", "--kind", "count").code == 0
    assert "8" in nursery("list", "take_count", "--json").out


def test_a_correction_shows_what_was_and_what_is(nursery: Run) -> None:
    said = nursery(
        *["correct", "G1", "--set", "grafts=8", "--set", "stock_mm=9", "--why", "miscounted"]
    )
    assert said.out == "corrected G1\n  grafts: 9 -> 8\n  stock_mm: - -> 9\n"


def test_what_was_voided_is_restored_by_the_command_that_is_named(nursery: Run) -> None:
    said = nursery("void", "G1", "--why", "just trying")
    assert said.out == "voided graft lot G1\nvoided take count G1/2026-10-20\n"
    graft = "graft --graft-lot G1 --bundle B1 --grafter P01 --method whip --grafts 9"
    refused = nursery(*graft.split())
    assert "scionreg restore G1 brings it back" in refused.err
    assert nursery(*shlex.split(said.err.split("scionreg ")[1])).code == 0
    assert "restore by P01" in nursery("history", "G1").out
    assert nursery("show", "G1/2026-10-20").code == 0


def test_the_last_change_is_undone_only_where_somebody_says_yes(nursery: Run) -> None:
    assert nursery("correct", "G1", "--set", "grafts=8", "--why", "miscounted").code == 0
    asked = nursery("undo")
    assert (asked.code, "say --yes" in asked.err) == (1, True)
    assert "grafts: 8 -> 9" in asked.err
    done = nursery("undo", "--yes")
    assert (done.code, "corrects graft lot G1" in done.out) == (0, True)
    assert "undo of line" in nursery("history", "G1").out
    told = json.loads(nursery("undo", "--yes", "--json").out)
    assert told["voided"] == [{"kind": "take_counts", "key": "G1/2026-10-20"}]


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ("void G1", "goes take count G1/2026-10-20"),
        ("correct G1 --set grafts=8", "grafts: 9 -> 8"),
        ("undo", "voids take count G1/2026-10-20"),
    ],
)
@pytest.mark.parametrize("answer", ["no", "yes"])
def test_at_a_terminal_what_changes_is_shown_before_it_is_asked(
    nursery: Run, monkeypatch: pytest.MonkeyPatch, words: str, shown: str, answer: str
) -> None:
    answers = iter(["perhaps", answer, "just trying"])
    monkeypatch.setattr("scionreg.cli.console.is_terminal", lambda: True)
    monkeypatch.setattr("typer.prompt", lambda *_, **__: next(answers))
    before = nursery("history", "G1", "--json").out
    said = nursery(*words.split())
    assert shown in said.err
    if answer == "no":
        assert (said.code, "nothing was changed" in said.err) == (1, True)
        assert nursery("history", "G1", "--json").out == before
    else:
        assert said.code == 0
