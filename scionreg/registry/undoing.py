"""Undoing a change of the journal: its opposite, as a new change.

Nothing is taken out of the journal: what the change recorded is voided, what it corrected is
corrected back, what it voided comes back, settings it changed are as they were.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from scionreg.records.errors import NotFoundError, Problem, RegistryError
from scionreg.records.tables import KINDS, code_column, table
from scionreg.registry import journal, rewriting
from scionreg.registry.changes import Change, change
from scionreg.registry.finding import Found
from scionreg.registry.ledger import JournalLine, Version
from scionreg.registry.rows import Row, as_record, key_of, key_text, read_rows
from scionreg.registry.store import Store

CHANGES = ("record", "import", "correct", "void", "restore", "settings")
"""Lines that can be undone. The others tell of something that happened: codes that were given out
may be on labels already, and a sheet was printed."""

Key = tuple[str, str]
"""Kind and key of a record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Undone:
    """What undoing a line did, or would do.

    `corrected` are the records with their content before and after, `settings` what they come to.
    """

    line: Mapping[str, Any]
    voided: tuple[Found, ...]
    corrected: tuple[tuple[Found, Mapping[str, Any]], ...]
    restored: tuple[Found, ...]
    settings: Mapping[str, str]
    warnings: tuple[Problem, ...]


def undo(
    store: Store, *, by: str = "", of: str = "", line: int | None = None, dry_run: bool = False
) -> Undone:
    """Undo the last change that was not undone, `of` one person or of anybody, or a certain line.

    An undoing is no change to be undone: the next one takes the change before.

    Raises
    ------
    NotFoundError
        There is no such change.
    RegistryError
        A record was changed since, or others name it.
    """
    with store.reading() as connection:
        number = last_change(connection, of) if line is None else line
        undone = _line(connection, number)
    why = f"undo of line {number}"
    kind, key = _about(undone)
    with change(store, by=by, action="undo", why=why, kind=kind, key=key) as making:
        _check_not_undone(making.connection, number)
        done = _undo(making, undone)
        making.content["undoes"] = number
        making.cancelled = dry_run
    return done


def last_change(connection: Connection, of: str = "") -> int:
    """Return the number of the last change, `of` one person or of anybody, that was not undone.

    Raises
    ------
    NotFoundError
        There is none.
    """
    columns = JournalLine.seq, JournalLine.action, JournalLine.by, JournalLine.content
    query = select(*columns).where(JournalLine.action.in_((*CHANGES, "undo")))
    undone: set[int] = set()
    options = {"yield_per": 100}
    with connection.execute(query.order_by(JournalLine.seq.desc()), execution_options=options) as (
        lines
    ):
        for each in lines:
            if each.action == "undo":
                undone.add(json.loads(each.content)["undoes"])
            elif each.seq not in undone and of in ("", each.by):
                return int(each.seq)
    raise NotFoundError(f"there is no change{f' of {of}' if of else ''} left to undo")


def _line(connection: Connection, number: int) -> dict[str, Any]:
    """Return a line that can be undone; raise `RegistryError` where it cannot."""
    line = next(journal.lines(connection, after=number - 1), None)
    if line is None or line["seq"] != number:
        raise NotFoundError(f"the journal has no line {number}")
    if line["action"] not in CHANGES:
        raise RegistryError(f"line {number} ({line['action']}) is no change that can be undone")
    return line


def _about(line: Mapping[str, Any]) -> Key:
    """Return the kind and key of the record that a line is about, empty where of many."""
    recorded = json.loads(line["content"]).get("records")
    if not recorded:
        return line["kind"], line["key"]
    kind, record = recorded[0]["kind"], recorded[0]["record"]
    return kind, key_text(key_of(kind, rewriting.row_of(kind, record)))


def _check_not_undone(connection: Connection, number: int) -> None:
    later = select(JournalLine.seq, JournalLine.content).where(
        JournalLine.seq > number, JournalLine.action == "undo"
    )
    for by, content in connection.execute(later):
        if json.loads(content)["undoes"] == number:
            raise RegistryError(f"line {number} was undone already, by line {by}")


def _undo(making: Change, line: Mapping[str, Any]) -> Undone:
    connection, number = making.connection, line["seq"]
    content = json.loads(line["content"])
    there = {(each.kind, each.key): each for each in _written(connection, number, content)}
    before, lost = _ended(connection, number)
    corrected = [(each, before[key]) for key, each in there.items() if key in before]
    made = [each for key, each in there.items() if key not in before]
    ended = rewriting.take_out(making, made)
    ended += rewriting.put_right(making, corrected)
    restored = rewriting.put_back(making, lost)
    rewriting.check_named(connection, made)
    warnings = rewriting.check(
        making,
        *((each.kind, each.row) for each in made),
        *((each.kind, each.row) for each, _ in corrected),
        *((each.kind, row) for each, row in corrected),
        *lost,
    )
    if ended:
        making.content["ended"] = {"count": len(ended), "sha256": rewriting.digest_of(ended)}
    settings = _settings_before(making, number, content)
    if settings:
        making.change_settings(settings)
    return Undone(
        line=line,
        voided=tuple(made),
        corrected=tuple((each, as_record(each.kind, row)) for each, row in corrected),
        restored=tuple(restored),
        settings=settings,
        warnings=warnings,
    )


def _written(connection: Connection, line: int, content: Mapping[str, Any]) -> Iterator[Found]:
    """Yield the records that a line wrote, as they are.

    Raises
    ------
    RegistryError
        One is not as the line wrote it any more.
    """
    kinds = {*content.get("made", ()), *content.get("corrected", ())}
    for kind in filter(kinds.__contains__, KINDS):
        mine = read_rows(connection, kind, table(kind).c.entry == line)
        yield from (Found(kind, *each) for each in mine)
        # Changed since, but it may be as it was again: that too was undone.
        since = select(Version.key, Version.ended, Version.content).where(
            Version.kind == kind, Version.made == line
        )
        for key, ended, text in connection.execute(since.order_by(Version.id)):
            row = rewriting.row_of(kind, json.loads(text))
            yield _as_it_was(connection, kind, key, row, ended)


def _as_it_was(connection: Connection, kind: str, key: str, row: Row, ended: int) -> Found:
    """Return the record of a key if it is as `row`; raise `RegistryError` where it is not."""
    code = rewriting.code_of(kind, row)
    for each in read_rows(connection, kind, code_column(kind) == code):
        found = Found(kind, *each)
        if found.row == row:
            return found
    raise RegistryError(f"{key} was changed since, by line {ended}; undo that first")


def _ended(connection: Connection, line: int) -> tuple[dict[Key, Row], list[tuple[str, Row]]]:
    """Return what a line ended: the records it corrected as they were before, and the voided."""
    before: dict[Key, Row] = {}
    lost: list[tuple[str, Row]] = []
    query = select(Version.kind, Version.key, Version.voided, Version.content)
    for kind, key, voided, text in connection.execute(
        query.where(Version.ended == line).order_by(Version.id)
    ):
        row = rewriting.row_of(kind, json.loads(text))
        if voided:
            lost.append((kind, row))
        else:
            before[kind, key] = row
    return before, lost


def _settings_before(making: Change, line: int, content: Mapping[str, Any]) -> dict[str, str]:
    """Return the settings that a line changed as they were before it.

    Raises
    ------
    RegistryError
        Nobody kept them, or they were changed since.
    """
    if "settings" not in content:
        return {}
    if "were" not in content:
        raise RegistryError(f"line {line} does not tell how the settings were before it")
    now = making.settings.plain() | making.settings.own_values
    if {name: now.get(name, "") for name in content["settings"]} != content["settings"]:
        raise RegistryError(f"the settings of line {line} were changed since; undo that first")
    before: dict[str, str] = content["were"]
    return before


def kinds_of(records: Sequence[Found]) -> dict[str, int]:
    """Return how many of the records are of each kind."""
    return {kind: count for kind in KINDS if (count := sum(each.kind == kind for each in records))}
