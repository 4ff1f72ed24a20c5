"""The command line as its users meet it: what is said where, exit codes, and no tracebacks."""

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import Templates, fill_by

from scionreg.cli.app import ADDING, RECORDING, app
from scionreg.records.tables import KINDS, fields
from scionreg.registry.settings import read_settings, write_settings
from scionreg.registry.store import Store

ROOT = Path(__file__).parents[1]
COMMANDS = [command.name for command in app.registered_commands]
HEAVY = {"pandas", "sqlalchemy", "numpy", "scipy", "geopandas", "folium", "alembic", "openpyxl"}


Run = Callable[..., Any]


def follow_the_readme(store: Store) -> None:
    """Record what the README's own commands do."""
    recording = {*RECORDING, "add"}
    fill_by(store, [words for words in readme_commands() if words[0] in recording])
    with store.writing() as connection:
        write_settings(connection, read_settings(connection).changed({"by": "P01"}))


@pytest.fixture
def nursery(run: Run, templates: Templates, tmp_path: Path) -> Iterator[Run]:
    """Run commands on a small registry that the README's own commands made."""
    with templates.copy("sqlite", follow_the_readme, tmp_path / "registry.db"):
        yield run


def readme_commands() -> Iterator[list[str]]:
    """Yield the commands that the README shows, in its order."""
    import shlex

    for line in (ROOT / "README.md").read_text(encoding="utf-8").splitlines():
        if line.startswith("scionreg "):
            yield shlex.split(line)[1:]


def test_the_readmes_recording_commands_make_a_sound_registry(nursery: Run) -> None:
    said = nursery("audit")
    assert (said.code, said.out) == (0, "")
    lots = json.loads(nursery("list", "graft_lots", "--json").out)
    assert lots[0]["graft_lot"] == "G26-0001-7"
    assert lots[0]["method"] == "four_flap"


def test_every_command_of_the_readme_exists() -> None:
    known = {*COMMANDS, "add"}
    assert {words[0] for words in readme_commands()} <= known


@pytest.mark.parametrize("name", [*COMMANDS, *(f"add {name}" for name in ADDING)])
def test_every_command_has_help(run: Run, name: str) -> None:
    said = run(*name.split(), "--help")
    assert said.code == 0
    assert said.out.startswith("Usage: scionreg")
    assert len(said.out.splitlines()) > 5


def test_help_loads_nothing_heavy() -> None:
    loaded = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "scionreg", "--help"],
        capture_output=True,
        text=True,
        check=True,
    ).stderr
    modules = {line.rpartition("|")[2].strip().partition(".")[0] for line in loaded.splitlines()}
    assert "typer" in modules
    assert not modules & HEAVY


def test_every_record_kind_has_a_recording_command() -> None:
    assert {kind for kind, _ in (*RECORDING.values(), *ADDING.values())} == set(KINDS)


@pytest.mark.parametrize(
    ("name", "kind"), [(name, kind) for name, (kind, _) in RECORDING.items() if name != "rebundle"]
)
def test_a_recording_command_has_an_option_for_every_column(run: Run, name: str, kind: str) -> None:
    said = run(name, "--help").out
    for column in fields(kind):
        flag = "--looked-by" if column.name == "by" else "--" + column.name.replace("_", "-")
        assert re.search(rf"{flag}\b", said), flag


def test_without_a_registry_it_says_how_to_make_one(run: Run) -> None:
    said = run("list", "bundles")
    assert said.code == 1
    assert "scionreg new registry.db" in said.err
    assert said.out == ""


def test_wrong_usage_exits_2(run: Run) -> None:
    assert run("trace").code == 2
    assert run("no-such-command").code == 2


def test_a_refusal_exits_1_and_says_what_would_be_right(nursery: Run) -> None:
    said = nursery("cut", "--tree", "AB-3-4", "--date", "2/3/2026", "--sticks", "40+")
    assert said.code == 1
    assert "2026-02-03" in said.err
    assert "estimated" in said.err


def test_a_change_without_a_person_is_refused_where_nobody_can_be_asked(run: Run) -> None:
    run("new", "registry.db")
    said = run("add", "person", "--person", "P01")
    assert said.code == 1
    assert "--by" in said.err


def test_data_goes_to_standard_output_and_talk_to_standard_error(nursery: Run) -> None:
    said = nursery("trace", "G26-0001-7", "--json")
    assert json.loads(said.out)["code"] == "G26-0001-7"
    assert said.err == ""


def test_show_and_history_tell_a_correction(nursery: Run) -> None:
    done = nursery("correct", "G26-0001-7", "--set", "grafts=15", "--why", "counted again")
    assert done.code == 0
    shown = json.loads(nursery("show", "G26-0001-7", "--json").out)
    assert shown["record"]["grafts"] == 15
    told = nursery("history", "G26-0001-7").out
    assert "counted again" in told
    assert "grafts: 16 -> 15" in told


def test_a_void_takes_a_dispatch_back(nursery: Run) -> None:
    dispatches = json.loads(nursery("list", "dispatches", "--json").out)
    key = f"{dispatches[0]['dispatch']}/{dispatches[0]['graft_lot']}"
    said = nursery("void", key, "--kind", "dispatches", "--why", "cancelled")
    assert said.code == 0
    assert json.loads(nursery("list", "dispatches", "--json").out) == []


def test_lists_are_filtered_and_come_as_csv(nursery: Run) -> None:
    said = nursery("list", "bundles", "--where", "collection=C26-0001-7", "--csv")
    header, *rows = said.out.splitlines()
    assert header.startswith("bundle,collection,received_from")
    assert [row.split(",")[0] for row in rows] == ["B26-0001-7", "B26-0002-5"]


def test_a_name_that_a_spreadsheet_would_run_is_stored_as_written_and_shielded_in_csv(
    nursery: Run,
) -> None:
    name = '=HYPERLINK("x")'
    nursery("add", "rootstock", "--rootstock-lot", "R-own", "--supplier", name)
    assert json.loads(nursery("show", "R-own", "--json").out)["record"]["supplier"] == name
    assert "'=HYPERLINK" in nursery("list", "rootstock_lots", "--csv").out


def test_control_characters_do_not_reach_the_terminal(nursery: Run) -> None:
    nursery("add", "rootstock", "--rootstock-lot", "R-own", "--supplier", "a\x1b[2Jb")
    assert "\x1b" not in nursery("show", "R-own").out


def test_an_alarm_in_the_balance_exits_3(nursery: Run) -> None:
    nursery(
        *("graft", "--bundle", "B26-0003-0", "--date", "2026-04-15", "--grafter", "P01"),
        *("--method", "whip", "--grafts", "40"),
    )
    said = nursery("balance", "B26-0003-0")
    assert said.code == 3
    assert "B26-0003-0" in said.out
    found = json.loads(nursery("balance", "--per", "bundle", "--alarms", "--json").out)
    assert [row["code"] for row in found["rows"]] == ["B26-0003-0"]


def test_import_lists_problems_in_a_file_and_takes_nothing(nursery: Run, tmp_path: Path) -> None:
    bad = tmp_path / "rootstock_lots.csv"
    bad.write_text("rootstock_lot,received\nR-1,2026-02-30\nR-2,2026-02-01\n", encoding="utf-8")
    said = nursery("import", str(bad), "--problems", "problems.csv")
    assert said.code == 1
    assert "nothing was imported" in said.err
    lines = (tmp_path / "problems.csv").read_text(encoding="utf-8").splitlines()
    assert lines[1].startswith("rootstock_lots.csv,2,received,2026-02-30,refused,impossible_date")
    assert nursery("list", "rootstock_lots", "--json").out.strip() == "[]"


def test_a_list_of_problems_that_cannot_be_written_is_said_after_the_import(
    nursery: Run, tmp_path: Path
) -> None:
    (tmp_path / "people.csv").write_text("person\nP02\n", encoding="utf-8")
    said = nursery("import", "people.csv", "--problems", "nowhere/problems.csv")
    assert said.code == 1
    assert "imported into registry.db: 1 people" in said.err
    assert "nowhere/problems.csv cannot be written" in said.err


def test_export_and_import_give_the_same_list(nursery: Run) -> None:
    assert nursery("export", "season").code == 0
    assert nursery("new", "copy.db", "--by", "P01").code == 0
    assert nursery("import", "season", "--registry", "copy.db").code == 0
    for kind in KINDS:
        there = nursery("list", kind, "--json", "--registry", "copy.db").out
        assert there == nursery("list", kind, "--json").out


def test_reserved_codes_are_not_issued_to_others(nursery: Run) -> None:
    codes = nursery("reserve", "bundles", "--for", "P01", "--count", "3", "--season", "2026").out
    assert len(codes.split()) == 3
    said = nursery("pack", "--collection", "C26-0001-7", "--sticks", "1", "--packed", "2026-01-21")
    assert said.out.split()[1].rstrip(":") not in codes.split()


def test_settings_are_shown_and_changed(nursery: Run) -> None:
    assert nursery("settings", "--set", "units=US").code == 0
    assert json.loads(nursery("settings", "--json").out)["units"] == "US"
    assert nursery("settings", "--set", "units=furlongs").code == 1


def test_general_cautions_are_said_once_where_a_registry_is_made(
    run: Run, nursery: Run, tmp_path: Path
) -> None:
    assert run("new", str(tmp_path / "new.db")).err.count("plant-health authority") == 1
    said = nursery(
        *("dispatch", "--graft-lot", "G26-0001-7", "--date", "2026-11-11"),
        *("--customer", "CU-1", "--trees", "1"),
    )
    assert "plant-health authority" not in said.err, "nobody reads what is said every time"


def test_a_person_at_the_terminal_is_asked_for_what_is_missing(tmp_path: Path) -> None:
    environment = {**os.environ, "SCIONREG_BY": "P01", "TERM": "dumb"}
    command = [sys.executable, "-m", "scionreg"]
    subprocess.run([*command, "new", "registry.db"], cwd=tmp_path, env=environment, check=True)
    main_end, terminal = pty.openpty()
    child = subprocess.Popen(
        [*command, "add", "cultivar", "--cultivar", "Tillowby"],
        cwd=tmp_path,
        env=environment,
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
    )
    os.close(terminal)
    try:
        assert "species" in read_until(main_end, "species")
        os.write(main_end, b"Carya illinoinensis\n")
        assert "aliases: " in read_until(main_end, "aliases: ")
        os.write(main_end, b",\n")
        assert "recorded Tillowby" in read_until(main_end, "recorded Tillowby")
        assert child.wait(20) == 0
    finally:
        child.kill()
        child.wait()
        os.close(main_end)


def read_until(terminal: int, wanted: str) -> str:
    """Return what a terminal shows until `wanted` is among it."""
    shown, end = b"", time.monotonic() + 20
    while wanted.encode() not in shown and time.monotonic() < end:
        if select.select([terminal], [], [], 0.2)[0]:
            try:
                shown += os.read(terminal, 4096)
            except OSError:
                break
    return shown.decode(errors="replace")


def test_a_reader_that_goes_away_is_no_error(nursery: Run, tmp_path: Path) -> None:
    piped = subprocess.run(
        f"{sys.executable} -m scionreg list people --limit 0 | true",
        shell=True,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in piped.stderr


def test_the_demo_walks_through_the_main_job(run: Run, tmp_path: Path) -> None:
    said = run("demo", "nursery")
    assert said.code == 0
    assert "G24-0029-6/6: certain" in said.out
    assert "T24-0047-1" in said.out
    assert "recall of C24-0047-1" in said.out
    assert "B25-0132-7" in said.out
    assert (tmp_path / "nursery" / "season" / "README.md").is_file()
    maps = re.findall(r"^  (nursery/maps/\S+\.html): ", said.out, re.MULTILINE)
    assert len(maps) == 7
    assert all("<!DOCTYPE html>" in (tmp_path / file).read_text("utf-8") for file in maps)
    assert run("demo", "nursery").code == 1
    assert run("audit", "--registry", "nursery/registry.db").code == 3


def test_letters_that_papers_and_pictures_lack_are_said_once(run: Run) -> None:
    place = ("--kind", "bank", "--latitude", "45.0", "--accuracy-m", "5", "--by", "P01")
    assert run("new", "registry.db", "--by", "P01")[0] == 0
    for number, cultivar in enumerate(("水温", "Fernhill")):
        run("add", "cultivar", "--cultivar", cultivar, "--species", "Malus domestica")
        at = ("--tree", f"T{number}", "--longitude", f"5.0000{number}")
        assert run("add", "tree", "--cultivar", cultivar, *at, *place)[0] == 0
    for command in (
        ("map", "confusion", "--into", "pairs.png"),
        ("plan", "--trees", "水温=10", "--picture", "supply.svg"),
        ("sheets", "cutting", "cutting.pdf"),
        ("trace", "T0", "--sheet", "trace.pdf"),
        ("label", "T0", "--into", "labels.pdf"),
    ):
        said = run(*command)[2]
        assert said.count("the fonts have no 水 温; write them by hand") == 1, command
        assert "Glyph" not in said
    for command in (("sheets", "cutting", "cutting.csv"), ("trace", "T0", "--sheet", "trace.html")):
        assert "fonts" not in run(*command)[2]
