"""Take at the command line and in pictures, of the invented demo."""

import csv
import json
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import pytest

from scionreg.api import Registry
from scionreg.documents.take_pictures import draw_intervals, draw_row_map
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import LowTake
from scionreg.take.row_map import row_map
from scionreg.take.stages import Stage
from scionreg.take.table import take_table
from tests.worked import worked_lots

Run = Callable[..., tuple[int, str, str]]
SUSPECT_KEYS = {
    *("factor", "item", "grafts", "taken", "rate", "low", "high", "difference", "effect"),
    *("effect_low", "effect_high", "p_low", "q", "verdict"),
}


@pytest.fixture(autouse=True)
def asked(demo: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the demo be the registry that commands ask."""
    monkeypatch.setenv("SCIONREG_REGISTRY", str(demo))


@pytest.mark.parametrize("count", ["early", "late"])
def test_the_tree_that_was_cut_too_hard_is_the_only_low_one(run: Run, count: str) -> None:
    code, out, _ = run("take", "--by", "mother_tree", "--count", count, "--json")
    found = json.loads(out)
    assert code == 0
    assert [each["item"] for each in found["suspects"] if each["verdict"] == "low"] == ["Old-7"]
    worst = found["suspects"][0]
    assert worst.keys() >= SUSPECT_KEYS
    assert worst["difference"] < -0.2
    assert worst["effect_low"] < worst["effect"] < worst["effect_high"] < 0
    assert (found["tied"], found["stage"]) == ([], count)
    assert {each["kind"] for each in found["findings"]} == {"early_late_gap"}


def test_a_table_shows_the_doubtful_first_and_says_what_its_figures_are(run: Run) -> None:
    _, out, err = run("take", "--by", "mother_tree")
    heads, first, *_ = out.splitlines()
    shown = (
        "mother tree cultivar lots grafts taken take low to high difference sure it is low verdict"
    )
    assert " ".join(heads.split()) == shown
    assert first.split()[:5] == ["Old-7", "Brellan", "9/11", "216", "82"]
    assert first.endswith("low")
    assert "late count: 17494 of 23384 grafts took (75%)" in err


def test_lots_without_the_count_that_is_judged_by_are_told(run: Run) -> None:
    _, out, err = run("take", "--by", "grafter", "--season", "2025")
    assert "50 of 342 lots have no late count and are left out" in err
    (row,) = (line.split() for line in out.splitlines() if line.startswith("P07"))
    assert row[1:4] == ["58/68", "1488", "1011"]
    assert "cultivar" not in out


def test_a_season_and_a_cultivar_may_be_asked_about_alone(run: Run) -> None:
    _, out, _ = run("take", "--by", "bundle", "--season", "2025", "--cultivar", "Brellan", "--json")
    items = [each["item"] for each in json.loads(out)["suspects"]]
    assert items
    assert all(item.startswith("B25-") for item in items)
    code, _, err = run("take", "--by", "bundle", "--season", "2019")
    assert (code, "there are no graft lots of 2019" in err) == (1, True)


def test_two_things_together_may_be_compared(run: Run) -> None:
    _, out, _ = run("take", "--by", "grafter*method", "--csv")
    rows = list(csv.DictReader(out.splitlines()))
    assert {row["item"].count("*") for row in rows} == {1}
    assert {row["factor"] for row in rows} == {"grafter*method"}


def test_without_a_factor_classes_are_summed_up_and_nobody_is_named(run: Run) -> None:
    _, out, err = run("take")
    assert "stock only" in out.splitlines()[0]
    assert "P07" not in out + err
    assert "G24-0106-1  18 of 23 grew at the early count, 11 at the late one" in out
    _, out, _ = run("take", "--json")
    rows = json.loads(out)["rows"]
    assert sum(row["pushing"] for row in rows if row["stage"] == "late") == 17494
    _, out, _ = run("take", "--csv")
    assert len(out.splitlines()) == len(rows) + 1


def test_people_are_compared_only_when_asked_for(run: Run) -> None:
    for words in (["--by", "mother_tree"], ["--by", "row"], ["--season", "2026"]):
        _, out, err = run("take", *words)
        assert "P07" not in out + err
    _, out, _ = run("take", "--by", "grafter")
    assert {line.split()[0] for line in out.splitlines()[1:6]} == {
        *("P05", "P06", "P07", "P08", "P09")
    }


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--by", "moon"], "not compared by 'moon'"),
        (["--by", "method*method"], "names the same twice"),
        (["--by", "collection*row*collection"], "names the same twice"),
        (["--count", "middle"], "'middle' is no count"),
        (["--by", "row", "--row-map", "N25"], "ask for one of them"),
        (["--row-map", "N25", "--cultivar", "Brellan"], "leave --cultivar out"),
        (["--picture", "take.png"], "a picture of what?"),
        (["--by", "season", "--picture", "take.jpg"], "end in .png or .svg"),
        (["--by", "season", "--picture", "no/folder/take.svg"], "cannot be written"),
        (["--row-map", "N99"], "block N99"),
        (["G25-0253-7"], "go with --why"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_a_sentence(
    run: Run, words: list[str], said: str
) -> None:
    code, out, err = run("take", *words)
    assert (code, out) == (1, "")
    assert said in err


def test_a_setting_changes_the_verdict(tmp_path: Path, run: Run, demo: str) -> None:
    import shutil

    own = shutil.copy(demo, tmp_path / "own.db")
    with Registry.open(own) as registry:
        registry.change_settings(recorder="P01", **{"take.least_grafts": "1000"})
        table = registry.take("mother_tree")
    assert {each.verdict for each in table.suspects} == {LowTake.NOT_ENOUGH}


# Pictures


def texts(file: Path) -> str:
    """Return an SVG file's comments, in which matplotlib repeats what it draws as outlines."""
    parser = ET.XMLParser(target=ET.TreeBuilder(insert_comments=True))
    root = ET.parse(file, parser).getroot()
    return "\n".join(each.text or "" for each in root.iter(ET.Comment))


def test_intervals_are_drawn_with_every_item_and_its_verdict(run: Run, tmp_path: Path) -> None:
    _, _, err = run("take", "--by", "mother_tree", "--picture", "trees.svg")
    assert "drawn: trees.svg" in err
    drawn = texts(tmp_path / "trees.svg")
    assert "Old-7" in drawn
    assert "216 grafts, low" in drawn
    assert "21 more are not shown" in drawn


def test_a_row_map_prints_the_take_of_every_lot(run: Run, tmp_path: Path) -> None:
    _, out, err = run("take", "--row-map", "N25", "--picture", "rows.svg", "--csv")
    rows = list(csv.DictReader(out.splitlines()))
    assert "drawn: rows.svg" in err
    drawn = texts(tmp_path / "rows.svg").splitlines()
    rates = [f" {100 * float(row['rate']):.0f} " for row in rows if row["rate"]]
    assert len(rates) > 200
    assert all(drawn.count(rate) >= rates.count(rate) for rate in set(rates))
    assert any("hatched: not counted then" in line for line in drawn)
    _, text, err = run("take", "--row-map", "N25", "--count", "early")
    assert "G25-0005-6" in text
    assert "block N25, season 2025, early count" in err


def test_a_picture_is_the_same_file_every_time(tmp_path: Path) -> None:
    table = take_table(worked_lots([{"late": 9}, {"tree": "T2", "late": 15}]), "bundle", Stage.LATE)
    for name in ("one.svg", "two.svg", "one.png", "two.png"):
        draw_intervals(table, tmp_path / name)
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()
    assert (tmp_path / "one.png").read_bytes().startswith(b"\x89PNG")


def test_a_name_with_dollars_in_it_is_no_formula(tmp_path: Path) -> None:
    place = {"block": "$\\alpha$", "row": 1, "first": 1, "last": 20, "late": 9}
    worked = worked_lots([place | {"tree": "$x_1$"}, place | {"tree": "$x_2$", "row": 2}])
    draw_intervals(take_table(worked, "mother_tree", Stage.LATE), tmp_path / "trees.svg")
    draw_row_map(row_map(worked, "$\\alpha$", Stage.LATE), tmp_path / "rows.svg")
    assert "$x_1$" in texts(tmp_path / "trees.svg")
    assert "$\\alpha$" in texts(tmp_path / "rows.svg")


def test_a_block_without_places_has_no_map(tmp_path: Path) -> None:
    found = row_map(worked_lots([{"block": "N1", "late": 9}]), "N1", Stage.LATE)
    with pytest.raises(RegistryError, match="no lot of block N1 has a row"):
        draw_row_map(found, tmp_path / "rows.svg")
