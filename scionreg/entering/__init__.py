"""Typing in: row by row from paper, kept at every cell and recorded all at once, or one record."""

from collections.abc import Mapping
from datetime import date

from scionreg.documents.field_sheets.kinds import must_be_filled, on_paper
from scionreg.entering.asked import ASKED, never_filled, record_before
from scionreg.entering.checking import Checker
from scionreg.entering.draft import Draft, Row, begin, lay_aside, place_of
from scionreg.entering.likely import WORK_DAY
from scionreg.entering.loop import SIGNS, Entry, Said
from scionreg.entering.printed import read_printed
from scionreg.entering.way import Way
from scionreg.records.cells import CellError
from scionreg.records.tables import fields, table
from scionreg.records.words import Words, english
from scionreg.registry.store import Store

__all__ = ["SIGNS", "Entry", "Said", "lacks", "open_entry", "open_record"]


def open_entry(
    store: Store, sheet: str, *, by: str, anew: bool = False, words: Words | None = None
) -> Entry:
    """Return a sheet to type in, where it was left off.

    `sheet` is the name of one, for paper whose rows are blank, or the CSV file that was written
    with the paper and has its rows filled in. What the person `by` typed of it and did not record
    yet is there again; with `anew` it is laid aside. `words` is the language, English if None.

    Raises
    ------
    RegistryError
        There is no such sheet or file, or rows of another one are not recorded yet.
    """
    printed = read_printed(sheet)
    path = place_of(store, printed.name, by)
    if anew:
        lay_aside(path)
    draft = begin(path, name=printed.name, kind=printed.kind, filled=printed.rows, of=printed.of)
    columns = on_paper(printed.kind)
    checker = Checker(store, printed.kind, columns, by=by, words=words or english())
    with store.reading() as connection:
        before, lately = record_before(connection, printed.kind, by, checker.settings)
        unused = never_filled(connection, printed.kind)
    if not lately:  # paper is of another day than this
        before.pop(WORK_DAY.get(printed.kind, ""), None)
    written = {name for row in draft.rows for name, text in row.cells.items() if text}
    way = Way(checker.columns, unused=unused - written, printed=printed.rows, before=before)
    return Entry(checker, draft, way)


def open_record(
    store: Store,
    kind: str,
    given: Mapping[str, str],
    *,
    by: str,
    words: Words | None = None,
) -> Entry:
    """Return one record of a kind to type in; what is `given` by column is asked if it is wrong."""
    checker = Checker(store, kind, fields(kind), by=by, words=words or english())
    cells: dict[str, str] = {}
    notes: list[str] = []
    for column in checker.columns:
        if text := given.get(column.name, "").strip():
            try:
                cells[column.name] = checker.read(column, checker.spelled(column, text))
            except CellError as error:
                called = checker.heading(kind, column.name)
                notes.append(f"{called}: {error.wrong}; {error.right}")
    with store.reading() as connection:
        before, lately = record_before(connection, kind, by, checker.settings)
        unused = never_filled(connection, kind)
    day = WORK_DAY.get(kind)
    if day and not lately:
        before.pop(day, None)
        if table(kind).columns[day].type.python_type is date:
            before[day] = checker.settings.today().isoformat()
    draft = Draft(path=None, name=kind, kind=kind, rows=[Row(dict(cells))])
    way = Way(checker.columns, unused=unused, printed=[cells], before=before)
    return Entry(checker, draft, way, alone=True, notes=notes)


def lacks(kind: str, given: Mapping[str, str]) -> bool:
    """Tell whether what a person gives of a record lacks anything that is always asked."""
    asked = ASKED[kind]
    return any(
        column.name not in given and (column.name in asked or must_be_filled(column))
        for column in fields(kind)
    )
