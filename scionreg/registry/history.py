"""A record's history: every version of it, who wrote it, when and why."""

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from scionreg.records.errors import NotFoundError
from scionreg.registry.finding import LINES, find_record, kept_key
from scionreg.registry.ledger import JournalLine, Version
from scionreg.registry.rows import as_record


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a record's history."""

    time: dt.datetime
    by: str
    action: str
    why: str
    entry: int
    record: Mapping[str, Any]


def history(connection: Connection, kind: str, key: str) -> list[Step]:
    """Return every version of a record, oldest first; the last is how it is, or what was voided.

    Raises
    ------
    NotFoundError
        Nothing was ever recorded under that key.
    """
    kept = _versions(connection, kind, key)
    kept = kept or _versions(connection, kind, kept_key(connection, kind, key))
    try:
        now = find_record(connection, kind, key)
    except NotFoundError:
        if not kept:
            raise
        now = None
    if now is not None and now.key != key:
        # Part of a key was given; but a voided record may have had just this key.
        kept, now = (kept, None) if kept else (_versions(connection, kind, now.key), now)
    entries = {each.made: json.loads(each.content) for each in kept}
    if now is not None:
        entries[now.entry] = as_record(kind, now.row)
    steps = [_step(connection, entry, content) for entry, content in entries.items()]
    steps += [_step(connection, each.ended, {}) for each in kept if each.voided]
    return sorted(steps, key=lambda step: step.entry)


def kind_of_voided(connection: Connection, code: str) -> str | None:
    """Return the record kind of a code whose record was voided, None where there is none."""
    keys = {code, *(kept_key(connection, kind, code) for kind in LINES if "/" in code)}
    voided = select(Version.kind).where(Version.key.in_(keys), Version.voided)
    return connection.execute(voided.order_by(Version.ended.desc()).limit(1)).scalar()


def _versions(connection: Connection, kind: str, key: str) -> list[Any]:
    """Return the earlier versions of what was recorded under a key, oldest first."""
    return list(
        connection.execute(
            select(Version.made, Version.ended, Version.voided, Version.content)
            .where(Version.kind == kind, Version.key == key)
            .order_by(Version.made)
        )
    )


def _step(connection: Connection, entry: int, content: Mapping[str, Any]) -> Step:
    line = connection.execute(
        select(JournalLine.time, JournalLine.by, JournalLine.action, JournalLine.why).where(
            JournalLine.seq == entry
        )
    ).one()
    return Step(
        time=line.time,
        by=line.by,
        action=line.action,
        why=line.why,
        entry=entry,
        record=content,
    )
