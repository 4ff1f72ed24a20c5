"""Workbooks and folders that lose something: every row and file is read, or it is said."""

import re
import zipfile
from pathlib import Path
from typing import Any

import pytest
from conftest import Filled
from nursery import everything, furnish
from openpyxl import Workbook, load_workbook

from scionreg.exchange.importing import Imported, import_files
from scionreg.exchange.templates import write_template
from scionreg.records.errors import RegistryError
from scionreg.registry.store import Store

TREES = [["tree", "cultivar", "planted", "notes"]]
TREES += [[f"AB-{n}", "Fernhill", "2020-03-01", f"row {n}"] for n in range(1, 6)]


@pytest.fixture
def engine() -> str:
    """Read files into SQLite alone: the database has no part in it."""
    return "sqlite"


@pytest.fixture
def nursery(filled: Filled) -> Store:
    return filled(furnish)


def saved(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def edited(path: Path, *changes: tuple[str, str]) -> Path:
    """Return a workbook with the text of its first sheet changed by regular expressions."""
    with zipfile.ZipFile(path) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    text = parts["xl/worksheets/sheet1.xml"].decode()
    for pattern, new in changes:
        text, count = re.subn(pattern, new, text)
        assert count, pattern
    parts["xl/worksheets/sheet1.xml"] = text.encode()
    with zipfile.ZipFile(path, "w") as new_one:
        for name, content in parts.items():
            new_one.writestr(name, content)
    return path


def taken(nursery: Store, path: Path) -> Imported:
    return import_files(nursery, [path], by="P01")


def test_a_sheet_named_like_no_kind_is_named_and_nothing_is_imported(
    nursery: Store, tmp_path: Path
) -> None:
    before = everything(nursery)
    book = saved(tmp_path / "b.xlsx", {"people": [["person"], ["P07"]], "Trees 2026": TREES})
    with pytest.raises(RegistryError, match=r"'Trees 2026' \(perhaps mother_trees, by its col"):
        taken(nursery, book)
    assert everything(nursery) == before


def test_an_empty_sheet_and_the_template_s_own_lists_are_no_strangers(
    nursery: Store, tmp_path: Path
) -> None:
    path = tmp_path / "all.xlsx"
    write_template(path, ["people", "stores"], filled={"people": [{"person": "P07"}]})
    book = load_workbook(path)
    book.create_sheet("Sheet1")
    book.save(path)
    assert taken(nursery, path).recorded == {"people": 1}


@pytest.mark.parametrize("said", ["A1:D3", "A1:B6", "A1:D1", "A1"])
def test_rows_beyond_the_size_that_a_sheet_says_it_has_are_read(
    nursery: Store, tmp_path: Path, said: str
) -> None:
    book = saved(tmp_path / "b.xlsx", {"mother_trees": TREES})
    edited(book, (r'<dimension ref="[^"]*"', f'<dimension ref="{said}"'))
    assert taken(nursery, book).recorded == {"mother_trees": 5}
    with_notes = [row for row in everything(nursery)["mother_trees"] if "row 5" in row]
    assert len(with_notes) == 1


def test_a_formula_whose_result_was_not_saved_is_refused_where_it_stands(
    nursery: Store, tmp_path: Path
) -> None:
    rows = [["graft_lot", "date", "pushing", "dead"], ["G26-0001-7", "2026-05-01", 12, "=20-C2"]]
    book = saved(tmp_path / "b.xlsx", {"take_counts": rows})
    (problem,) = taken(nursery, book).problems
    assert (problem.line, "D2 holds a formula" in problem.wrong) == (2, True)
    edited(book, (r"</f><v\s*/>|</f><v></v>", "</f><v>8</v>"))
    assert taken(nursery, book).problems == ()


def test_a_stray_far_cell_is_told_and_nobody_waits_for_it(nursery: Store, tmp_path: Path) -> None:
    book = saved(tmp_path / "b.xlsx", {"mother_trees": TREES})
    cell = '<c r="XFD1048576" t="inlineStr"><is><t>x</t></is></c>'
    edited(book, ("</sheetData>", f'<row r="1048576">{cell}</row></sheetData>'))
    (problem,) = taken(nursery, book).problems
    assert (problem.line, "column XFD" in problem.wrong) == (1_048_576, True)


def test_a_row_that_no_sheet_has_is_not_lost_silently(nursery: Store, tmp_path: Path) -> None:
    book = saved(tmp_path / "b.xlsx", {"people": [["person"], ["P07"]]})
    edited(book, (r'<row r="2"', '<row r="999999999999"'), ('r="A2"', 'r="A999999999999"'))
    assert "no sheet is that long" in str(taken(nursery, book).problems[0])


def test_lines_are_those_of_the_sheet_past_empty_rows(nursery: Store, tmp_path: Path) -> None:
    rows: list[list[Any]] = [["person"], [], [], ["P07"], [], ["not a code!"]]
    book = saved(tmp_path / "b.xlsx", {"people": rows})
    assert [each.line for each in taken(nursery, book).problems] == [6]


# ------------------------------------------------------------------ folders


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    found = tmp_path / "season"
    found.mkdir()
    (found / "people.csv").write_text("person\nP07\n")
    (found / "README.md").write_text("what is in here")
    return found


def test_a_file_whose_name_is_in_capitals_is_read(nursery: Store, folder: Path) -> None:
    (folder / "STORES.CSV").write_text("store\nBox\n")
    assert taken(nursery, folder).recorded == {"people": 1, "stores": 1}


@pytest.mark.parametrize(
    "name",
    ["take_counts.txt", "more.xlsx", "sub/genotypes.csv", "BLOCKS.GEOJSON", "blocks.geojson"],
)
def test_a_file_that_would_not_be_read_is_named(nursery: Store, folder: Path, name: str) -> None:
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text("x")
    with pytest.raises(RegistryError, match=f"{re.escape(name)} would not be read"):
        taken(nursery, folder)


def test_an_outline_of_a_block_that_is_not_there_is_named(nursery: Store, folder: Path) -> None:
    (folder / "blocks.csv").write_text("block\nN1\n")
    shape = '{"type": "Polygon", "coordinates": [[[4,45],[4.1,45],[4.1,45.1],[4,45]]]}'
    feature = '{"type": "Feature", "properties": {"block": "N9"}, "geometry": ' + shape + "}"
    collection = '{"type": "FeatureCollection", "features": [' + feature + "]}"
    (folder / "blocks.geojson").write_text(collection)
    assert "an outline of N9" in str(taken(nursery, folder).problems[0])


@pytest.mark.parametrize("path", ["../people.csv", "/etc/hosts", "C:\\people.csv", "a/../../b.csv"])
def test_a_data_package_that_points_outside_its_folder_is_refused(
    nursery: Store, folder: Path, path: str
) -> None:
    escaped = path.replace("\\", "\\\\")
    (folder / "datapackage.json").write_text('{"resources": [{"path": "' + escaped + '"}]}')
    with pytest.raises(RegistryError, match="outside the folder"):
        taken(nursery, folder)
