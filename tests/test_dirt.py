"""Files as they come in: from the evening's typing, spreadsheets, and other people's programs."""

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from conftest import Filled
from nursery import take_in_the_base
from openpyxl import Workbook, load_workbook

from scionreg.exchange.headers import kind_named
from scionreg.exchange.importing import Imported, import_files
from scionreg.records.errors import RegistryError
from scionreg.registry.rows import as_record, read_rows
from scionreg.registry.store import Store

TREE_1, TREE_2 = "T20-0001-2", "T20-0002-0"


@pytest.fixture
def engine() -> str:
    """A file: how cells are read does not depend on the database."""
    return "sqlite"


@pytest.fixture
def store(filled: Filled) -> Store:
    return filled(take_in_the_base)


def tree_codes(store: Store) -> list[str]:
    return [record["tree"] for record in records(store, "mother_trees")]


def records(store: Store, kind: str) -> list[dict[str, Any]]:
    with store.reading() as connection:
        return [as_record(kind, row) for _, _, row in read_rows(connection, kind)]


def take(store: Store, folder: Path, name: str, content: str | bytes) -> Imported:
    """Import one file with the given content."""
    file = folder / name
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    return import_files(store, [file], by="P01")


def found(imported: Imported) -> list[tuple[str, int, str]]:
    return [(problem.rule, problem.line, problem.column) for problem in imported.problems]


def test_trees_of_the_base_folder_are_those_used_here(store: Store) -> None:
    assert tree_codes(store)[:2] == [TREE_1, TREE_2]


def test_everything_wrong_in_a_file_is_said_at_once(store: Store, tmp_path: Path) -> None:
    imported = take(
        store,
        tmp_path,
        "collections.csv",
        "collection,tree,date,cutter,sticks,count\n"
        f"A1,{TREE_1},2026-01-20,P01,40+,\n"
        f"A2,{TREE_2},2/4/2026,P01,~50,\n"
        "A3,,2026-01-20,P01,12,counted\n"
        "A4,ditto,2026-01-20,do.,12,counted\n"
        f"A5,{TREE_1},2026-01-21,P01,10,counted\n"
        "Total,,,,124,\n",
    )
    assert found(imported) == [
        ("rough_number", 2, "sticks"),
        ("ambiguous_date", 3, "date"),
        ("rough_number", 3, "sticks"),
        ("missing_value", 4, "tree"),
        ("ditto", 5, "cutter"),
        ("ditto", 5, "tree"),
        ("totals_row", 7, "collection"),
    ]
    assert "A5" not in [record["collection"] for record in records(store, "collections")]


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Fern", "Fernhill"),
        ("FERNHIL", "Fernhill"),
        ("Fernhill?", "Fernhill"),
        ("Old", "Oldgate"),
        ("O. Gate", "Oldgate"),
        ("big tree by barn", ""),
        ("Row 6 #14 from N", ""),
    ],
)
def test_a_name_cut_short_or_misspelt_is_proposed_and_never_resolved(
    store: Store, tmp_path: Path, written: str, meant: str
) -> None:
    imported = take(store, tmp_path, "mother_trees.csv", f"tree,cultivar\nX1,{written}\n")
    (problem,) = imported.problems
    assert (problem.rule, problem.value) == ("unknown_cultivar", written)
    assert problem.right.startswith(f"perhaps {meant};" if meant else "use a name on the list")
    assert "X1" not in tree_codes(store)


def test_an_alias_is_kept_as_it_was_written(store: Store, tmp_path: Path) -> None:
    assert take(store, tmp_path, "mother_trees.csv", "tree,cultivar\nX1,FH\n").changed
    assert records(store, "mother_trees")[-1]["cultivar"] == "FH"


HEADER = "tree,date,event,detail"
EVENT = f"{TREE_1},2025-06-01,treated,sulphur"


@pytest.mark.parametrize(
    "content",
    [
        f"{HEADER}\n{EVENT}\n",
        f"\ufeff{HEADER}\n{EVENT}\n",
        f"{HEADER}\r\n{EVENT}\r\n",
        f"{HEADER}\n{EVENT}",
        f"{HEADER}\n\n{EVENT}\n\n\n",
        f"{HEADER}\n{EVENT}\n,,,\n,,,\n",
        f"{HEADER}\n{EVENT},,,\n",
        f"{HEADER}\n {TREE_1} , 2025-06-01 ,Treated,sulphur \n",
        f"Mother Tree,Date,EVENT,detail\n{EVENT}\n",
        f'"tree","date","event","detail"\n"{TREE_1}","2025-06-01","treated","sulphur"\n',
    ],
    ids=[
        "plain",
        "byte-order mark",
        "carriage returns",
        "no last line end",
        "blank lines",
        "rows of separators",
        "spare cells",
        "blanks and capitals",
        "other headers",
        "quoted",
    ],
)
def test_harmless_dirt_is_read_past(store: Store, tmp_path: Path, content: str) -> None:
    imported = take(store, tmp_path, "tree_events.csv", content)
    assert imported.problems == ()
    assert imported.recorded == {"tree_events": 1}
    assert records(store, "tree_events")[-1] == {
        "tree": TREE_1,
        "date": "2025-06-01",
        "event": "treated",
        "detail": "sulphur",
    }


def test_lines_are_counted_past_blank_lines_and_cells_of_several_lines(
    store: Store, tmp_path: Path
) -> None:
    content = f'{HEADER}\n\n{TREE_1},2025-06-01,treated,"two\nlines"\n{TREE_1},soon,treated,x\n'
    assert found(take(store, tmp_path, "tree_events.csv", content)) == [("not_a_date", 5, "date")]


@pytest.mark.parametrize(
    ("content", "rule", "line"),
    [
        (b"", "unreadable_file", 1),
        (b"\n", "unreadable_file", 1),
        (f"{HEADER}\n{EVENT}\n".encode("utf-16")[:-1], "unreadable_file", 0),
        (f"{HEADER}\n{EVENT} für\n".encode("latin-1"), "unreadable_file", 2),
        (f'{HEADER}\n{TREE_1},2025-06-01,treated,"open\n'.encode(), "unreadable_file", 2),
        (f"{HEADER}\n{EVENT},more\n".encode(), "ragged_row", 2),
        (f"{HEADER},tree\n{EVENT},{TREE_1}\n".encode(), "unknown_column", 1),
        (b"date,event\n2025-06-01,treated\n", "missing_column", 1),
    ],
    ids=[
        "empty",
        "one blank line",
        "UTF-16 cut off",
        "Latin-1",
        "open quote",
        "a cell too many",
        "a column twice",
        "no key",
    ],
)
def test_a_file_of_another_form_is_refused_where_it_goes_wrong(
    store: Store, tmp_path: Path, content: bytes, rule: str, line: int
) -> None:
    (problem,) = take(store, tmp_path, "tree_events.csv", content).problems
    assert (problem.rule, problem.line) == (rule, line)


@pytest.mark.parametrize("separator", [",", ";", "\t"], ids=["commas", "semicolons", "tabs"])
@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_a_file_is_read_as_its_header_shows_it(
    store: Store, tmp_path: Path, separator: str, coding: str
) -> None:
    mark = "\ufeff" if coding in ("utf-16-le", "utf-16-be") else ""
    lines = [HEADER, f'{TREE_1},2025-06-01,treated,"für, und; wider"', f"{TREE_2},1.6.2025,died,"]
    quoted = "für, und; wider"
    text = "\r\n".join(
        quoted.join(part.replace(",", separator) for part in line.split(quoted)) for line in lines
    )
    path = tmp_path / "tree_events.csv"
    path.write_bytes(f"{mark}{text}\r\n".encode(coding))
    before = len(records(store, "tree_events"))
    imported = import_files(store, [path], by="P01")
    assert found(imported) == [("ambiguous_date", 3, "date")]
    path.write_bytes(f"{mark}{text}\r\n".replace("1.6.2025", "16.6.2025").encode(coding))
    assert not import_files(store, [path], by="P01").problems
    new = records(store, "tree_events")[before:]
    assert [(each["date"], each.get("detail")) for each in new] == [
        *(("2025-06-01", quoted), ("2025-06-16", None))
    ]


def test_decimal_commas_are_taken_where_semicolons_part_the_cells(
    store: Store, tmp_path: Path
) -> None:
    header = "collection;tree;date;cutter;sticks;share_cut;shoot_length_cm;latitude;longitude"
    row = f"A1;{TREE_1};2026-01-20;P01;30;0,25;62,5;36.418;-95,771"
    imported = take(store, tmp_path, "collections.csv", f"{header}\n{row}\n")
    assert not imported.refused
    (made,) = [each for each in records(store, "collections") if each["collection"] == "A1"]
    assert (made["share_cut"], made["shoot_length_cm"]) == (0.25, 62.5)
    assert (made["latitude"], made["longitude"]) == (36.418, -95.771)


def test_a_point_that_may_part_thousands_is_refused_beside_semicolons(
    store: Store, tmp_path: Path
) -> None:
    rows = f"collection;tree;date;cutter;sticks\nA1;{TREE_1};2026-01-20;P01;1.200\n"
    problems = take(store, tmp_path, "collections.csv", rows).problems
    (problem,) = [each for each in problems if each.trouble == "refused"]
    assert (problem.rule, problem.line, problem.column) == ("not_a_number", 2, "sticks")
    assert problem.right == "write 1200 or 1,200"


def test_a_file_in_a_code_page_of_windows_is_told_to_be_in_it(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "tree_events.csv"
    path.write_bytes(f"{HEADER}\n{EVENT} für\n".encode("cp1252"))
    (problem,) = import_files(store, [path], by="P01").problems
    assert "code page of Windows" in problem.wrong
    assert "für" in problem.wrong
    assert "CSV UTF-8" in problem.right


def test_a_stray_cell_beside_the_table_of_a_workbook_is_told_by_its_column(
    store: Store, tmp_path: Path
) -> None:
    file = workbook(
        tmp_path / "winter.xlsx",
        cuttings=[
            ["collection", "tree", "date", "cutter", "sticks"],
            ["A1", TREE_1, dt.date(2026, 1, 20), "P01", 30, None, "wind, stopped at 3"],
        ],
    )
    (problem,) = import_files(store, [file], by="P01").problems
    assert (problem.rule, problem.line) == ("ragged_row", 2)
    assert problem.wrong == "there is something right of the table, in column G"
    assert "notes" in problem.right


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        *(("person", "people"), ("Trees", "mother_trees"), ("tree", "mother_trees")),
        *(("GRAFT LOT", "graft_lots"), ("cutting", "collections"), ("variety", "cultivars")),
        *(("dispatch", "dispatches"), ("take-counts", "take_counts"), ("box", None)),
    ],
)
def test_a_kind_is_known_by_one_or_several_of_it_in_any_letters(
    name: str, kind: str | None
) -> None:
    assert kind_named(name) == kind


def workbook(file: Path, **sheets: list[list[Any]]) -> Path:
    """Write a workbook with the given rows on each sheet."""
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(file)
    return file


def test_a_workbook_s_dates_numbers_and_empty_columns_are_read(
    store: Store, tmp_path: Path
) -> None:
    file = workbook(
        tmp_path / "winter.xlsx",
        Cuttings=[
            ["Collection", "Source tree", "Date", "Collector", "Sticks", "Share cut", None],
            ["A1", TREE_1, dt.date(2026, 1, 20), "P01", 30.0, 0.25, None],
            [None, None, None, None, None, None, None],
            [
                "A2",
                TREE_2,
                dt.datetime.combine(dt.date(2026, 1, 20), dt.time()),
                "P01",
                "25",
                None,
                None,
            ],
        ],
        Notes=[[None]],
    )
    imported = import_files(store, [file], by="P01")
    assert imported.problems == ()
    first, second = records(store, "collections")[-2:]
    assert (first["date"], first["sticks"], first["share_cut"]) == ("2026-01-20", 30, 0.25)
    assert (second["date"], second["sticks"]) == ("2026-01-20", 25)


def test_merged_cells_leave_blanks_that_are_asked_about(store: Store, tmp_path: Path) -> None:
    file = workbook(
        tmp_path / "winter.xlsx",
        collections=[
            ["collection", "tree", "sticks", "date"],
            ["A1", TREE_1, 30, dt.date(2026, 1, 20)],
            ["A2", None, 25, dt.date(2026, 1, 21)],
            ["Total", None, 55, None],
        ],
    )
    book = load_workbook(file)
    book["collections"].merge_cells("B2:B3")
    book.save(file)
    imported = import_files(store, [file], by="P01")
    assert found(imported) == [("missing_value", 3, "tree"), ("totals_row", 4, "collection")]
    assert {problem.file for problem in imported.problems} == {"winter.xlsx[collections]"}
    assert "its value again" in imported.problems[0].right


@pytest.mark.parametrize("name", ["winter.csv", "winter.xlsx"])
def test_a_file_that_names_no_record_kind_is_refused(
    store: Store, tmp_path: Path, name: str
) -> None:
    file = tmp_path / name
    if name.endswith("xlsx"):
        workbook(file, Sheet1=[["tree"], [TREE_1]])
    else:
        file.write_text(f"tree\n{TREE_1}\n")
    with pytest.raises(RegistryError, match="named like"):
        import_files(store, [file], by="P01")


def test_a_damaged_workbook_is_said_plainly(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "collections.xlsx"
    file.write_bytes(b"PK\x03\x04 cut off")
    with pytest.raises(RegistryError, match="no workbook that can be read"):
        import_files(store, [file], by="P01")
