"""The command `store`: what it says of the invented nursery, and its pictures."""

import csv
import datetime as dt
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from scionreg.api import Registry
from tests.conftest import Said

DEMO = Path(__file__).parents[1] / "demo_registry"
COOLER = "S24-0002-8"
"""The cooler that warmed for three days in April 2025 (demo_registry/README.md, story 3)."""


@pytest.fixture
def ask(run: Callable[..., Said], demo: str) -> Callable[..., Said]:
    def command(*words: str) -> Said:
        return run("store", *words, "--registry", demo)

    return command


def told_by_the_books(kind: str) -> list[dict[str, str]]:
    with (DEMO / f"{kind}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def sat_through_it() -> set[str]:
    """Return, from the files alone, the bundles of 2025 that lay there until after the spell."""
    last: dict[str, str] = {}
    for lot in told_by_the_books("graft_lots"):
        last[lot["bundle"]] = max(last.get(lot["bundle"], ""), lot["date"])
    return {
        bundle["bundle"]
        for bundle in told_by_the_books("bundles")
        if bundle["store"] == COOLER
        and "2025" <= bundle["packed"] <= "2025-04-25"
        and last.get(bundle["bundle"], "") > "2025-04-28"
    }


def test_the_cooler_that_warmed_is_found(demo: str) -> None:
    with Registry.open(demo) as registry:
        (spell,) = registry.warm_spells()
        assert spell.store == COOLER
        assert dt.date(2025, 4, 25) <= spell.start.date() <= dt.date(2025, 4, 26)
        assert 60 <= spell.hours <= 84
        found = registry.store_report(at=dt.datetime(2026, 7, 1, tzinfo=dt.UTC))
    touched = found.touched_by(spell)
    whole = touched.loc[touched["share_of_spell"] > 0.5, "bundle"]
    assert sat_through_it() <= set(whole)
    grades = {each.bundle: each.grade for each in found.bundles}
    assert {grades[bundle] for bundle in sat_through_it()} == {"sample_first"}
    assert {b for b, grade in grades.items() if grade == "sample_first"} == set(whole)


def test_no_number_of_the_spell_needs_the_clever_sums(demo: str) -> None:
    """Degree-hours of the spell, by the trapezoid rule over hourly readings of the file."""
    warm = [
        max(float(reading["temperature_c"]) - 7.2, 0)
        for reading in told_by_the_books("store_readings")
        if reading["store"] == COOLER and "2025-04-20" < reading["time"] < "2025-05-05"
    ]
    with Registry.open(demo) as registry:
        (spell,) = registry.warm_spells()
    assert spell.heat_c_hours == pytest.approx(sum(warm), rel=0.01)


def test_warm_spells_name_the_bundles(ask: Callable[..., Said]) -> None:
    said = ask("--store", COOLER, "--from", "2025-04-25", "--to", "2025-04-28", "--warm-spells")
    assert said.code == 0
    head, *lines = said.out.splitlines()
    assert head.startswith(f"{COOLER}: 2025-04-2")
    assert {line.split(":")[0].strip() for line in lines} >= sat_through_it()


def test_a_period_without_warmth_says_so(ask: Callable[..., Said]) -> None:
    said = ask("--store", COOLER, "--from", "2025-02-01", "--to", "2025-02-08", "--warm-spells")
    assert (said.code, said.out) == (0, "")
    assert "no warm spell" in said.err


def test_json_and_csv_hold_the_same_figures(ask: Callable[..., Said]) -> None:
    bundle = sorted(sat_through_it())[0]
    (plain,) = json.loads(ask(bundle, "--json").out)["bundles"]
    (row,) = csv.DictReader(io.StringIO(ask(bundle, "--csv").out))
    assert plain["class"] == row["class"] == "sample_first"
    assert float(row["degree_hours_above_7_2"]) == plain["degree_hours_above_7_2"] > 500
    assert "degree_f_hours_above_45" not in plain


def test_now_says_in_the_row_what_may_not_be_used_and_why(ask: Callable[..., Said]) -> None:
    said = ask("--now", "--json")
    bundles = json.loads(said.out)["bundles"]
    assert all(each["may_be_used"] == (not each["may_not_be_used"]) for each in bundles)
    assert any("days old, and such wood keeps" in w for b in bundles for w in b["may_not_be_used"])
    shown = ask("--now").out
    for each in bundles:
        (row,) = (line for line in shown.splitlines() if line.startswith(each["bundle"]))
        assert row.endswith("no: " + "; ".join(each["may_not_be_used"]))
        assert each["shelf"] is None or each["shelf"] in row
    assert "use first" not in shown


def test_now_sums_up_by_cultivar(ask: Callable[..., Said]) -> None:
    told = json.loads(ask("--now", "--json").out)
    sums = {row["cultivar"]: row for row in told["by_cultivar"]}
    for name in ("sticks", "bundles"):
        assert sum(row[name] for row in sums.values()) == sum(
            each["sticks_left"] if name == "sticks" else 1 for each in told["bundles"]
        )
    assert ask("--now").out.splitlines()[-1].split()[0] in sums


def test_where_nothing_may_be_used_it_is_said_why(ask: Callable[..., Said]) -> None:
    said = ask("--use-first")  # all of this wood is of past springs
    assert (said.code, said.out) == (0, "")
    assert "no wood may be used: of 37 bundles with 122 sticks left none may" in said.err
    assert "old wood 37" in said.err


def test_a_day_is_answered_as_it_stood_then(ask: Callable[..., Said]) -> None:
    then = json.loads(ask("--use-first", "--at", "2026-04-10", "--json").out)["bundles"]
    assert len(then) > 20
    assert all(each["may_be_used"] and each["sticks_left"] for each in then)
    assert {each["bundle"][:3] for each in then} == {"B26"}
    said = ask("--now", "--at", "2023-01-01")
    assert (said.code, said.out) == (0, "")
    assert "nothing is left at the end of 2023-01-01" in said.err


def test_a_day_without_now_is_refused(ask: Callable[..., Said]) -> None:
    said = ask("--at", "2026-04-10")
    assert said.code == 1
    assert "it goes with --now or --use-first" in said.err


def test_a_time_without_wood_says_so(ask: Callable[..., Said]) -> None:
    said = ask("--store", COOLER, "--to", "2023-01-01")
    assert (said.code, said.out) == (0, "")
    assert f"no wood was there in {COOLER} in that time" in said.err


def test_fahrenheit_is_shown_where_the_registry_says_so(
    run: Callable[..., Said], tmp_path: Path, demo: str
) -> None:
    other = tmp_path / "us.db"
    other.write_bytes(Path(demo).read_bytes())
    with Registry.open(other) as registry:
        registry.change_settings(units="US", recorder="P01")
    bundle = sorted(sat_through_it())[0]
    said = run("store", bundle, "--json", "--registry", str(other))
    (plain,) = json.loads(said.out)["bundles"]
    assert plain["degree_f_hours_above_45"] == pytest.approx(
        plain["degree_hours_above_7_2"] * 1.8, abs=0.1
    )
    assert "°F·h" in run("store", bundle, "--registry", str(other)).out
    run("store", bundle, "--picture", "us.svg", "--registry", str(other))
    assert "45 °F" in (tmp_path / "us.svg").read_text(encoding="utf-8")


# ------------------------------------------------------------------------------------- pictures


def test_a_picture_names_the_store_the_bundles_and_the_classes(
    ask: Callable[..., Said], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import matplotlib as mpl

    monkeypatch.setitem(mpl.rcParams, "svg.fonttype", "none")  # text as text, to be read here
    said = ask("--store", COOLER, "--from", "2025-04-01", "--to", "2025-05-10",
               "--picture", "season.svg")  # fmt: skip
    assert "drew season.svg" in said.err
    drawn = (tmp_path / "season.svg").read_text(encoding="utf-8")
    for words in (COOLER, "temperature, °C", "warm spell", "s: sample first", "°C·h"):
        assert words in drawn
    for bundle in sat_through_it():
        assert f"{bundle} s" in drawn  # the class by letter too


def test_a_whole_registry_can_be_drawn_as_png(ask: Callable[..., Said], tmp_path: Path) -> None:
    assert ask("--picture", "all.png").code == 0
    assert (tmp_path / "all.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("name", ["season.pdf", "no such folder/season.png"])
def test_a_picture_that_cannot_be_is_refused(ask: Callable[..., Said], name: str) -> None:
    said = ask(sorted(sat_through_it())[0], "--picture", name)
    assert said.code == 1
    assert name.split("/")[-1].split(".")[0] in said.err


def test_marks_differ_without_their_colour() -> None:
    from scionreg.documents.store_picture import MARKS
    from scionreg.records.vocabulary import StoreClass
    from scionreg.records.words import english

    assert set(MARKS) == set(StoreClass)
    letters = [english()(f"store_picture.letter.{each.value}") for each in StoreClass]
    for told in ([hatch for _, hatch in MARKS.values()], letters, list(map(english().word, MARKS))):
        assert len(set(told)) == len(told)


def test_names_that_are_none_are_refused(ask: Callable[..., Said]) -> None:
    assert ask("B99-0001-1").code == 1
    assert ask("--store", "S99").code == 1
    assert ask("--from", "2/3/2025").code == 1
