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
from scionreg.entering.tying import ParentsChecker, TiedChecker
from scionreg.entering.way import Way
from scionreg.records.cells import CellError
from scionreg.records.tables import fields, table
from scionreg.records.words import Words, english
from scionreg.registry.store import Store

__all__ = [
    "SIGNS",
    "Entry",
    "Said",
    "lacks",
    "open_entry",
    "open_parents",
    "open_record",
    "open_tied",
]


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
    return _alone(Checker(store, kind, fields(kind), by=by, words=words or english()), store, given)


def open_tied(
    store: Store, given: Mapping[str, str], *, by: str, words: Words | None = None
) -> Entry:
    """Return the cells of a bundle to type in that is tied from others; recorded with those."""
    checker = TiedChecker(store, by=by, words=words or english())
    return _alone(checker, store, given, may_be_empty=True)


def open_parents(
    store: Store, tied: Mapping[str, str], *, by: str, words: Words | None = None
) -> Entry:
    """Return a row for each bundle that one with the cells `tied` is tied from."""
    said = words or english()
    checker = ParentsChecker(store, tied, by=by, words=said)
    draft = Draft(path=None, name="bundle_parents", kind="bundle_parents")
    with store.reading() as connection:
        way = Way(checker.columns, unused=never_filled(connection, "bundle_parents"))
    return Entry(checker, draft, way, notes=[said("typing.parents")])


def _alone(
    checker: Checker, store: Store, given: Mapping[str, str], *, may_be_empty: bool = False
) -> Entry:
    kind, cells, notes = checker.kind, {}, []
    for column in checker.columns:
        if text := given.get(column.name, "").strip():
            try:
                cells[column.name] = checker.read(column, checker.spelled(column, text))
            except CellError as error:
                called = checker.heading(kind, column.name)
                notes.append(f"{called}: {error.wrong}; {error.right}")
    with store.reading() as connection:
        before, lately = record_before(connection, kind, checker.by, checker.settings)
        unused = never_filled(connection, kind)
    day = WORK_DAY.get(kind)
    if day and not lately:
        before.pop(day, None)
        if table(kind).columns[day].type.python_type is date:
            before[day] = checker.settings.today().isoformat()
    draft = Draft(path=None, name=kind, kind=kind, rows=[Row(dict(cells))])
    way = Way(checker.columns, unused=unused, printed=[cells], before=before)
    return Entry(checker, draft, way, alone=True, may_be_empty=may_be_empty, notes=notes)


def lacks(kind: str, given: Mapping[str, str]) -> bool:
    """Tell whether what a person gives of a record lacks anything that is always asked."""
    asked = ASKED[kind]
    return any(
        column.name not in given and (column.name in asked or must_be_filled(column))
        for column in fields(kind)
    )
