"""Correcting, voiding and restoring records, with every earlier version kept."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from scionreg.records.cells import CellError, noun
from scionreg.records.errors import NotFoundError, Problem, RegistryError, refuse
from scionreg.records.tables import KINDS, table
from scionreg.records.vocabulary import Trouble
from scionreg.registry import rewriting
from scionreg.registry.changes import Change, change
from scionreg.registry.finding import Found, find_record, kept_key
from scionreg.registry.intake import read_cell
from scionreg.registry.ledger import Version
from scionreg.registry.parts_of_dates import put_apart
from scionreg.registry.recorded_codes import AsRecorded
from scionreg.registry.recording import as_text
from scionreg.registry.rows import Row, as_record, read_rows, recorded_columns
from scionreg.registry.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """A record before and after a correction, and the warnings that go with it."""

    kind: str
    key: str
    before: Mapping[str, Any]
    record: Mapping[str, Any]
    warnings: tuple[Problem, ...]


def correct(
    store: Store,
    kind: str,
    key: str,
    values: Mapping[str, Any],
    *,
    by: str = "",
    why: str,
    dry_run: bool = False,
) -> Corrected:
    """Correct columns of a record; empty text makes a value unknown. The old version is kept.

    Raises
    ------
    ProblemsError
        The corrected record breaks a rule.
    RegistryError
        Nothing would change, or the key would: that is another record.
    """
    if not dry_run:
        _need_reason(why)
    with change(store, by=by, action="correct", why=why, kind=kind, key=key) as making:
        text = as_text(kind, values, making.settings.today())
        named, (texts,) = put_apart(kind, tuple(text), [list(text.values())])
        text = dict(zip(named, texts, strict=True))
        found = find_record(making.connection, kind, key)
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
        rewriting.put_right(making, [(found, row)])
        done = Corrected(
            kind=kind,
            key=found.key,
            before=as_record(kind, found.row),
            record=as_record(kind, row),
            warnings=rewriting.check(making, (kind, found.row), (kind, row)),
        )
        making.content |= {"before": done.before, "after": done.record}
        making.cancelled = dry_run
    return done


def void(
    store: Store, kind: str, key: str, *, by: str = "", why: str, dry_run: bool = False
) -> list[Found]:
    """Take a record back, with the lines that only belong to it; return what was voided.

    It no longer counts anywhere; its history stays. Its code is not given to another record.

    Raises
    ------
    RegistryError
        Another record names it.
    """
    if not dry_run:
        _need_reason(why)
    with change(store, by=by, action="void", why=why, kind=kind, key=key) as making:
        found = find_record(making.connection, kind, key)
        gone = [*_lines(making.connection, found), found]
        rewriting.take_out(making, gone)
        rewriting.check_named(making.connection, [found])
        rewriting.check(making, *((each.kind, each.row) for each in gone))
        making.content["voided"] = _told(gone)
        making.cancelled = dry_run
    return gone


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """The records that came back, the one that was asked for last, and the warnings with them."""

    records: tuple[Found, ...]
    warnings: tuple[Problem, ...]


def restore(store: Store, kind: str, key: str, *, by: str = "", why: str = "") -> Restored:
    """Bring a voided record back as it was, with its lines that went with it, as a new version.

    Raises
    ------
    ProblemsError
        It breaks a rule by now; what it names may have been voided too.
    RegistryError
        It is not voided, or its key was recorded again.
    """
    with change(store, by=by, action="restore", why=why, kind=kind, key=key) as making:
        lost = _voided(making.connection, kind, key)
        back = rewriting.put_back(making, lost)
        back.sort(key=lambda each: (each.kind, each.row) == lost[-1])
        warnings = rewriting.check(making, *lost)
        making.content["restored"] = _told(back)
    return Restored(records=tuple(back), warnings=warnings)


def _told(records: list[Found]) -> list[dict[str, Any]]:
    """Return records as the journal tells of them."""
    return [{"kind": each.kind, "record": as_record(each.kind, each.row)} for each in records]


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


def _lines(connection: Connection, found: Found) -> list[Found]:
    """Return the lines that only belong to a record."""
    code = rewriting.owner_code(found)
    return [
        Found(kind, *each)
        for kind, column in rewriting.lines_of(found.kind)
        for each in read_rows(connection, kind, table(kind).columns[column] == code)
    ]


def _voided(connection: Connection, kind: str, key: str) -> list[tuple[str, Row]]:
    """Return the lines that went when a record was voided last, and at the end the record.

    Raises
    ------
    NotFoundError
        No record of that key was voided.
    RegistryError
        The record is there.
    """
    record, ended = _last_void(connection, kind, key)
    code = rewriting.owner_code(Found(kind, 0, 0, record))
    lines: list[tuple[str, Row]] = []
    for line, column in rewriting.lines_of(kind):
        went = select(Version.content).where(
            Version.ended == ended, Version.kind == line, Version.voided
        )
        contents = map(json.loads, connection.execute(went.order_by(Version.id)).scalars())
        lines += [(line, rewriting.row_of(line, each)) for each in contents if each[column] == code]
    return [*lines, (kind, record)]


def _last_void(connection: Connection, kind: str, key: str) -> tuple[Row, int]:
    """Return a record as it was when it was voided last, and the line of the journal that did."""
    keys = {key, kept_key(connection, kind, key)}
    gone = connection.execute(
        select(Version.content, Version.ended)
        .where(Version.kind == kind, Version.key.in_(keys), Version.voided)
        .order_by(Version.ended.desc())
        .limit(1)
    ).first()
    try:
        there = find_record(connection, kind, key).key
    except NotFoundError:
        there = ""
    if there in keys:
        raise RegistryError(f"{there} is recorded; there is nothing to bring back")
    if gone is None:
        raise NotFoundError(f"no {noun(kind)} '{key}' was voided")
    return rewriting.row_of(kind, json.loads(gone.content)), gone.ended
