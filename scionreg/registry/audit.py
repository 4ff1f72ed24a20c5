"""The audit: the journal's chain, every record against its journal line, every rule."""

import json
from collections import Counter
from collections.abc import Iterator
from itertools import chain, groupby
from typing import Any

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import DBAPIError

from scionreg.records.errors import Problem
from scionreg.records.tables import KINDS, table
from scionreg.records.vocabulary import Trouble
from scionreg.registry import checking, journal
from scionreg.registry.ledger import Version
from scionreg.registry.rewriting import Ended, digest_of
from scionreg.registry.rows import Row, RowDigest, key_text, read_rows, recorded_columns
from scionreg.registry.settings import read_settings
from scionreg.registry.store import HEAD, damaged


def audit(connection: Connection) -> Iterator[Problem]:
    """Yield everything wrong or doubtful: refusals are faults, warnings stay visible.

    The journal's chain first, then the records that are not as their journal line wrote them, then
    the earlier versions that are not as their line ended them, then every rule over every record.

    Raises
    ------
    NotARegistryError
        A SQLite file's pages do not hang together.
    """
    _check_file(connection)
    forged = False
    for problem in chain(
        journal.chain_problems(connection),
        _changed_records(connection),
        _changed_versions(connection),
    ):
        forged = True
        yield problem
    try:
        for _, problem in checking.problems(connection, checking.whole(read_settings(connection))):
            yield problem
    except (ValueError, TypeError, AttributeError, DBAPIError):
        if not forged:
            raise
        # Nobody could have recorded such values, so no rule knows what to make of them.
        yield _fault("registry", "values are there that no rule can judge; the rest was not judged")


def _check_file(connection: Connection) -> None:
    """Have SQLite check its file: a damaged index answers wrongly, or only now and then."""
    if connection.dialect.name == "sqlite":
        said = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar_one()
        if said != "ok":
            raise damaged(str(connection.engine.url.database), said.splitlines()[-1])


def _changed_records(connection: Connection) -> Iterator[Problem]:
    """Yield the records that were changed, added or removed past the journal."""
    written: Counter[str] = Counter()
    upgrades = _upgrades(connection)
    for line in journal.lines(connection):
        schema = next((before for seq, before in upgrades if seq > line["seq"]), HEAD)
        for kind, made in _written(line):
            written[kind] += made["count"]
            if _digest(connection, kind, line["seq"], made, schema) != made["sha256"]:
                yield _fault(
                    kind, f"what line {line['seq']} of the journal wrote is not what is there"
                )
    for kind in KINDS:
        there = _count(connection, table(kind))
        kept = _count(connection, Version.__table__, Version.kind == kind)
        if there + kept != written[kind]:
            yield _fault(kind, f"{there + kept} are there, but the journal wrote {written[kind]}")


def _upgrades(connection: Connection) -> list[tuple[int, str]]:
    """Return the lines that brought the tables up to date, and the schema before each."""
    return [
        (line["seq"], str(_said(line).get("from", HEAD)))
        for line in journal.lines(connection)
        if line["action"] == "upgrade"
    ]


def _digest(
    connection: Connection, kind: str, entry: int, made: dict[str, Any], schema: str
) -> str:
    """Return the digest of what a journal line wrote, earlier versions included.

    `schema` is that of the day: a row was digested without the columns that came later, which
    nobody can have filled in since without another line.
    """
    digest = RowDigest()
    late = [
        place
        for place, column in enumerate(recorded_columns(kind))
        if column.info.get("since", "") > schema
    ]
    rows = _written_by(connection, kind, entry, made)
    if late:
        rows = (_without(row, late) for row in rows)
    try:
        for batch in _batched(rows):
            digest.add(batch)
    except TypeError:
        return "bytes, which are no value of a record"
    return digest.hexdigest()


def _without(row: Row, late: list[int]) -> Row:
    """Return a row without columns that are empty; whole where one of them is not."""
    if any(row[place] is not None for place in late):
        return row
    return tuple(value for place, value in enumerate(row) if place not in late)


def _written_by(
    connection: Connection, kind: str, entry: int, made: dict[str, Any]
) -> Iterator[Row]:
    """Yield the rows that a line wrote, by id: those still there, and those kept since."""
    names = [column.name for column in recorded_columns(kind)]
    kept = {
        record: tuple(map(_object(content).get, names))
        for record, content in connection.execute(
            select(Version.record, Version.content).where(
                Version.kind == kind,
                Version.made == entry,
                Version.record.between(made["first_id"], made["last_id"]),
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


def _changed_versions(connection: Connection) -> Iterator[Problem]:
    """Yield the lines that ended other versions than those that are kept.

    Else a voided record could be put back, or an old version exchanged for the new.
    """
    ended = {line["seq"]: _digest_of_ended(line) for line in journal.lines(connection)}
    kept = dict.fromkeys(ended, digest_of([]))
    query = select(Version.ended, Version.kind, Version.key, Version.voided, Version.content)
    rows = connection.execute(query.order_by(Version.ended), execution_options={"yield_per": 1000})
    for number, versions in groupby(rows, key=lambda row: int(row.ended)):
        kept[number] = digest_of((v.kind, v.key, v.voided, v.content) for v in versions)
    for number, digest in kept.items():
        if digest != ended.get(number):
            yield _fault("versions", f"what line {number} of the journal ended is not what is kept")


def _written(line: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield kind and description of the rows that a line wrote: new ones, and corrected ones."""
    content = _said(line)
    for written in ("made", "corrected"):
        yield from content.get(written, {}).items()


def _said(line: dict[str, Any]) -> dict[str, Any]:
    """Return the content of a line; one that was changed says nothing, as the chain tells."""
    return _object(line["content"]) if journal.is_intact(line) else {}


def _object(content: str) -> dict[str, Any]:
    """Return a JSON object; an empty one for what somebody made unreadable."""
    try:
        read = json.loads(content)
    except ValueError:
        return {}
    return read if isinstance(read, dict) else {}


def _digest_of_ended(line: dict[str, Any]) -> str:
    """Return the digest of what a line ended; of much it is all that the line says."""
    said = _said(line).get("ended")
    return str(said["sha256"]) if said else digest_of(_ended_by(line))


def _ended_by(line: dict[str, Any]) -> list[Ended]:
    """Return what a line about one record ended."""
    content = _said(line)
    if line["action"] not in ("correct", "void") or not content:
        return []
    voided = line["action"] == "void"
    gone = content.get("voided", [{"kind": line["kind"], "record": content.get("before", {})}])
    return [
        (
            each["kind"],
            key_text(each["record"].get(name) for name in KINDS[each["kind"]].KEY),
            voided,
            journal.canonical(each["record"]),
        )
        for each in gone
    ]


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
