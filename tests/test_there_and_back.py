"""Files that come back: rows without a code, rows that were changed, and rows that repeat."""

import random
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from conftest import Filled
from full_nursery import RECORDS, write_folder
from hypothesis import given, settings
from hypothesis import strategies as st
from nursery import actions, add, everything, faults_of, furnish, value

from scionreg.exchange.importing import Imported, import_files
from scionreg.records import codes
from scionreg.records.errors import RegistryError
from scionreg.registry.correcting import correct, void
from scionreg.registry.history import history
from scionreg.registry.store import Store
from scionreg.registry.undoing import undo

Run = Callable[..., Any]
NewStore = Callable[[], AbstractContextManager[Store]]
LOT_CODE = "G26-0001-7"
LOTS = "graft_lot,bundle,date,grafter,method,grafts\n"
ROW = "B26-0001-7,2026-03-11,P01,whip,{}\n"


def taken(store: Store, file: Path, text: str, **how: object) -> Imported:
    file.write_text(text)
    return import_files(store, [file], by="P01", **how)  # type: ignore[arg-type]


@pytest.fixture
def lots(tmp_path: Path) -> Path:
    return tmp_path / "graft_lots.csv"


def codes_of(store: Store, kind: str) -> list[str]:
    return [str(row[0]) for row in everything(store)[kind]]


# ----------------------------------------------------------- rows without a code


def test_a_row_without_a_code_has_one_issued_of_its_own_season(nursery: Store, lots: Path) -> None:
    text = LOTS + "," + ROW.format(3) + "," + ROW.format(4)
    assert taken(nursery, lots, text).recorded == {"graft_lots": 2}
    assert codes_of(nursery, "graft_lots") == [codes.issue("G", 2026, n) for n in (1, 2, 3)]
    assert faults_of(nursery) == []


def test_the_same_rows_again_are_there_already_and_rows_added_to_them_are_new(
    nursery: Store, lots: Path
) -> None:
    twice = LOTS + 2 * ("," + ROW.format(3))
    taken(nursery, lots, twice)
    before = everything(nursery), actions(nursery)
    again = taken(nursery, lots, twice)
    assert (again.changed, again.repeated) == (False, {"graft_lots": 2})
    assert (everything(nursery), actions(nursery)) == before
    more = taken(nursery, lots, twice + "," + ROW.format(3) + "," + ROW.format(9))
    assert (more.recorded["graft_lots"], more.repeated["graft_lots"]) == (2, 2)
    assert len(set(codes_of(nursery, "graft_lots"))) == 5


def test_what_was_corrected_or_voided_since_does_not_come_in_anew(
    nursery: Store, lots: Path
) -> None:
    text = LOTS + "," + ROW.format(3) + "," + ROW.format(4)
    taken(nursery, lots, text)
    _, first, second = codes_of(nursery, "graft_lots")
    correct(nursery, "graft_lots", first, {"grafts": 5}, by="P01", why="counted again")
    void(nursery, "graft_lots", second, by="P01", why="never made")
    before = everything(nursery)
    for how in ({}, {"correct": True, "why": "as in the file"}):
        assert not taken(nursery, lots, text, **how).changed
    assert everything(nursery) == before


def test_codes_issued_keep_clear_of_those_that_the_file_has(nursery: Store, lots: Path) -> None:
    far = codes.issue("G", 2026, 40)
    text = LOTS + "," + ROW.format(3) + far + "," + ROW.format(4)
    assert taken(nursery, lots, text).problems == ()
    assert codes_of(nursery, "graft_lots")[1:] == [far, codes.issue("G", 2026, 41)]


def test_a_row_without_a_code_that_cannot_be_is_refused_by_its_line_alone(
    nursery: Store, lots: Path
) -> None:
    text = LOTS + "," + ROW.format("many") + "," + ROW.format(4)
    (problem,) = taken(nursery, lots, text).problems
    assert (problem.line, problem.column) == (2, "grafts")
    assert len(codes_of(nursery, "graft_lots")) == 1


def test_what_goes_to_one_customer_on_one_day_is_one_dispatch(
    nursery: Store, lots: Path, tmp_path: Path
) -> None:
    taken(nursery, lots, LOTS + "L2," + ROW.format(4))
    rows = [
        f",{LOT_CODE},2026-11-05,CU1,2",
        ",L2,2026-11-05,CU1,1",
        ",L2,2026-11-05,CU2,1",
        f",{LOT_CODE},2026-11-05,CU1,3",
    ]
    text = "dispatch,graft_lot,date,customer,trees\n" + "\n".join(rows) + "\n"
    file = tmp_path / "dispatches.csv"
    assert taken(nursery, file, text).recorded == {"dispatches": 4}
    sent = codes_of(nursery, "dispatches")
    assert sorted(map(sent.count, set(sent))) == [1, 1, 2]
    assert not taken(nursery, file, text).changed


# --------------------------------------------------------------- corrections


def test_a_file_that_was_changed_becomes_corrections_and_new_records_in_one_line(
    nursery: Store, lots: Path
) -> None:
    text = LOTS + "L1," + ROW.format(3) + "L2," + ROW.format(4)
    taken(nursery, lots, text)
    changed = text.replace("whip,3", "tongue,5") + "," + ROW.format(7)
    done = taken(nursery, lots, changed, correct=True, why="read again")
    assert (done.recorded, done.corrected) == ({"graft_lots": 1}, {"graft_lots": 1})
    (made,) = done.corrections
    assert (made.found.key, made.line) == ("L1", 2)
    assert actions(nursery)[9:] == ["import"]
    with nursery.reading() as connection:
        steps = history(connection, "graft_lots", "L1")
    assert [(step.why, step.record["grafts"]) for step in steps] == [("", 3), ("read again", 5)]
    assert faults_of(nursery) == []
    before = everything(nursery)
    undo(nursery, by="P01")
    assert value(nursery, "graft_lots", "L1", "grafts") == 3
    assert faults_of(nursery) == []
    assert len(everything(nursery)["graft_lots"]) == len(before["graft_lots"]) - 1


def test_columns_that_the_file_does_not_have_stay_as_they_are(nursery: Store, lots: Path) -> None:
    correct(nursery, "graft_lots", LOT_CODE, {"stock_mm": 9}, by="P01", why="measured")
    text = LOTS + LOT_CODE + ",B26-0001-7,2026-03-10,P01,whip,19\n"
    done = taken(nursery, lots, text, correct=True, why="counted again")
    assert done.corrected == {"graft_lots": 1}
    assert value(nursery, "graft_lots", LOT_CODE, "stock_mm") == "9"
    assert not taken(nursery, lots, text, correct=True, why="again").changed


def test_without_being_asked_nothing_is_corrected_and_the_way_is_named(
    nursery: Store, lots: Path
) -> None:
    text = LOTS + LOT_CODE + ",B26-0001-7,2026-03-10,P01,whip,19\n"
    (problem,) = taken(nursery, lots, text).problems
    assert "is recorded with grafts 20, here 19" in problem.wrong
    assert "import --correct" in problem.right
    with pytest.raises(RegistryError, match="say why"):
        taken(nursery, lots, text, correct=True)
    dry = taken(nursery, lots, text, correct=True, dry_run=True)
    assert (dry.corrected, dry.changed) == ({"graft_lots": 1}, False)
    assert value(nursery, "graft_lots", LOT_CODE, "grafts") == 20


def test_rules_are_asked_of_corrections_and_name_their_lines(nursery: Store, lots: Path) -> None:
    before = everything(nursery)
    text = LOTS + "L1," + ROW.format(3) + LOT_CODE + ",B26-0001-7,2026-01-02,P01,whip,20\n"
    done = taken(nursery, lots, text, correct=True, why="x")
    assert [(each.rule, each.line) for each in done.problems if each.trouble == "refused"] == [
        ("used_before_cut", 3),
        ("used_before_packed", 3),
    ]
    assert everything(nursery) == before


def test_a_record_that_stands_twice_in_a_file_is_not_corrected_to_both(
    nursery: Store, lots: Path
) -> None:
    rows = "".join(f"{LOT_CODE},B26-0001-7,2026-03-10,P01,whip,{n}\n" for n in (18, 19))
    (problem,) = taken(nursery, lots, LOTS + rows, correct=True, why="x").problems
    assert (problem.line, problem.right[:15]) == (3, "keep one of the")


def test_a_clash_of_counts_names_the_natural_mending(nursery: Store) -> None:
    count = {"graft_lot": LOT_CODE, "date": "2026-05-01"}
    add(nursery, "take_counts", **count, pushing=15)
    with pytest.raises(RegistryError, match="scionreg correct G26-0001-7/2026-05-01") as refused:
        add(nursery, "take_counts", **count, pushing=12)
    assert "code of its own" not in str(refused.value)


@settings(max_examples=3)
@given(seed=st.integers(0, 2**32))
def test_an_exported_folder_that_is_changed_anyhow_comes_back_or_is_refused_whole(
    new_store: NewStore, tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    chance = random.Random(seed)
    folder = write_folder(tmp_path_factory.mktemp("full") / "season", RECORDS)
    with new_store() as store:
        import_files(store, [folder], by="P01")
        for _ in range(5):
            file = chance.choice(sorted(folder.glob("*.csv")))
            header, *rows = file.read_text().splitlines()
            at = chance.randrange(len(rows))
            cells = rows[at].split(",")
            cells[chance.randrange(len(cells))] = chance.choice(["", "1", "2026-02-02", "Oldgate"])
            rows[at] = ",".join(cells)
            before = everything(store)
            old = file.read_text()
            file.write_text("\n".join([header, *rows]) + "\n")
            done = import_files(store, [file], by="P01", correct=True, why="changed")
            if done.refused:
                assert everything(store) == before
                file.write_text(old)
            elif done.changed:
                undo(store, by="P01")
                assert everything(store) == before
                file.write_text(old)
            assert faults_of(store) == []


# ------------------------------------------------------------- as it is told


@pytest.fixture
def told(filled: Filled, run: Run, monkeypatch: pytest.MonkeyPatch, lots: Path) -> Run:
    """Run commands on a nursery whose lots L1 to L9 came from a file."""
    store = filled(furnish)
    taken(store, lots, LOTS + "".join(f"L{n}," + ROW.format(1) for n in range(1, 10)))
    monkeypatch.setenv("SCIONREG_REGISTRY", store.url.render_as_string(hide_password=False))
    monkeypatch.setenv("SCIONREG_BY", "P01")
    return run


def test_rows_that_differ_are_told_with_the_way_to_correct_them(told: Run, lots: Path) -> None:
    lots.write_text(lots.read_text().replace("whip,1", "whip,2"))
    said = told("import", str(lots))
    assert said.code == 1
    assert "9 rows differ from what is recorded; scionreg import --correct takes" in said.err
    assert "graft_lots.csv:10: grafts: L9 is recorded with grafts 1, here 2" in said.err
    assert "say why" in told("import", str(lots), "--correct").err
    done = told("import", str(lots), "--correct", "--why", "counted again")
    assert (done.code, "9 graft lots corrected" in done.err) == (0, True)
    assert "  grafts: 1 -> 2" in done.err
    assert "counted again" in told("history", "L9").out


def test_at_a_terminal_corrections_are_shown_and_asked_about(
    told: Run, lots: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lots.write_text(lots.read_text().replace("L1," + ROW.format(1), "L1," + ROW.format(2)))
    answers = iter(["miscounted", "no", "miscounted", "yes"])
    monkeypatch.setattr("scionreg.cli.console.is_terminal", lambda: True)
    monkeypatch.setattr("typer.prompt", lambda *_, **__: next(answers))
    said = told("import", str(lots), "--correct")
    assert (said.code, "grafts: 1 -> 2" in said.err) == (1, True)
    assert "miscounted" not in told("history", "L1").out
    assert told("import", str(lots), "--correct").code == 0
    assert "miscounted" in told("history", "L1").out


def test_what_is_the_same_of_many_rows_is_one_line_and_hides_nothing(
    told: Run, lots: Path, tmp_path: Path
) -> None:
    rows = [f"M{n},B26-0001-7,2026-03-11,,whip,1" for n in range(50)]
    rows += ["M50,B26-0001-7,2026-03-11,P77,whip,1", "M51,B26-0001-7,2026-03-11,,whip,some"]
    lots.write_text(LOTS + "\n".join(rows) + "\n")
    said = told("import", str(lots), "--problems", str(tmp_path / "all.csv"))
    told_of = [line for line in said.err.splitlines() if line.startswith("refused:")]
    assert len(told_of) == 3
    assert "51 rows (lines 2, 3, 4, 5, 6 and 46 more): grafter: the cell is empty" in told_of[0]
    assert ["P77" in each for each in told_of].count(True) == 1
    assert ["some" in each for each in told_of].count(True) == 1
    assert "53 refused" in said.err
    assert len((tmp_path / "all.csv").read_text().splitlines()) == 54
