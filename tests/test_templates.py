"""Workbooks to fill in: what is offered, what is checked, and that they come back in unchanged."""

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from nursery import take_in_the_base
from openpyxl import load_workbook

from scionreg.api import Registry
from scionreg.documents.field_sheets.filling import Wanted
from scionreg.exchange.importing import import_files
from scionreg.exchange.templates import LONGEST_LIST, known_codes, write_template
from scionreg.exchange.workbooks import LISTS
from scionreg.records.cells import Choice, Number, Whole
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, fields
from scionreg.records.words import english
from scionreg.sheeting import write_sheets

DEMO = Path(__file__).parents[1] / "demo_registry"


@pytest.fixture
def book(tmp_path: Path) -> Any:
    write_template(tmp_path / "all.xlsx")
    return load_workbook(tmp_path / "all.xlsx")


def guides(sheet: Any) -> dict[str, Any]:
    """Return the data validation of each column that has one, by the column's name."""
    found = {}
    for guide in sheet.data_validations.dataValidation:
        for span in guide.sqref.ranges:
            found[sheet.cell(1, span.min_col).value] = guide
    return found


def offered(book: Any, guide: Any) -> list[str]:
    """Return what a drop-down offers."""
    sheet, _, place = guide.formula1.partition("!")
    return [row[0].value for row in book[sheet][place.replace("$", "")]]


def columns() -> Iterator[tuple[str, Any]]:
    for kind in KINDS:
        for column in fields(kind):
            yield kind, column


def test_there_is_a_sheet_for_every_kind_and_a_column_for_every_column(book: Any) -> None:
    assert book.sheetnames == [*KINDS, LISTS]
    for kind in KINDS:
        header = [cell.value for cell in book[kind][1]]
        assert header == [column.name for column in fields(kind)]


def test_every_column_has_a_note_with_its_meaning_and_what_must_be_filled_in_is_bold(
    book: Any,
) -> None:
    for kind, column in columns():
        cell = next(cell for cell in book[kind][1] if cell.value == column.name)
        note = cell.comment.text
        assert column.info["doc"].casefold() in note.casefold()
        assert ("Must be filled in" in note) == cell.font.bold == (not column.nullable)


def test_every_column_of_words_offers_all_and_refuses_others_unless_one_may_add_to_them(
    book: Any,
) -> None:
    for kind, column in columns():
        if isinstance(column.info["cell"], Choice):
            guide = guides(book[kind])[column.name]
            assert offered(book, guide) == [word.value for word in column.info["cell"].words]
            assert guide.showErrorMessage is not bool(column.info["cell"].own)


def test_numbers_have_the_limits_that_the_import_has(book: Any) -> None:
    for kind, column in columns():
        cell = column.info["cell"]
        if isinstance(cell, Whole | Number):
            guide = guides(book[kind])[column.name]
            assert (float(guide.formula1), float(guide.formula2)) == (cell.low, cell.high)


def test_codes_are_kept_as_text(book: Any) -> None:
    sheet = book["graft_lots"]
    formats = {cell.value: sheet.column_dimensions[cell.column_letter] for cell in sheet[1]}
    assert formats["bundle"].number_format == "@"
    assert formats["date"].number_format == "yyyy-mm-dd"


def test_recorded_codes_are_offered_but_others_may_be_typed(demo: str, tmp_path: Path) -> None:
    with Registry.open(demo) as registry, registry.store.reading() as connection:
        codes = known_codes(connection)
        people = [record["person"] for record in registry.records("people")]
    write_template(tmp_path / "lots.xlsx", ["graft_lots"], codes=codes)
    book = load_workbook(tmp_path / "lots.xlsx")
    guide = guides(book["graft_lots"])["grafter"]
    assert offered(book, guide) == sorted(people)
    assert not guide.showErrorMessage
    assert "bundle" not in guides(book["graft_lots"]), "nobody scrolls through all bundles"
    assert all(len(each) <= LONGEST_LIST for each in codes.values())


def test_a_filled_workbook_is_imported_as_the_records_it_holds(demo: str, tmp_path: Path) -> None:
    """The demo's records, written by hand as it were: dates as dates, numbers as numbers."""
    folder = tmp_path / "folder"
    with Registry.open(demo) as registry:
        registry.export(folder)
    files = {file.stem for file in folder.glob("*.csv")} - {"store_readings"}
    kinds = [kind for kind in KINDS if kind in files]
    filled = {kind: read(folder / f"{kind}.csv") for kind in kinds}
    write_template(tmp_path / "filled.xlsx", list(filled), filled=filled)
    days = [row[3].value for row in load_workbook(tmp_path / "filled.xlsx")["collections"]]
    assert any(hasattr(day, "year") for day in days)
    with Registry.new(tmp_path / "new.db", by="P01") as new, Registry.open(demo) as old:
        new.change_settings(time_zone=old.settings.time_zone)
        new.import_files(tmp_path / "filled.xlsx")
        for kind in kinds:
            assert as_typed(new, kind) == as_typed(old, kind), kind


def read(file: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))


def as_typed(registry: Registry, kind: str) -> list[dict[str, Any]]:
    """Return the records of a kind; outlines are in no sheet."""
    records = registry.records(kind)
    return [{**record, "outline": None} for record in records]


def test_an_empty_workbook_changes_nothing(tmp_path: Path) -> None:
    write_template(tmp_path / "all.xlsx")
    with Registry.new(tmp_path / "new.db", by="P01") as registry:
        done = registry.import_files(tmp_path / "all.xlsx")
    assert not done.changed
    assert not done.problems


def test_what_a_spreadsheet_would_run_is_text(tmp_path: Path) -> None:
    write_template(
        tmp_path / "one.xlsx",
        ["people"],
        codes={"people": ["=1+1"]},
        filled={"people": [{"person": "P01", "mark": "=1+1"}]},
    )
    sheet = load_workbook(tmp_path / "one.xlsx")["people"]
    assert sheet["C2"].data_type == "s"
    with Registry.new(tmp_path / "new.db", by="P01") as registry:
        registry.import_files(tmp_path / "one.xlsx")
        assert [each["mark"] for each in registry.records("people")] == ["=1+1"]


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(RegistryError, match="cannot be written"):
        write_template(tmp_path / "no" / "all.xlsx", ["people"])


def test_a_workbook_of_every_record_comes_back_as_it_was_and_as_it_was_changed(
    tmp_path: Path,
) -> None:
    path = tmp_path / "all.xlsx"
    with Registry.new(tmp_path / "own.db", by="P01") as registry:
        take_in_the_base(registry.store)
        for settings in ({"time_zone": "America/Chicago"}, {"time_zone": "UTC"}):
            registry.change_settings(recorder="P01", **settings)
            write_sheets(registry, "all", [path], Wanted(), english(), filled=True)
            assert not import_files(registry.store, [path], by="P01").would_change
        book = load_workbook(path)
        lots = book["graft_lots"]
        columns = [cell.value for cell in lots[1]]
        lots.cell(2, columns.index("grafts") + 1, 7)
        lots.append([None, *(cell.value for cell in lots[3][1:])])
        for name in ("row", "first", "last", "block"):
            lots.cell(lots.max_row, columns.index(name) + 1).value = None
        book.save(path)
        done = import_files(registry.store, [path], by="P01", correct=True, why="counted again")
        assert [str(each) for each in done.problems if each.trouble == "refused"] == []
        assert (done.recorded["graft_lots"], done.corrected["graft_lots"]) == (1, 1)
        assert len(done.corrections) == 1
        assert registry.find("graft_lots", lots["A2"].value).row[7] == 7
