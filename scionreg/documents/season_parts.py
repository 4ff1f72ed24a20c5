"""What the parts of a season's report share: tables and sections with their titles, short lists."""

import datetime as dt
from collections.abc import Iterable, Sequence

from scionreg.documents.paper import Section, Table
from scionreg.records.words import Words

MOST_CODES, MOST_LINES = 6, 30
"""Codes that are named beside a gap, and lines of a table that may grow long."""


def table_of(
    words: Words,
    part: str,
    widths: Sequence[tuple[str, float]],
    rows: Iterable[Sequence[object]],
    strong: Iterable[int] = (),
) -> Table | None:
    """Return a table of a part, None where it would have no rows; `widths` by column name."""
    texts = tuple(tuple("" if cell is None else str(cell) for cell in row) for row in rows)
    if not texts:
        return None
    return Table(
        columns=tuple(words(f"season_report.{part}.{name}") for name, _ in widths),
        rows=texts,
        widths=tuple(width for _, width in widths),
        strong=frozenset(strong),
    )


def part_of(
    words: Words,
    part: str,
    table: Table | None = None,
    *,
    lines: Sequence[str] = (),
    notes: Sequence[str] = (),
    drawn: Sequence[tuple[str, str]] = (),
) -> Section:
    """Return a part; one that has nothing to tell says so."""
    if table is None and not lines:
        lines = (words("season_report.nothing"),)
    return Section(
        title=words(f"season_report.{part}.title"),
        table=table,
        lines=tuple(lines),
        notes=tuple(notes),
        pictures=tuple(drawn),
    )


def some_of(codes: Sequence[str], words: Words) -> str:
    """Return the first of some codes, and how many more there are."""
    named = ", ".join(codes[:MOST_CODES])
    more = len(codes) - MOST_CODES
    return words("season_report.and_more", named=named, more=more) if more > 0 else named


def day_or_none(day: dt.date | None, words: Words) -> str:
    """Return a day, or that it was not recorded."""
    return words.day(day) if day else words("trace_sheet.not_recorded")


def number_or_none(value: float | None) -> str:
    """Return a number, a question mark where nobody knows it."""
    return "?" if value is None else f"{value:g}"
