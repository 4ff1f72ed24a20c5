"""Help by when a command is needed, completion in shells, and what is said beside a record."""

from collections.abc import Callable

import pytest

from scionreg.cli.app import GROUPS, app
from scionreg.records.near import nearest


def test_help_shows_commands_by_when_they_are_needed_each_with_its_whole_sentence(
    run: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    said = run("--help").out
    headings = [line.rstrip(":") for line in said.splitlines() if line in {f"{g}:" for g in GROUPS}]
    assert headings == list(GROUPS)
    assert "..." not in said.partition("Every day:")[2]
    for command in app.registered_commands:
        assert f"\n  {command.name} " in said


def test_groups_name_commands_that_there_are() -> None:
    known = {command.name for command in app.registered_commands} | {"add"}
    named = [name for group in GROUPS.values() for name in group]
    assert set(named) <= known
    assert len(named) == len(set(named))


@pytest.mark.parametrize(
    ("shell", "words", "found"),
    [
        ("bash", {"COMP_WORDS": "scionreg gr", "COMP_CWORD": "1"}, "graft"),
        ("bash", {"COMP_WORDS": "scionreg graft --rootst", "COMP_CWORD": "2"}, "--rootstock-lot"),
        ("zsh", {"_TYPER_COMPLETE_ARGS": "scionreg add pers"}, "person"),
        (
            "fish",
            {"_TYPER_COMPLETE_ARGS": "scionreg rec", "_TYPER_COMPLETE_FISH_ACTION": "get-args"},
            "recheck",
        ),
        (
            "powershell",
            {"_TYPER_COMPLETE_ARGS": "scionreg roy", "_TYPER_COMPLETE_WORD_TO_COMPLETE": "roy"},
            "royalties",
        ),
    ],
)
def test_shells_complete_commands_and_their_options(
    run: Callable, monkeypatch: pytest.MonkeyPatch, shell: str, words: dict[str, str], found: str
) -> None:
    monkeypatch.setenv("_SCIONREG_COMPLETE", f"complete_{shell}")
    for name, value in words.items():
        monkeypatch.setenv(name, value)
    assert found in run().out


def test_records_are_not_followed_by_general_cautions_and_new_tells_them_once(
    run: Callable,
) -> None:
    said = run("new", "registry.db", "--by", "P01").err
    assert "scionreg add person --registry registry.db" in said
    assert said.count("licence before cutting") == said.count("burn and cut") == 1
    assert said.count("no permit") == 1
    run("add", "cultivar", "--cultivar", "Brellan", "--species", "Malus domestica")
    run("add", "tree", "--cultivar", "Brellan", "--tree", "T1")
    cut = run("cut", "--tree", "T1", "--date", "2026-02-03", "--sticks", "20")
    assert cut.code == 0
    assert "licence" not in cut.err


def test_a_misspelt_setting_or_column_is_told_with_the_nearest(run: Callable) -> None:
    run("new", "registry.db", "--by", "P01")
    said = run("settings", "--set", "unit=US").err
    assert said == "refused: there is no setting 'unit'; perhaps units\n"
    said = run("list", "bundles", "--where", "stor=S1").err
    assert said == "refused: bundles have no column 'stor'; perhaps store\n"
    said = run("list", "bundles", "--where", "zzz=S1").err
    assert said.startswith("refused: bundles have no column 'zzz'; there are: bundle, collection")
    assert "write store=VALUE" in run("list", "bundles", "--where", "store").err


def test_the_nearest_names_are_few_and_near() -> None:
    known = ["store.gap_hours", "store.warm_c", "units", "time_zone"]
    assert nearest("store.gap_hour", known)[0] == "store.gap_hours"
    assert nearest("timezone", known) == ["time_zone"]
    assert nearest("xyz", known) == []
