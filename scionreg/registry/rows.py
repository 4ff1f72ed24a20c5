"""Rows in bulk: written as fast as the database's driver can, and read back for comparison.

A row is a tuple of stored values in the order of `recorded_columns`; days and times are ISO text.
"""

import datetime as dt
import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from itertools import chain
from typing import Any

import orjson
from sqlalchemy import Column, Connection, func, select, text, type_coerce
from sqlalchemy.types import NullType

from scionreg.records.cells import STORED_MOMENT
from scionreg.records.tables import KINDS, code_column, table

Row = tuple[Any, ...]

SQLITE_VALUES = 900
"""Values in one statement; any SQLite takes 999."""


@cache
def recorded_columns(kind: str) -> tuple[Column[Any], ...]:
    """Return the columns that hold what was recorded: all but `id` and `entry`."""
    columns = table(kind).columns
    return tuple(column for column in columns if column.name not in ("id", "entry"))


def stored(value: Any) -> Any:
    """Return a driver's value as rows hold it, whichever database it comes from."""
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, dt.datetime):
        moment = value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value
        return moment.astimezone(dt.UTC).strftime(STORED_MOMENT)
    if isinstance(value, dt.date):
        return value.isoformat()
    return value


def as_moment(text: str) -> dt.datetime:
    """Return the point in time that a row holds as text."""
    return dt.datetime.strptime(text, STORED_MOMENT).replace(tzinfo=dt.UTC)


class RowDigest:
    """The SHA-256 of rows in the order they were written, however they come in batches."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()

    def add(self, rows: Sequence[Row]) -> None:
        """Add rows."""
        if rows:
            self._hash.update(orjson.dumps(rows)[1:-1] + b",")

    def hexdigest(self) -> str:
        """Return the digest."""
        return self._hash.hexdigest()


class RowWriter:
    """Adds rows of one kind for one journal line; rows whose key is there already are left out.

    `first` and `last` are the ids of the rows added last; `last` is the newest of all.
    """

    def __init__(self, connection: Connection, kind: str, entry: int) -> None:
        self.connection, self.kind, self.entry = connection, kind, entry
        names = [column.name for column in recorded_columns(kind)]
        self._names = ", ".join(f'"{name}"' for name in names)
        self._width = len(names)
        self._on_sqlite = connection.dialect.name == "sqlite"
        if self._on_sqlite:
            # Python's driver would look for an adapter anew for every empty cell.
            sqlite3.register_adapter(type(None), lambda nothing: nothing)
        self._id = table(kind).c.id
        self.first = 0
        self.last = int(connection.execute(select(func.max(self._id))).scalar() or 0)

    def add(self, rows: Sequence[Row]) -> int:
        """Add rows in order and return how many were new."""
        new = self._add_sqlite(rows) if self._on_sqlite else self._add_postgresql(rows)
        if new and self._on_sqlite:  # numbers on from the newest
            self.first, self.last = self.last + 1, self.last + new
        elif new:  # may leave gaps
            ends = select(func.min(self._id), func.max(self._id)).where(self._id > self.last)
            self.first, self.last = self.connection.execute(ends).one()
        return new

    def _add_sqlite(self, rows: Sequence[Row]) -> int:
        """Insert most rows many at a time, which saves beginning a statement for each."""
        many = SQLITE_VALUES // self._width
        whole = len(rows) - len(rows) % many
        return self._insert(rows[:whole], many) + self._insert(rows[whole:], 1)

    def _insert(self, rows: Sequence[Row], at_once: int) -> int:
        if not rows:
            return 0
        marks = f"({'?, ' * self._width}{self.entry})"
        result = self.connection.exec_driver_sql(
            f"INSERT INTO {self.kind} ({self._names}, entry) "
            f"VALUES {', '.join([marks] * at_once)} ON CONFLICT DO NOTHING",
            [
                tuple(chain.from_iterable(rows[start : start + at_once]))
                for start in range(0, len(rows), at_once)
            ],
        )
        return int(result.rowcount)

    def _add_postgresql(self, rows: Sequence[Row]) -> int:
        """Copy the rows into a table of their own, then over: COPY itself knows no conflicts."""
        incoming = f"incoming_{self.kind}"
        self.connection.execute(
            text(
                f"CREATE TEMP TABLE IF NOT EXISTS {incoming} ON COMMIT DROP AS "
                f"SELECT 0::int AS turn, {self._names} FROM {self.kind} LIMIT 0"
            )
        )
        cursor: Any = self.connection.connection.cursor()
        with cursor.copy(f"COPY {incoming} (turn, {self._names}) FROM STDIN") as copy:
            for turn, row in enumerate(rows):
                copy.write_row((turn, *row))
        result = self.connection.execute(
            text(
                f"INSERT INTO {self.kind} ({self._names}, entry) "
                f"SELECT {self._names}, {self.entry} FROM {incoming} ORDER BY turn "
                "ON CONFLICT DO NOTHING"
            )
        )
        self.connection.execute(text(f"TRUNCATE {incoming}"))
        return int(result.rowcount)


def read_rows(
    connection: Connection, kind: str, *conditions: Any, size: int = 10_000
) -> Iterator[tuple[int, int, Row]]:
    """Yield the id, the entry and the row of every record that meets the conditions, by id."""
    columns = table(kind).columns
    wanted = (columns["id"], columns["entry"], *recorded_columns(kind))
    query = select(*map(raw, wanted)).where(*conditions).order_by(columns["id"])
    # Closed also where the caller stops before the end.
    with connection.execute(query, execution_options={"yield_per": size}) as result:
        for found in result:
            yield found[0], found[1], tuple(stored(value) for value in found[2:])


def not_recorded(connection: Connection, kind: str, named: Iterable[str]) -> set[str]:
    """Return those codes that name no record of `kind`, however many are asked about."""
    listed: Any = list(named)
    if connection.dialect.name == "sqlite":
        source, listed = "json_each(:codes)", json.dumps(listed)
    else:
        source = "unnest(CAST(:codes AS text[])) AS asked(value)"
    query = (
        f"SELECT value FROM {source} "
        f'WHERE NOT EXISTS (SELECT 1 FROM {kind} WHERE "{code_column(kind).name}" = value)'
    )
    return set(connection.execute(text(query), {"codes": listed}).scalars())


def raw(column: Any) -> Any:
    """Return a column without the conversion of its results."""
    return type_coerce(column, NullType())


def key_of(kind: str, row: Row) -> tuple[Any, ...]:
    """Return the key of a row."""
    return tuple(row[place] for place in _key_places(kind))


@cache
def _key_places(kind: str) -> tuple[int, ...]:
    """Return where the parts of the key stand in a row."""
    names = [column.name for column in recorded_columns(kind)]
    return tuple(names.index(name) for name in KINDS[kind].KEY)


def key_text(key: Iterable[Any]) -> str:
    """Return a key as text, its parts joined by ``/``; unknown parts are empty."""
    return "/".join("" if part is None else str(part) for part in key)


def as_record(kind: str, row: Row) -> dict[str, Any]:
    """Return a row as a dictionary without its unknown values."""
    names = [column.name for column in recorded_columns(kind)]
    return {name: value for name, value in zip(names, row, strict=True) if value is not None}
