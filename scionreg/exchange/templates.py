"""Workbooks to fill in: a sheet for each record kind, with drop-downs, formats and notes.

The columns are those of the CSV file, so a filled workbook is imported as it is.
"""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from scionreg.exchange.workbooks import LISTS
from scionreg.records.cells import (
    Cell,
    Choice,
    CultivarName,
    Day,
    Moment,
    Number,
    Ref,
    Whole,
    YesNo,
    shield,
)
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, code_column, fields
from scionreg.records.vocabulary import Found
from scionreg.registry.rows import as_moment, read_rows, recorded_columns

Filled = Mapping[str, Iterable[Mapping[str, str]]]
"""Rows that are filled in already: the texts by column, of each kind."""

LAST_ROW = 2000
"""Drop-downs reach to here."""

LONGEST_LIST = 200
"""Of more codes than these nobody chooses by scrolling."""

FIRST_YEAR = 1900
"""A spreadsheet's days begin here; earlier ones stay text."""

LONGEST_SHEET = 1_048_576
"""Rows of a sheet, its header included."""

YES_NO = ("yes", "no")

FORMATS: dict[type[Cell], str] = {
    Day: "yyyy-mm-dd",
    Moment: "yyyy-mm-dd hh:mm",
    Whole: "0",
    Number: "General",
}
"""How cells are shown; the others are text, which a spreadsheet must not take for a number."""


def known_codes(
    connection: Connection, kinds: Iterable[str] = tuple(KINDS)
) -> dict[str, list[str]]:
    """Return the codes of each kind that may be offered for choosing, sorted."""
    found: dict[str, list[str]] = {}
    for kind in kinds:
        column = code_column(kind)
        query = select(column).distinct().order_by(column).limit(LONGEST_LIST + 1)
        codes = list(connection.execute(query).scalars())
        if codes and len(codes) <= LONGEST_LIST:
            found[kind] = codes
    return found


def recorded_texts(connection: Connection, kind: str, zone: dt.tzinfo) -> Iterator[dict[str, str]]:
    """Yield every record of a kind as the texts of a sheet's row; times by the clock of `zone`.

    Raises
    ------
    RegistryError
        There are more than a sheet has rows.
    """
    columns = [
        (place, column.name, column.info["cell"])
        for place, column in enumerate(recorded_columns(kind))
        if "apart" not in column.info
    ]
    for number, (_, _, row) in enumerate(read_rows(connection, kind), start=2):
        if number > LONGEST_SHEET:
            raise RegistryError(
                f"there are more {kind.replace('_', ' ')} than a sheet has rows, {LONGEST_SHEET:,}"
            )
        yield {
            name: as_moment(value).astimezone(zone).isoformat()
            if isinstance(cell, Moment)
            else cell.write(value)
            for place, name, cell in columns
            if (value := row[place]) is not None
        }


def write_template(
    path: Path,
    kinds: Sequence[str] = tuple(KINDS),
    *,
    codes: Mapping[str, Sequence[str]] | None = None,
    filled: Filled | None = None,
) -> None:
    """Write a workbook with a sheet for each of some kinds.

    `codes` are offered where a column names a record of that kind; another code may be typed too,
    since it may come with the same import. `filled` are rows that stand there already.

    Raises
    ------
    RegistryError
        The file cannot be written.
    """
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    lists = _Lists(codes or {})
    for kind in kinds:
        sheet = book.create_sheet(kind)
        _head(sheet, kind)
        _guide(sheet, kind, lists)
        for row in (filled or {}).get(kind, ()):
            sheet.append([_value(each, row.get(each.name, "")) for each in fields(kind)])
    lists.write(book.create_sheet(LISTS))
    try:
        book.save(path)
    except OSError as fault:
        raise RegistryError(f"{path} cannot be written: {fault.strerror}") from fault


def _head(sheet: Any, kind: str) -> None:
    """Write the header: what must be filled in bold, and a note on every column."""
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    for number, column in enumerate(fields(kind), start=1):
        cell = sheet.cell(1, number, column.name)
        required = not column.nullable
        cell.font = Font(bold=required)
        cell.fill = PatternFill("solid", fgColor="FFD9D9D9" if required else "FFF2F2F2")
        cell.alignment = Alignment(vertical="top")
        note = Comment(_note(column), "scionreg")
        note.width, note.height = 320, 40 + 16 * (len(note.text) // 45 + note.text.count("\n"))
        cell.comment = note
        below = sheet.column_dimensions[get_column_letter(number)]
        below.number_format = FORMATS.get(type(column.info["cell"]), "@")
        below.width = max(12, len(column.name) + 3)
    sheet.freeze_panes = "B2"


def _note(column: Any) -> str:
    """Return what a column means and holds, and every word it knows."""
    cell = column.info["cell"]
    said = [f"{column.info['doc'].capitalize()}."]
    if isinstance(cell, Choice):
        said += [f"{word.value}: {word.definition}" for word in cell.words]
    else:
        said.append(f"Holds: {cell.describe()}.")
    if not column.nullable:
        said.append("Must be filled in.")
    return "\n".join(said)


def _guide(sheet: Any, kind: str, lists: "_Lists") -> None:
    """Add to each column its drop-down, or the limits of its numbers and days."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    for number, column in enumerate(fields(kind), start=1):
        rule = lists.rule(column.info["cell"]) or _limits(column.info["cell"])
        if rule is None:
            continue
        guide = DataValidation(allow_blank=True, **rule)
        guide.errorTitle = column.name
        guide.error = f"{column.info['doc']}: {column.info['cell'].describe()}"[:250]
        letter = get_column_letter(number)
        guide.add(f"{letter}2:{letter}{LAST_ROW}")
        sheet.add_data_validation(guide)


def _limits(cell: Cell) -> dict[str, Any] | None:
    """Return what a spreadsheet can check of a cell by itself."""
    if isinstance(cell, Whole | Number):
        kind = "whole" if isinstance(cell, Whole) else "decimal"
        return {"type": kind, "operator": "between", "formula1": cell.low, "formula2": cell.high}
    if isinstance(cell, Day):
        # A day typed in words stays text, which is what this stops. Day 1 is in 1900, though.
        return {"type": "date", "operator": "greaterThan", "formula1": 1, "errorStyle": "warning"}
    return None


class _Lists:
    """What drop-downs offer: each list a column of one sheet."""

    def __init__(self, codes: Mapping[str, Sequence[str]]) -> None:
        self._codes = codes
        self._places: dict[str, int] = {}
        self._lists: dict[str, Sequence[str]] = {}

    def rule(self, cell: Cell) -> dict[str, Any] | None:
        """Return the drop-down of a cell; codes, and words of an open list, may be others."""
        for name, offered, closed in self._offers(cell):
            self._lists[name] = offered
            place = self._places.setdefault(name, len(self._places) + 1)
            return {
                "type": "list",
                "formula1": _range(place, len(offered)),
                "showErrorMessage": closed,
            }
        return None

    def _offers(self, cell: Cell) -> Iterator[tuple[str, Sequence[str], bool]]:
        match cell:
            case Choice():
                yield cell.words.__name__, [word.value for word in cell.words], not cell.own
            case YesNo():
                yield "YesNo", YES_NO, True
            case Ref() if len(cell.kinds) == 1 and cell.kinds[0] in self._codes:
                yield cell.kinds[0], self._codes[cell.kinds[0]], False
            case CultivarName():
                words = [word.value for word in Found] if cell.or_found else []
                offered = [*self._codes.get("cultivars", ()), *words]
                if offered:
                    yield "cultivars" + "_or_found" * cell.or_found, offered, False
            case _:
                pass

    def write(self, sheet: Any) -> None:
        """Write the lists, each under its name."""
        for name, place in self._places.items():
            for row, text in enumerate((name, *self._lists[name]), start=1):
                sheet.cell(row, place, shield(text))
        sheet.sheet_state = "hidden"


def _range(place: int, length: int) -> str:
    from openpyxl.utils import get_column_letter

    letter = get_column_letter(place)
    return f"{LISTS}!${letter}$2:${letter}${length + 1}"


def _value(column: Any, text: str) -> Any:
    """Return a text as a spreadsheet keeps it, so that numbers are numbers and days days."""
    match column.info["cell"]:
        case _ if not text:
            return None
        case Whole() | Number() as cell:
            return cell.read(text)
        case Day():
            day = dt.date.fromisoformat(text)
            return day if day.year >= FIRST_YEAR else text
        case _:
            return shield(text)
