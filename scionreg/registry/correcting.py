"""Correcting and voiding records, with every earlier version kept, and a record's history."""

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, insert, select, update

from scionreg.records.cells import CellError, Ref
from scionreg.records.errors import NotFoundError, Problem, RegistryError
from scionreg.records.rules.base import lot_of
from scionreg.records.rules.references import OWNER, columns_holding
from scionreg.records.tables import KINDS, code_column, table
from scionreg.records.vocabulary import Trouble
from scionreg.registry import checking, journal
from scionreg.registry.changes import Change, Made, change
from scionreg.registry.finding import Found, find_record, kept_key
from scionreg.registry.intake import read_cell
from scionreg.registry.ledger import JournalLine, Version
from scionreg.registry.parts_of_dates import put_apart
from scionreg.registry.recorded_codes import AsRecorded
from scionreg.registry.recording import Recorded, as_text, refuse
from scionreg.registry.rows import (
    Row,
    RowDigest,
    as_record,
    read_rows,
    recorded_columns,
)
from scionreg.registry.store import Store


def correct(
    store: Store, kind: str, key: str, values: Mapping[str, Any], *, by: str = "", why: str
) -> Recorded:
    """Correct columns of a record; empty text makes a value unknown. The old version is kept.

    Raises
    ------
    ProblemsError
        The corrected record breaks a rule.
    RegistryError
        Nothing would change, or the key would: that is another record.
    """
    _need_reason(why)
    with change(store, by=by, action="correct", why=why, kind=kind, key=key) as making:
        text = as_text(kind, values, making.settings.today())
        named, (texts,) = put_apart(kind, tuple(text), [list(text.values())])
        text = dict(zip(named, texts, strict=True))
        connection = making.connection
        found = find_record(connection, kind, key)
        names = [column.name for column in recorded_columns(kind)]
        new = dict(zip(names, found.row, strict=True)) | _read(making, kind, found.key, text)
        row = tuple(new[name] for name in names)
        if any(
            new[name] != old
            for name, old in zip(names, found.row, strict=True)
            if name in KINDS[kind].KEY
        ):
            raise RegistryError("a key is not corrected; void the record and record it anew")
        if row == found.row:
            raise RegistryError(f"{found.key} already is as you say; nothing was changed")
        _keep(making, found, voided=False)
        connection.execute(
            update(table(kind))
            .where(table(kind).c.id == found.id)
            .values(entry=making.entry, **_bound(kind, new))
        )
        digest = RowDigest()
        digest.add([row])
        making.made[kind] = Made(1, found.id, found.id, digest)
        making.content |= {
            "before": as_record(kind, found.row),
            "after": as_record(kind, row),
        }
        warnings = _check_change(making, {kind: {_owner_code(found), *_owners(kind, row)}})
    return Recorded(kind=kind, key=found.key, record=as_record(kind, row), warnings=warnings)


def void(store: Store, kind: str, key: str, *, by: str = "", why: str) -> list[Found]:
    """Take a record back, with the lines that only belong to it; return what was voided.

    It no longer counts anywhere; its history stays. Its code is not used again.

    Raises
    ------
    RegistryError
        Another record names it.
    """
    _need_reason(why)
    with change(store, by=by, action="void", why=why, kind=kind, key=key) as making:
        connection = making.connection
        found = find_record(connection, kind, key)
        gone = [*_belonging(connection, found), found]
        for each in gone:
            _keep(making, each, voided=True)
            connection.execute(delete(table(each.kind)).where(table(each.kind).c.id == each.id))
        user = _named_by(connection, found)
        if user:
            raise RegistryError(f"{found.key} is named by {user}; void or correct that first")
        making.content["voided"] = [
            {"kind": each.kind, "record": as_record(each.kind, each.row)} for each in gone
        ]
        _check_change(
            making, {each.kind: {_owner_code(each), *_owners(each.kind, each.row)} for each in gone}
        )
    return gone


def _need_reason(why: str) -> None:
    if not why.strip():
        raise RegistryError("say why: the reason is kept with the change")


def _read(making: Change, kind: str, key: str, text: Mapping[str, str]) -> dict[str, Any]:
    """Return the stored values of corrected cells."""
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    recorded = AsRecorded(making.connection)
    for name, cell_text in text.items():
        column = table(kind).columns[name]
        reader = column.info["cell"].reader(making.settings.zone, making.settings.spellings)
        try:
            value = read_cell(reader, cell_text, required=not column.nullable)
            values[name] = recorded.as_recorded(column.info["cell"], value)
        except CellError as error:
            problems.append(
                Problem(
                    rule=error.rule,
                    trouble=Trouble.REFUSED,
                    kind=kind,
                    key=key,
                    column=name,
                    value=cell_text,
                    wrong=error.wrong,
                    right=error.right,
                )
            )
    refuse(problems)
    return values


def _bound(kind: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """Return values as SQLAlchemy's column types take them."""
    bound: dict[str, Any] = {}
    for column in recorded_columns(kind):
        value = values[column.name]
        python = column.type.python_type
        if value is not None and python is dt.date:
            value = dt.date.fromisoformat(value)
        elif value is not None and python is dt.datetime:
            value = dt.datetime.fromisoformat(value).replace(tzinfo=dt.UTC)
        elif value is not None and python is bool:
            value = bool(value)
        bound[column.name] = value
    return bound


def _keep(making: Change, found: Found, *, voided: bool) -> None:
    """Keep a record as it is among the earlier versions; the guards ask for it."""
    making.connection.execute(
        insert(Version),
        {
            "kind": found.kind,
            "record": found.id,
            "key": found.key,
            "made": found.entry,
            "ended": making.entry,
            "voided": voided,
            "content": journal.canonical(as_record(found.kind, found.row)),
        },
    )


def _owner_code(found: Found) -> str:
    return _owners(found.kind, found.row)[0]


def _owners(kind: str, row: Row) -> list[str]:
    """Return the codes that the rules judge a row by."""
    record = as_record(kind, row)
    names = [OWNER[kind][1]] if kind in OWNER else [KINDS[kind].KEY[0]]
    if kind == "bundle_parents":
        names.append("parent")
    return [str(record[name]) for name in names]


def _check_change(making: Change, changed: Mapping[str, set[str]]) -> tuple[Problem, ...]:
    """Check what a correction or void touched; return its warnings."""
    scope = checking.touched(making.connection, making.settings, changed)
    found = [problem for _, problem in checking.problems(making.connection, scope, changed)]
    if "cultivars" in changed:
        # Anything may name a cultivar, so all that does is judged.
        everything = checking.whole(making.settings)
        judged = checking.problems(making.connection, everything, ["cultivars"])
        found += [each for _, each in judged if each.trouble is Trouble.REFUSED]
    refuse(list(dict.fromkeys(found)))
    return tuple(found)


def _belonging(connection: Connection, found: Found) -> list[Found]:
    """Return the lines that only belong to a record: events, log, counts, parents, readings."""
    lines: list[Found] = []
    for kind, (owner, column) in OWNER.items():
        if owner == found.kind and kind != "dispatches":
            mine = table(kind).columns[column] == _owner_code(found)
            lines += [Found(kind, *each) for each in read_rows(connection, kind, mine)]
    return lines


def _named_by(connection: Connection, found: Found) -> str | None:
    """Return a record that names this one, as words, or None."""
    own = code_column(found.kind)
    code = as_record(found.kind, found.row)[own.name]
    if connection.execute(select(own).where(own == code).limit(1)).first():
        return None  # another line of the same dispatch still has the code
    for kind, column in columns_holding(Ref):
        cell = column.info["cell"]
        if found.kind not in cell.kinds:
            continue
        named: ColumnElement[Any] = lot_of(column) if cell.single else column
        for record, entry, row in read_rows(connection, kind, named == code):
            return f"{kind.replace('_', ' ')} {Found(kind, record, entry, row).key}"
    return None


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
    voided = select(Version.kind).where(Version.key == code, Version.voided)
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
