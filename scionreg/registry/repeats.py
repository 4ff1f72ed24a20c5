"""Rows whose key is there already: the same record again, a correction's original, or a clash."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from scionreg.records.codes import LETTER_OF
from scionreg.records.errors import Problem
from scionreg.records.shell import command_line
from scionreg.records.tables import KINDS, code_column, table
from scionreg.records.vocabulary import Trouble
from scionreg.registry.finding import Found
from scionreg.registry.ledger import Version
from scionreg.registry.rows import Row, as_moment, as_record, key_of, key_text, read_rows

Placed = tuple[Row, int]
"""A row and the line of the file it stands on."""


@dataclass(frozen=True, slots=True)
class Differing:
    """A row whose key is recorded with other content."""

    found: Found
    row: Row
    line: int


class Repeats:
    """Tells rows that are new from rows that are recorded, or were and are voided."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._voided: dict[str, dict[str, list[dict[str, Any]]]] = {}

    def without_voided(
        self, kind: str, rows: list[Row], lines: Sequence[int], file: str
    ) -> tuple[list[Row], Sequence[int], list[Problem]]:
        """Return the rows but those that were recorded before and voided since.

        A voided record does not come back because its file is imported again; recorded by hand it
        is meant. A voided code that would come back is a problem: a code is used once.
        """
        voided = self._voided_of(kind)
        if not voided:
            return rows, lines, []
        kept: list[Placed] = []
        problems: list[Problem] = []
        for row, line in zip(rows, lines, strict=True):
            key = key_text(key_of(kind, row))
            if file and as_record(kind, row) in voided.get(key, ()):
                continue
            if key in voided and len(KINDS[kind].KEY) == 1:
                problems.append(_voided_code(kind, key, file, line))
            else:
                kept.append((row, line))
        return [row for row, _ in kept], [line for _, line in kept], problems

    def _voided_of(self, kind: str) -> dict[str, list[dict[str, Any]]]:
        """Return everything that voided records ever were, by key."""
        if kind not in self._voided:
            found: dict[str, list[dict[str, Any]]] = {}
            gone = select(Version.key).where(Version.kind == kind, Version.voided)
            if len(KINDS[kind].KEY) == 1:  # but those that came back
                gone = gone.where(Version.key.not_in(select(code_column(kind))))
            for key, content in self._connection.execute(
                select(Version.key, Version.content).where(
                    Version.kind == kind, Version.key.in_(gone)
                )
            ):
                found.setdefault(key, []).append(json.loads(content))
            self._voided[kind] = found
        return self._voided[kind]

    def sort_out(
        self, kind: str, before: int, rows: list[Row], lines: Sequence[int]
    ) -> tuple[dict[int, Placed], list[Differing]]:
        """Return, of rows of which some were there already, the new ones by id, and the others.

        Those are the rows that differ from what is there. `before` is the newest id from before
        they were written.
        """
        recorded = self._recorded(rows, kind) if rows else {}
        new: dict[int, Placed] = {}
        differing: list[Differing] = []
        for row, line in zip(rows, lines, strict=True):
            found = recorded[key_of(kind, row)]
            if found.id > before and found.id not in new:
                new[found.id] = (row, line)
            elif found.row != row:
                differing.append(Differing(found, row, line))
        return new, differing

    def _recorded(self, rows: list[Row], kind: str) -> dict[tuple[Any, ...], Found]:
        """Return the records that have the rows' keys."""
        first = table(kind).columns[KINDS[kind].KEY[0]]
        names = sorted({str(key_of(kind, row)[0]) for row in rows})
        found: dict[tuple[Any, ...], Found] = {}
        narrow = self._narrow(rows, kind)
        for start in range(0, len(names), 1000):
            some = first.in_(names[start : start + 1000])
            for record, entry, row in read_rows(self._connection, kind, some, *narrow):
                found[key_of(kind, row)] = Found(kind, record, entry, row)
        return found

    def _narrow(self, rows: list[Row], kind: str) -> list[Any]:
        """Return a condition that keeps a store's other years out, for keys that end in a time."""
        if kind != "store_readings":
            return []
        times = [key_of(kind, row)[1] for row in rows]
        column = table(kind).columns["time"]
        return [column >= as_moment(min(times)), column <= as_moment(max(times))]

    def was(self, kind: str, row: Row) -> bool:
        """Tell whether a record was once as `row` is, and was corrected since."""
        versions = self._connection.execute(
            select(Version.content).where(
                Version.kind == kind, Version.key == key_text(key_of(kind, row))
            )
        ).scalars()
        return as_record(kind, row) in [json.loads(content) for content in versions]


def clash(different: Differing, file: str, *, again: bool) -> Problem:
    """Return the problem that a row differs from the record of its key.

    `again` says that the record came with the same change: no correction is meant then.
    """
    found, kind = different.found, different.found.kind
    mine, theirs = as_record(kind, different.row), as_record(kind, found.row)
    names = [name for name in {**theirs, **mine} if mine.get(name) != theirs.get(name)]
    named = ", ".join(f"{name} {theirs.get(name, 'empty')}" for name in names)
    here = ", ".join(f"{mine.get(name, 'empty')}" for name in names)
    if again:
        right = "keep one of the two"
    elif file:
        right = "scionreg import --correct takes the file's values as corrections"
    else:
        right = f"to correct it: {command_line('correct', found.key)} --set …"
    if len(KINDS[kind].KEY) == 1:
        right += "; a new record needs a code of its own"
    return Problem(
        rule="duplicate_key",
        trouble=Trouble.REFUSED,
        kind=kind,
        key=found.key,
        column=names[0],
        value=str(mine.get(names[0], "")),
        wrong=f"{found.key} {'stands' if again else 'is recorded'} with {named}, here {here}",
        right=right,
        file=file,
        line=different.line,
    )


def _voided_code(kind: str, key: str, file: str, line: int) -> Problem:
    return Problem(
        rule="voided_code",
        trouble=Trouble.REFUSED,
        kind=kind,
        key=key,
        column=KINDS[kind].KEY[0],
        value=key,
        wrong=f"{key} was voided",
        right=f"{command_line('restore', key)} brings it back; else take "
        + ("a new code" if kind in LETTER_OF else "another name"),
        file=file,
        line=line,
    )
