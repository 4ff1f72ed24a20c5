"""The audit: the journal's chain, every record against its journal line, every rule."""

import json
from collections import Counter
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, func, select

from scionreg.records.errors import Problem
from scionreg.records.tables import KINDS, table
from scionreg.records.vocabulary import Trouble
from scionreg.registry import checking, journal
from scionreg.registry.ledger import Version
from scionreg.registry.rows import Row, RowDigest, read_rows, recorded_columns
from scionreg.registry.settings import read_settings


def audit(connection: Connection) -> Iterator[Problem]:
    """Yield everything wrong or doubtful: refusals are faults, warnings stay visible.

    The journal's chain first, then the records that are not as their journal line wrote them, then
    every rule over every record.
    """
    yield from journal.chain_problems(connection)
    yield from _changed_records(connection)
    for _, problem in checking.problems(connection, checking.whole(read_settings(connection))):
        yield problem


def _changed_records(connection: Connection) -> Iterator[Problem]:
    """Yield the records that were changed, added or removed past the journal."""
    written: Counter[str] = Counter()
    for line in journal.lines(connection):
        for kind, made in json.loads(line["content"]).get("made", {}).items():
            written[kind] += made["count"]
            if _digest(connection, kind, line["seq"], made) != made["sha256"]:
                yield _fault(
                    kind, f"what line {line['seq']} of the journal wrote is not what is there"
                )
    for kind in KINDS:
        there = _count(connection, table(kind))
        kept = _count(connection, Version.__table__, Version.kind == kind)
        if there + kept != written[kind]:
            yield _fault(kind, f"{there + kept} are there, but the journal wrote {written[kind]}")


def _digest(connection: Connection, kind: str, entry: int, made: dict[str, Any]) -> str:
    """Return the digest of what a journal line wrote, earlier versions included."""
    digest = RowDigest()
    for rows in _batched(_written_by(connection, kind, entry, made)):
        digest.add(rows)
    return digest.hexdigest()


def _written_by(
    connection: Connection, kind: str, entry: int, made: dict[str, Any]
) -> Iterator[Row]:
    """Yield the rows that a line wrote, by id: those still there, and those kept since."""
    names = [column.name for column in recorded_columns(kind)]
    kept = {
        record: tuple(json.loads(content).get(name) for name in names)
        for record, content in connection.execute(
            select(Version.record, Version.content).where(
                Version.kind == kind, Version.made == entry
            )
        )
    }
    ids = table(kind).columns["id"]
    waiting = sorted(kept)
    for record, _, row in read_rows(
        connection,
        kind,
        ids.between(made["first_id"], made["last_id"]),
        table(kind).columns["entry"] == entry,
    ):
        while waiting and waiting[0] < record:
            yield kept[waiting.pop(0)]
        yield row
    for record in waiting:
        yield kept[record]


def _batched(rows: Iterator[Row], size: int = 10_000) -> Iterator[list[Row]]:
    batch: list[Row] = []
    for row in rows:
        batch.append(row)
        if len(batch) == size:
            yield batch
            batch = []
    yield batch


def _count(connection: Connection, where: Any, *conditions: Any) -> int:
    query = select(func.count()).select_from(where).where(*conditions)
    return int(connection.execute(query).scalar_one())


def _fault(kind: str, wrong: str) -> Problem:
    return Problem(
        rule="record_past_the_journal",
        trouble=Trouble.REFUSED,
        kind=kind,
        wrong=wrong,
        right="compare with a copy made before; somebody wrote past scionreg",
    )
