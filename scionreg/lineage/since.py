"""The state of the records that a printed sheet was made from, and what changed since.

A sheet names the journal's last line by its number, digest and day. Whoever has the sheet can ask
whether the registry still has that line, and what was recorded since about the things on it.
"""

import datetime as dt
import json
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, or_, select

from scionreg.lineage.graph import read_zone
from scionreg.records.cells import Code, CultivarName, Ref
from scionreg.records.names import Epithet
from scionreg.records.tables import KINDS, fields, table
from scionreg.registry import journal
from scionreg.registry.ledger import JournalLine, Version

LEAST_DIGITS = 12
"""Digits of a digest that must be given: 16¹² lines would have to be made to meet them by luck."""
NAMING = (Code, Ref, CultivarName, Epithet)
"""Cells that name a record."""
AT_ONCE = 500
"""Codes asked for in one statement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalMark:
    """One line of the journal, as a name for the state of the records after it."""

    line: int
    time: dt.datetime | None
    digest: str

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        time = self.time.isoformat() if self.time else None
        return {"line": self.line, "time": time, "digest": self.digest}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeSince:
    """A later line of the journal that wrote or ended something on a sheet."""

    line: int
    time: dt.datetime
    by: str
    action: str
    kind: str
    key: str
    why: str

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "line": self.line,
            "time": self.time.isoformat(),
            "by": self.by,
            "action": self.action,
            "kind": self.kind,
            "key": self.key,
            "why": self.why,
        }


def last_line(connection: Connection) -> JournalMark:
    """Return the journal's last line, by the nursery's clock; number 0 where there is none yet."""
    number, digest = journal.head(connection)
    when = time_of(connection, number)
    local = when.astimezone(read_zone(connection)) if when else None
    return JournalMark(line=number, time=local, digest=digest)


def digits_of(text: str) -> str:
    """Return the digits of a digest as typed from paper: spaces and capitals do not matter."""
    return "".join(text.split()).lower()


def lines_with(connection: Connection, digest: str) -> list[dict[str, Any]]:
    """Return the lines of the journal whose digest begins with some digits: one, or none."""
    query = select(JournalLine.seq).where(JournalLine.digest.startswith(digest, autoescape=True))
    found = connection.execute(query).scalars().all()
    return [next(journal.lines(connection, after=number - 1)) for number in found]


def time_of(connection: Connection, line: int) -> dt.datetime | None:
    """Return when a line of the journal was written, None where there is no such line."""
    when = connection.execute(select(JournalLine.time).where(JournalLine.seq == line)).scalar()
    return when if when is None or when.tzinfo else when.replace(tzinfo=dt.UTC)


def changes_since(
    connection: Connection, line: int, codes: Collection[str]
) -> tuple[ChangeSince, ...]:
    """Return the lines after `line` that wrote or ended a record naming one of `codes`.

    So did the lines that changed settings, which figures are judged by. Times are by the nursery's
    clock.
    """
    zone = read_zone(connection)
    lines = {
        *_written_since(connection, line, sorted(codes)),
        *_ended_since(connection, line, codes),
    }
    lines |= set(
        connection.execute(
            select(JournalLine.seq).where(JournalLine.seq > line, JournalLine.action == "settings")
        ).scalars()
    )
    return tuple(
        ChangeSince(
            line=each["seq"],
            time=each["time"].astimezone(zone),
            by=each["by"],
            action=each["action"],
            kind=each["kind"],
            key=each["key"],
            why=each["why"],
        )
        for each in journal.lines(connection, after=line)
        if each["seq"] in lines
    )


def _written_since(connection: Connection, line: int, codes: Sequence[str]) -> Iterator[int]:
    """Yield the lines that wrote records which are as they were written."""
    for kind in KINDS:
        entry = table(kind).columns["entry"]
        named = [each for each in fields(kind) if isinstance(each.info["cell"], NAMING)]
        for start in range(0, len(codes) if named else 0, AT_ONCE):
            some = codes[start : start + AT_ONCE]
            query = select(entry).where(entry > line, or_(*(each.in_(some) for each in named)))
            yield from connection.execute(query).scalars()


def _ended_since(connection: Connection, line: int, codes: Collection[str]) -> Iterator[int]:
    """Yield the lines that ended an earlier version: a record corrected or voided."""
    wanted = set(codes)
    query = select(Version.ended, Version.content).where(Version.ended > line)
    for ended, content in connection.execute(query):
        values = {value for value in json.loads(content).values() if isinstance(value, str)}
        if values & wanted:
            yield ended
