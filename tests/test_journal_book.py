"""What changed in the records, told line by line."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from conftest import Filled
from test_asked import plant

from scionreg.api import Registry

Run = Callable[..., Any]


@pytest.fixture
def nursery(filled: Filled, run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    url = filled(plant).url
    monkeypatch.setenv("SCIONREG_REGISTRY", url.render_as_string(hide_password=False))
    monkeypatch.setenv("SCIONREG_BY", "P01")
    return run


def told(nursery: Run, *words: str) -> list[Any]:
    """Return the changes that the journal tells of."""
    changes: list[Any] = json.loads(nursery("journal", *words, "--json").out)["changes"]
    return changes


def test_every_kind_of_change_is_told_in_plain_words(nursery: Run, tmp_path: Path) -> None:
    before = len(told(nursery))
    file = tmp_path / "stores.csv"
    file.write_text("store\nCooler-1\nCooler-2\n")
    for line in (
        ["correct", "G26", "--set", "grafts=8", "--why", "counted again"],
        ["import", str(file)],
        ["reserve", "bundles", "--for", "P01", "--count", "5"],
        ["void", "D1/H26", "--kind", "dispatches", "--why", "typed twice"],
        ["settings", "--set", "units=US"],
        ["rebundle", "--parent", "B1=2", "--parent", "B2=2", "--bundle", "B7"],
    ):
        assert nursery(*line).code == 0
    changes = told(nursery)[before:]
    assert [each["text"] for each in changes] == [
        "graft lot G26 corrected: grafts 9 -> 8",
        "2 stores taken in from stores.csv",
        "5 codes of bundles reserved for P01",
        "dispatch D1/H26 voided",
        "settings changed: units=US",
        "1 bundle, 2 bundle parents recorded: B7, B7/B1, B7/B2",
    ]
    assert changes[0]["changed"] == [{"column": "grafts", "before": 9, "after": 8}]
    assert [(each["column"], each["after"]) for each in changes[4]["changed"]] == [("units", "US")]
    assert (changes[0]["why"], changes[3]["keys"]) == ("counted again", ["D1/H26"])
    assert "P01  graft lot G26 corrected: grafts 9 -> 8 (counted again)" in nursery("journal").out


def test_changes_are_picked_by_day_person_kind_and_what_was_done(nursery: Run) -> None:
    assert nursery("add", "person", "--person", "P02").code == 0
    assert nursery("add", "person", "--person", "P03", "--by", "P02").code == 0
    assert [each["keys"] for each in told(nursery, "--by", "P02")] == [["P03"]]
    assert {each["action"] for each in told(nursery, "--kind", "people")} == {"record"}
    assert told(nursery, "--action", "void") == []
    assert told(nursery, "--from", "2999-01-01") == []
    assert told(nursery, "--to", "1999-01-01") == []
    assert "nothing from 2999-01-01 to now" in nursery("journal", "--from", "2999-01-01").err
    assert "no record kind" in nursery("journal", "--kind", "nonsense").err


def test_days_are_those_of_the_registrys_clock(filled: Filled) -> None:
    registry = Registry(filled(plant))
    for zone in ("Pacific/Kiritimati", "Pacific/Pago_Pago"):
        registry.change_settings(recorder="P01", time_zone=zone)
        today = registry.settings.today()
        changes = registry.changes(since=today, until=today)
        assert changes
        assert {each.time.date() for each in changes} == {today}
