"""How records are taken out, put right and put back: never without the version that was.

What every correction, void, restoration and undoing is made of. The guards refuse any other way.
"""

import datetime as dt
import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, insert, select, update

from scionreg.records.cells import Ref
from scionreg.records.errors import Problem, RegistryError, refuse
from scionreg.records.rules.base import lot_of, one_of
from scionreg.records.rules.references import OWNER, columns_holding
from scionreg.records.tables import KINDS, code_column, table
from scionreg.records.vocabulary import Trouble
from scionreg.registry import checking, journal
from scionreg.registry.changes import Change, Made
from scionreg.registry.finding import Found
from scionreg.registry.ledger import Version
from scionreg.registry.rows import (
    Row,
    RowWriter,
    as_record,
    key_of,
    key_text,
    not_recorded,
    read_rows,
    recorded_columns,
)
from scionreg.registry.suggestions import improve

AT_ONCE = 1000
"""Records in one statement."""

Ended = tuple[str, str, bool, str]
"""Kind, key, whether voided, and content of a version that a change ended."""


def digest_of(ended: Iterable[Ended]) -> str:
    """Return the SHA-256 of ended versions in any order."""
    return hashlib.sha256(journal.canonical(sorted(ended)).encode()).hexdigest()


def take_out(making: Change, gone: Sequence[Found]) -> list[Ended]:
    """Void records: keep each as it is, then take it out of its table."""
    ended = _keep(making, gone, voided=True)
    by_kind: dict[str, list[int]] = defaultdict(list)
    for each in gone:
        by_kind[each.kind].append(each.id)
    for kind, ids in by_kind.items():
        for start in range(0, len(ids), AT_ONCE):
            some = table(kind).c.id.in_(ids[start : start + AT_ONCE])
            making.connection.execute(delete(table(kind)).where(some))
    return ended


def put_right(making: Change, changes: Iterable[tuple[Found, Row]]) -> list[Ended]:
    """Give records other content: keep each as it is, then write it anew under its id."""
    # The digest of a line's rows goes by their ids.
    changes = sorted(changes, key=lambda change: (change[0].kind, change[0].id))
    ended = _keep(making, [found for found, _ in changes], voided=False)
    for found, row in changes:
        making.connection.execute(
            update(table(found.kind))
            .where(table(found.kind).c.id == found.id)
            .values(entry=making.entry, **_bound(found.kind, row))
        )
        making.corrected.setdefault(found.kind, Made()).add(found.id, found.id, [row])
    return ended


def put_back(making: Change, records: Sequence[tuple[str, Row]]) -> list[Found]:
    """Write records that were voided as they were, each a new version; return them.

    Raises
    ------
    RegistryError
        Something else is recorded under the key of one by now.
    """
    by_kind: dict[str, list[Row]] = defaultdict(list)
    for kind, row in records:
        by_kind[kind].append(row)
    back: list[Found] = []
    for kind in filter(by_kind.__contains__, KINDS):
        rows = by_kind[kind]
        writer = RowWriter(making.connection, kind, making.entry)
        if writer.add(rows) < len(rows):
            raise RegistryError(f"{_there(making, kind, rows)} is recorded again; void that first")
        making.note(kind, writer.first, writer.last, rows)
        mine = table(kind).c.id.between(writer.first, writer.last)
        back += [Found(kind, *each) for each in read_rows(making.connection, kind, mine)]
    return back


def _there(making: Change, kind: str, rows: Sequence[Row]) -> str:
    """Return the key of one of the rows that another record has."""
    earlier = table(kind).c.entry < making.entry
    wanted = {key_of(kind, row) for row in rows}
    column = code_column(kind)
    code = column.in_({str(key[0]) for key in wanted})
    there = read_rows(making.connection, kind, earlier, code)
    return next(key_text(key_of(kind, row)) for *_, row in there if key_of(kind, row) in wanted)


def _keep(making: Change, found: Sequence[Found], *, voided: bool) -> list[Ended]:
    """Keep records as they are among the earlier versions; the guards ask for it."""
    versions: list[dict[str, Any]] = [
        {
            "kind": each.kind,
            "record": each.id,
            "key": each.key,
            "made": each.entry,
            "ended": making.entry,
            "voided": voided,
            "content": journal.canonical(as_record(each.kind, each.row)),
        }
        for each in found
    ]
    for start in range(0, len(versions), AT_ONCE):
        making.connection.execute(insert(Version), versions[start : start + AT_ONCE])
    return [(each["kind"], each["key"], voided, each["content"]) for each in versions]


def _bound(kind: str, row: Row) -> dict[str, Any]:
    """Return a row's values as SQLAlchemy's column types take them."""
    bound: dict[str, Any] = {}
    for column, value in zip(recorded_columns(kind), row, strict=True):
        python = column.type.python_type
        if value is not None and python is dt.date:
            value = dt.date.fromisoformat(value)
        elif value is not None and python is dt.datetime:
            value = dt.datetime.fromisoformat(value).replace(tzinfo=dt.UTC)
        elif value is not None and python is bool:
            value = bool(value)
        bound[column.name] = value
    return bound


def row_of(kind: str, record: Mapping[str, Any]) -> Row:
    """Return a record as a row."""
    return tuple(record.get(column.name) for column in recorded_columns(kind))


# ------------------------------------------------------------- what hangs on a record


def code_of(kind: str, row: Row) -> str:
    """Return the code in a row's key."""
    return str(as_record(kind, row)[code_column(kind).name])


def owner_code(found: Found) -> str:
    """Return the code of the record that this one is a line of, its own where it is none."""
    return owners(found.kind, found.row)[0]


def owners(kind: str, row: Row) -> list[str]:
    """Return the codes that the rules judge a row by."""
    record = as_record(kind, row)
    names = [OWNER[kind][1]] if kind in OWNER else [KINDS[kind].KEY[0]]
    if kind == "bundle_parents":
        names.append("parent")
    return [str(record[name]) for name in names]


def lines_of(kind: str) -> list[tuple[str, str]]:
    """Return the kinds whose records are only lines of one of `kind`, and the columns that say it.

    Events, log, counts, parents, readings.
    """
    return [(line, column) for line, (owner, column) in OWNER.items() if owner == kind]


def check_named(connection: Connection, gone: Sequence[Found]) -> None:
    """Refuse that records are gone which others name.

    So many that everything is judged anyway are left to the rules.
    """
    codes: dict[str, set[str]] = defaultdict(set)
    for each in gone:
        codes[each.kind].add(code_of(each.kind, each.row))
    if sum(map(len, codes.values())) > checking.MANY:
        return
    # Another line of the same dispatch may still have the code.
    codes = {kind: not_recorded(connection, kind, named) for kind, named in codes.items()}
    for kind, column in columns_holding(Ref):
        cell = column.info["cell"]
        wanted = sorted({code for target in cell.kinds for code in codes.get(target, ())})
        named: ColumnElement[Any] = lot_of(column) if cell.single else column
        for start in range(0, len(wanted), AT_ONCE):
            some = named.in_(wanted[start : start + AT_ONCE])
            query = select(table(kind).c.id, named).where(some).order_by(table(kind).c.id)
            first = connection.execute(query.limit(1)).first()
            if first is not None:
                by = next(read_rows(connection, kind, table(kind).c.id == first[0]))
                user = f"{one_of([kind])} {Found(kind, *by).key}"
                raise RegistryError(f"{first[1]} is named by {user}; void or correct that first")


def check(making: Change, *changed: tuple[str, Row]) -> tuple[Problem, ...]:
    """Check what a change to existing records touched; return its warnings."""
    touched: dict[str, set[str]] = defaultdict(set)
    for kind, row in changed:
        touched[kind].update(owners(kind, row))
    connection = making.connection
    scope = checking.touched(connection, making.settings, touched)
    found = [problem for _, problem in checking.problems(connection, scope, touched)]
    if "cultivars" in touched:
        # Anything may name a cultivar, so all that does is judged.
        everything = checking.whole(making.settings)
        judged = checking.problems(connection, everything, ["cultivars"])
        found += [each for _, each in judged if each.trouble is Trouble.REFUSED]
    found = [improve(connection, each) for each in dict.fromkeys(found)]
    refuse(found)
    return tuple(found)
