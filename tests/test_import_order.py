"""Files in any order or in parts, references that come later, and the list of problems."""

import csv
import io
import itertools
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from full_nursery import RECORDS, contents, write_folder
from hypothesis import given, settings
from hypothesis import strategies as st
from nursery import add, faults_of, furnish

from scionreg.exchange.importing import PROBLEM_COLUMNS, import_files, write_problems
from scionreg.exchange.sources import Rows
from scionreg.records import codes
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Trouble
from scionreg.registry.create import create_store
from scionreg.registry.store import Store


@pytest.fixture
def full(tmp_path: Path) -> Path:
    """A season folder with records of every kind."""
    return write_folder(tmp_path / "full", RECORDS)


@settings(max_examples=5)
@given(chance=st.randoms(use_true_random=False))
def test_the_files_of_a_season_go_in_in_any_order(
    tmp_path_factory: pytest.TempPathFactory, chance: random.Random
) -> None:
    place = tmp_path_factory.mktemp("order")
    files = sorted(write_folder(place / "full", RECORDS).glob("*.csv"))
    chance.shuffle(files)
    found = []
    for paths in ([place / "full"], files):
        store = create_store(place / f"{len(paths)}.db")
        assert not import_files(store, paths, by="P01").refused
        found.append({kind: sorted(rows, key=repr) for kind, rows in contents(store).items()})
        assert faults_of(store) == []
        store.close()
    assert found[0] == found[1]


def test_kinds_that_name_each_other_go_in_with_one_import_only(store: Store, full: Path) -> None:
    files = sorted(full.glob("*.csv"))
    assert not import_files(store, files[::-1], by="P01").refused
    assert {kind: len(rows) for kind, rows in contents(store).items()} == {
        kind: len(rows) for kind, rows in RECORDS.items()
    }


def test_rows_may_name_rows_further_down(nursery: Store, tmp_path: Path) -> None:
    file = tmp_path / "graft_lots.csv"
    file.write_text(
        "graft_lot,bundle,grafter,method,date,grafts,regraft_of\n"
        "G-2,B26-0001-7,P01,whip,2026-04-02,3,G-1\n"
        "G-1,B26-0001-7,P01,whip,2026-03-10,5,\n"
    )
    imported = import_files(nursery, [file], by="P01")
    assert imported.recorded == {"graft_lots": 2}
    assert faults_of(nursery) == []


def test_any_number_of_codes_may_be_named(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More than a column's reader remembers: what it forgot is still looked up."""
    monkeypatch.setattr("scionreg.registry.intake.CACHE", 3)
    monkeypatch.setattr("scionreg.exchange.importing.SMALL_BATCH_ROWS", 2)
    furnish(store)
    missing = [codes.issue("B", 2026, serial) for serial in range(900, 910)]
    named = [bundle for each in missing for bundle in (each, "B26-0001-7")]
    file = tmp_path / "graft_lots.csv"
    file.write_text(
        "graft_lot,bundle,grafter,method,date,grafts\n"
        + "".join(f"G-{n},{b},P01,whip,2026-04-02,3\n" for n, b in enumerate(named))
    )
    found = import_files(store, [file], by="P01").problems
    assert {problem.rule for problem in found} == {"unknown_reference"}
    assert [(problem.value, problem.line) for problem in found] == [
        (each, 2 + 2 * place) for place, each in enumerate(missing)
    ]


def test_repeats_among_many_rows_are_told_from_clashes(nursery: Store, tmp_path: Path) -> None:
    header = "graft_lot,bundle,grafter,method,date,grafts\n"
    lots = [f"G-{n},B26-0001-7,P01,whip,2026-04-02,3\n" for n in range(200)]
    file = tmp_path / "graft_lots.csv"
    file.write_text(header + "".join(lots[::3]))
    assert import_files(nursery, [file], by="P01").recorded == {"graft_lots": 67}
    file.write_text(header + "".join([*lots, lots[1], lots[150]]))
    imported = import_files(nursery, [file], by="P01")
    assert not imported.refused
    assert imported.recorded == {"graft_lots": 133}
    assert imported.repeated == {"graft_lots": 69}
    assert faults_of(nursery) == []
    again = [lots[0], lots[100].replace(",3\n", ",4\n"), "G-new" + lots[7][3:]]
    file.write_text(header + "".join([*lots[:70], *again]))
    problems = import_files(nursery, [file], by="P01").problems
    (clash,) = (each for each in problems if each.trouble is Trouble.REFUSED)
    assert (clash.rule, clash.key, clash.line) == ("duplicate_key", "G-100", 73)


def test_a_tree_and_the_lot_it_grew_from_come_in_together(nursery: Store, tmp_path: Path) -> None:
    (tmp_path / "mother_trees.csv").write_text(
        "tree,cultivar,graft_lot,planted\nAB-2,Fernhill,G-1,2026-06-01\n"
    )
    (tmp_path / "graft_lots.csv").write_text(
        "graft_lot,bundle,grafter,method,date,grafts\nG-1,B26-0001-7,P01,whip,2026-03-10,5\n"
    )
    alone = import_files(nursery, [tmp_path / "mother_trees.csv"], by="P01")
    assert [(each.rule, each.line, each.column) for each in alone.problems] == [
        ("unknown_reference", 2, "graft_lot")
    ]
    assert not import_files(nursery, [tmp_path], by="P01").refused
    assert faults_of(nursery) == []


def test_a_reference_to_a_row_refused_for_another_reason_is_not_held_against_it(
    nursery: Store, tmp_path: Path
) -> None:
    (tmp_path / "bundles.csv").write_text(
        "bundle,collection,sticks,packed\nB-1,C26-0001-7,40+,2026-01-20\n"
    )
    (tmp_path / "graft_lots.csv").write_text(
        "graft_lot,bundle,grafter,method,date,grafts\nG-1,B-1,P01,whip,2026-03-10,5\n"
    )
    imported = import_files(nursery, [tmp_path], by="P01")
    assert [(each.file, each.rule) for each in imported.problems] == [
        ("bundles.csv", "rough_number")
    ]


def test_two_files_of_one_kind_are_told_apart(store: Store, tmp_path: Path) -> None:
    for name, row in (("stores.csv", "Cooler,cooler"), ("more.csv", "Box,chest")):
        (tmp_path / name).write_text(f"store,kind\n{row}\n")
    files = [tmp_path / "stores.csv", tmp_path / "more.csv"]
    imported = import_files(store, files, kind="stores", by="P01")
    assert imported.files == ("stores.csv", "more.csv")
    assert [(each.file, each.line, each.value) for each in imported.problems] == [
        ("more.csv", 2, "chest")
    ]
    assert not any(contents(store).values())


def test_problems_are_listed_in_the_order_of_files_and_lines(
    nursery: Store, tmp_path: Path
) -> None:
    (tmp_path / "collections.csv").write_text(
        "collection,tree,sticks,date\n"
        "C-1,T-nowhere,5,2026-01-20\n"
        "C-2,T26-0001-7,many,2026-01-20\n"
        "C-3,T26-0001-7,5,2026-13-20\n"
    )
    (tmp_path / "people.csv").write_text("person\nno code at all\n")
    imported = import_files(nursery, [tmp_path], by="P01")
    places = [(each.file, each.line, each.column) for each in imported.problems]
    assert places == [
        ("people.csv", 2, "person"),
        ("collections.csv", 2, "tree"),
        ("collections.csv", 3, "sticks"),
        ("collections.csv", 4, "date"),
    ]


def test_the_list_of_problems_is_a_table_to_work_through(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "stores.csv"
    file.write_text('store,kind\nCooler,"=cmd()|\'x\'"\n"A, ""B""",chest\n')
    imported = import_files(store, [file], by="P01")
    written = io.StringIO()
    write_problems(imported.problems, written)
    first, second = csv.DictReader(io.StringIO(written.getvalue()))
    assert tuple(first) == PROBLEM_COLUMNS
    assert (first["file"], first["line"], first["column"]) == ("stores.csv", "2", "kind")
    assert first["value"] == "'=cmd()|'x'"  # shielded: a spreadsheet would run it
    assert (second["line"], second["value"], second["key"]) == ("3", "chest", 'A, "B"')
    assert first["trouble"] == second["trouble"] == "refused"
    assert "cooler" in first["right"]
    assert not any(row[0] in "=+-@" for row in csv.reader(io.StringIO(written.getvalue())) if row)


def test_an_import_in_parts_is_the_import_of_the_whole(nursery: Store, tmp_path: Path) -> None:
    rows = [f"C-{n},T26-0001-7,2026-01-{n:02d},{n}" for n in range(1, 13)]
    header = "collection,tree,date,sticks"
    file = tmp_path / "collections.csv"
    recorded = []
    for part in (rows[:5], rows[3:9], rows[:12], rows):
        file.write_text("\n".join([header, *part]) + "\n")
        recorded.append(import_files(nursery, [file], by="P01").recorded["collections"])
    assert recorded == [5, 4, 3, 0]
    assert len(contents(nursery)["collections"]) == 1 + 12
    assert faults_of(nursery) == []


def test_what_was_recorded_by_hand_is_known_again_in_a_file(nursery: Store, tmp_path: Path) -> None:
    made = add(nursery, "collections", tree="T26-0001-7", date="2026-01-21", sticks=7)
    file = tmp_path / "collections.csv"
    file.write_text(f"collection,tree,date,sticks\n{made.key},T26-0001-7,2026-01-21,7\n")
    again = import_files(nursery, [file], by="P01")
    assert (again.changed, again.repeated) == (False, {"collections": 1})
    file.write_text(f"collection,tree,date,sticks\n{made.key},T26-0001-7,2026-01-21,8\n")
    other = import_files(nursery, [file], by="P01")
    assert [(each.rule, each.line, each.column) for each in other.problems] == [
        ("duplicate_key", 2, "sticks")
    ]


def test_paths_that_hold_nothing_are_refused_plainly(store: Store, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for path, said in (("nothing.csv", "there is no file"), ("empty", "holds no records")):
        with pytest.raises(RegistryError, match=said):
            import_files(store, [tmp_path / path], by="P01")


def test_a_header_without_rows_is_no_problem_and_no_change(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "people.csv"
    file.write_text("person,roles,mark\n")
    imported = import_files(store, [file], by="P01")
    assert (imported.problems, imported.changed) == ((), False)


def test_every_column_order_is_read(store: Store, tmp_path: Path) -> None:
    cells = {"store": "Cooler", "kind": "cooler"}
    file = tmp_path / "stores.csv"
    for names in itertools.permutations(cells):
        file.write_text(f"{','.join(names)}\n{','.join(cells[name] for name in names)}\n")
        assert not import_files(store, [file], by="P01").refused
    assert contents(store)["stores"] == [("Cooler", "cooler", None)]


@settings(max_examples=300)
@given(
    text=st.text(st.sampled_from('ab,"\n\r \u2028\x00'), max_size=40),
    count=st.integers(1, 4),
)
def test_rows_of_csv_are_those_that_the_csv_module_reads(text: str, count: int) -> None:
    def rows_and_lines(take: Callable[[int], list[list[str]]], line: Callable[[], int]) -> Any:
        found: list[Any] = []
        try:
            while rows := take(count):
                found.append(([row for row in rows if any(row)], line()))
        except csv.Error as fault:
            found.append((str(fault), line()))
        return found

    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows = Rows(io.StringIO(text, newline=""))
    expected = rows_and_lines(
        lambda size: list(itertools.islice(reader, size)), lambda: reader.line_num
    )
    assert rows_and_lines(rows.take, lambda: rows.line) == expected
