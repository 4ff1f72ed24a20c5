"""Reading workbooks: every row that has something in it, with its own number."""

import datetime as dt
import warnings
from collections.abc import Generator, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scionreg.exchange.headers import kind_named, known_columns
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, fields

LISTS = "lists"
"""The sheet that a template's drop-downs read; it holds no records."""

LAST_ROW = 1_048_576
"""No spreadsheet shows a row beyond."""


@dataclass(frozen=True, slots=True)
class SheetRow:
    """The texts of a row by column, counted from 0; `unsaved` are formulas without a result."""

    number: int
    texts: dict[int, str]
    unsaved: tuple[int, ...] = ()


def sheets_of(path: Path) -> dict[str, str]:
    """Return the record kind of each sheet of a workbook that holds records.

    Raises
    ------
    RegistryError
        A sheet with something in it is named like no kind, or there is none at all.
    """
    with _opened(path) as book:
        names = book.sheetnames
        others = (name for name in names if not kind_named(name) and name != LISTS)
        firsts = {name: first for name in others if (first := _first(path, book, name))}
        said = [f"'{name}'{_likely(first)}" for name, first in firsts.items()]
    found = {name: str(kind_named(name)) for name in names if kind_named(name)}
    if said and found:
        raise RegistryError(
            f"{path.name}: {' and '.join(said)} is named like no record kind; rename the sheet, or "
            "take it out of the workbook: nothing was imported"
        )
    if not found:
        raise RegistryError(
            f"{path.name} has no sheet named like a record kind; its sheets are {', '.join(names)}"
        )
    return found


def _first(path: Path, book: Any, name: str) -> SheetRow | None:
    """Return the first row of a sheet with something in it."""
    with closing(_rows(path, book, name)) as rows:
        return next(rows, None)


def _likely(header: SheetRow) -> str:
    """Return what kind a header speaks for, in words."""
    names = list(header.texts.values())
    kind = max(KINDS, key=lambda each: (known_columns(each, names), -len(fields(each))))
    enough = known_columns(kind, names) > 1
    return f" (perhaps {kind}, by its columns)" if enough else ""


def read_sheet(path: Path, name: str) -> Generator[SheetRow]:
    """Yield the rows of a sheet that have something in them."""
    with _opened(path) as book:
        yield from _rows(path, book, name)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    from openpyxl import load_workbook

    with _reading(path):
        book = load_workbook(path, read_only=True, data_only=True)
    try:
        yield book
    finally:
        book.close()


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Say in one way what openpyxl, zip and XML say in many; keep remarks on looks back."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except Exception as fault:
        raise RegistryError(f"{path.name} is no workbook that can be read ({fault})") from fault


def _rows(path: Path, book: Any, name: str) -> Generator[SheetRow]:
    with _reading(path):
        rows = _parsed(book, book[name])
    while True:
        with _reading(path):
            row = next(rows, None)
        if row is None:
            return
        if row.texts or row.unsaved:
            yield row


def _parsed(book: Any, sheet: Any) -> Iterator[SheetRow]:
    """Yield every row that the file holds, whatever size it says that the sheet has.

    openpyxl's own rows end where the sheet's dimension says, tell an unsaved formula from an empty
    cell in no way, and fill in every row and cell before a stray far one; hence its parser.
    """
    from openpyxl.worksheet._reader import FORMULA_TAG, WorkSheetParser

    class Parser(WorkSheetParser):  # type: ignore[misc]  # it has no types
        def parse_cell(self, element: Any) -> dict[str, Any]:
            cell: dict[str, Any] = super().parse_cell(element)
            formula = element.find(FORMULA_TAG) is not None
            # The result of a text formula may be an empty text.
            cell["unsaved"] = formula and cell["value"] is None and element.get("t") != "str"
            return cell

    with sheet._get_source() as source:
        parser = Parser(
            source,
            sheet._shared_strings,
            data_only=True,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
        )
        for number, cells in parser.parse():
            texts = {cell["column"] - 1: _as_text(cell["value"]) for cell in cells}
            yield SheetRow(
                number,
                {place: text for place, text in texts.items() if text},
                tuple(cell["column"] - 1 for cell in cells if cell["unsaved"]),
            )


def _as_text(cell: Any) -> str:
    """Return a workbook's cell as the text that a CSV file would have."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, dt.datetime):
        midnight = cell.time() == dt.time()
        return cell.date().isoformat() if midnight else cell.isoformat(timespec="seconds")
    if isinstance(cell, dt.date):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def letters(place: int) -> str:
    """Return what a spreadsheet calls a column, counted from 0.

    >>> letters(0), letters(25), letters(26), letters(16_383)
    ('A', 'Z', 'AA', 'XFD')
    """
    before, last = divmod(place, 26)
    return (letters(before - 1) if before else "") + chr(ord("A") + last)
