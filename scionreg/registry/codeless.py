"""Rows of files without a code: each is the record it repeats, or is issued a new one.

A row repeats the record that is, or once was, just as it in all but the code; of several alike each
stands for one. So the same file again, or one that rows were added to, records nothing twice.
"""

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import select

from scionreg.records import codes
from scionreg.records.tables import fields, table
from scionreg.registry.changes import Change
from scionreg.registry.issuing import last_serial
from scionreg.registry.ledger import Version
from scionreg.registry.rows import Row, read_rows, recorded_columns

DAYS = ("date", "packed", "received")
"""Columns whose day says which season a code is of."""

Placed = tuple[Row, int]
"""A row and the line of the file it stands on."""


class Codeless:
    """Gives codes to the rows of one change; take them in after those that have codes."""

    def __init__(self, making: Change) -> None:
        self._making = making
        self._stood_for: set[tuple[str, str, Row]] = set()
        self._serials: dict[tuple[str, int], int] = {}
        self._sent: dict[tuple[Any, ...], list[str]] = defaultdict(list)

    def new_of(self, kind: str, rows: Sequence[Row], lines: Sequence[int]) -> list[Placed]:
        """Return the rows that repeat no record, with a code each."""
        recorded: dict[Row, list[str]] = defaultdict(list)
        for each, content in self._recorded(kind, rows):
            recorded[content].append(each)
        new: list[Placed] = []
        for row, line in zip(rows, lines, strict=True):
            alike = (each for each in recorded[row[1:]] if self._stands_for(kind, each, row))
            code = next(alike, "")
            if not code:
                new.append(((self._issued(kind, row), *row[1:]), line))
            elif kind == "dispatches":
                self._sent[self._sending(row)].append(code)
                self._stood_for.add((kind, code, (self._lot(row),)))
        return new

    def _stands_for(self, kind: str, code: str, row: Row) -> bool:
        """Tell whether no other row of the change stands for a record yet, and note this one."""
        record = (kind, code, row[1:])
        if record in self._stood_for:
            return False
        self._stood_for.add(record)
        return True

    def _recorded(self, kind: str, rows: Sequence[Row]) -> Iterator[tuple[str, Row]]:
        """Yield the code and all the rest of each record that the rows may repeat, now or once."""
        columns = recorded_columns(kind)
        names = [column.name for column in columns]
        required = [each.name for each in fields(kind) if not each.nullable][1:2]
        narrow = []
        if required:  # of most kinds: the tree, the bundle, the lot
            at = names.index(required[0])
            narrow = [table(kind).columns[required[0]].in_({row[at] for row in rows})]
        for _, _, row in read_rows(self._making.connection, kind, *narrow):
            yield row[0], row[1:]
        versions = select(Version.content).where(Version.kind == kind).order_by(Version.id)
        for content in self._making.connection.execute(versions).scalars():
            record = json.loads(content)
            yield record[names[0]], tuple(record.get(name) for name in names[1:])

    def _issued(self, kind: str, row: Row) -> str:
        """Return a new code; lines of what leaves to one customer on one day share theirs."""
        if kind != "dispatches":
            return self._next(kind, row)
        sent = self._sent[self._sending(row)]
        line = (self._lot(row),)
        code = next((each for each in sent if (kind, each, line) not in self._stood_for), "")
        if not code:
            code = self._next(kind, row)
            sent.append(code)
        self._stood_for.add((kind, code, line))
        return code

    def _lot(self, row: Row) -> Any:
        return row[[column.name for column in recorded_columns("dispatches")].index("graft_lot")]

    def _sending(self, row: Row) -> tuple[Any, ...]:
        record = dict(zip((c.name for c in recorded_columns("dispatches")), row, strict=True))
        return record["customer"], record["date"]

    def _next(self, kind: str, row: Row) -> str:
        settings = self._making.settings
        record = dict(zip((column.name for column in recorded_columns(kind)), row, strict=True))
        days = [record[name] for name in DAYS if record.get(name)]
        season = settings.season(dt.date.fromisoformat(days[0]) if days else settings.today())
        known = self._serials.get((kind, season)) or last_serial(
            self._making.connection, kind, season
        )
        self._serials[kind, season] = known + 1
        return codes.issue(codes.LETTER_OF[kind], season, known + 1)
