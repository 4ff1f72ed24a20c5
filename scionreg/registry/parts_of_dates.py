"""A year or month written where a day is asked for goes to the column that is there for it."""

from collections.abc import Mapping, Sequence

from scionreg.records.cells import Day
from scionreg.records.cells.dates import part_of_date
from scionreg.records.cells.numbers import digits
from scionreg.records.cells.times import ISO_DAY
from scionreg.records.tables import fields


def put_apart(
    kind: str, names: Sequence[str], rows: Sequence[Sequence[str]]
) -> tuple[tuple[str, ...], Sequence[Sequence[str]]]:
    """Return columns and rows of text with parts of dates in the columns beside their days.

    A row whose two cells disagree stays as it is: its day cannot be read, which is then said.
    """
    columns = tuple(names)
    for column in fields(kind):
        cell = column.info["cell"]
        if isinstance(cell, Day) and cell.else_in and column.name in columns:
            columns, rows = _put_apart(columns, rows, column.name, cell.else_in)
    return columns, rows


def _put_apart(
    columns: tuple[str, ...], rows: Sequence[Sequence[str]], day: str, part: str
) -> tuple[tuple[str, ...], Sequence[Sequence[str]]]:
    at = columns.index(day)
    written = {row[at] for row in rows}
    found: Mapping[str, str | None] = {
        text: part_of_date(digits(text.strip()))
        for text in written
        if text and not ISO_DAY.fullmatch(text)
    }
    if not any(found.values()):
        return columns, rows
    if part not in columns:
        columns, rows = (*columns, part), [[*row, ""] for row in rows]
    beside = columns.index(part)
    made = []
    for row in rows:
        known, new = found.get(row[at]), list(row)
        if known and (
            not row[beside].strip() or (part_of_date(row[beside]) or "")[: len(known)] == known
        ):
            new[at], new[beside] = "", row[beside].strip() or known
        made.append(new)
    return columns, made
