"""Rows whose key is there already: the same record again, a correction's original, or a clash."""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select

from scionreg.records.codes import LETTER_OF
from scionreg.records.errors import Problem
from scionreg.records.shell import command_line
from scionreg.records.tables import KINDS, code_column, table
from scionreg.records.vocabulary import Trouble
from scionreg.registry.ledger import Version
from scionreg.registry.rows import Row, as_moment, as_record, key_of, key_text, read_rows

Placed = tuple[Row, int]
"""A row and the line of the file it stands on."""


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
        self, kind: str, before: int, rows: list[Row], lines: Sequence[int], file: str
    ) -> tuple[dict[int, Placed], list[Problem]]:
        """Return, of rows of which some were there already, the new ones by id, and the clashes.

        `before` is the newest id from before they were written.
        """
        recorded = self._recorded(rows, kind) if rows else {}
        new: dict[int, Placed] = {}
        problems: list[Problem] = []
        for row, line in zip(rows, lines, strict=True):
            key = key_of(kind, row)
            record, content = recorded[key]
            if record > before and record not in new:
                new[record] = (row, line)
            elif content != row and not self._was(kind, row):
                problems.append(_clash(kind, row, content, file, line))
        return new, problems

    def _recorded(self, rows: list[Row], kind: str) -> dict[tuple[Any, ...], tuple[int, Row]]:
        """Return id and content of the records that have the rows' keys."""
        first = table(kind).columns[KINDS[kind].KEY[0]]
        names = sorted({str(key_of(kind, row)[0]) for row in rows})
        found: dict[tuple[Any, ...], tuple[int, Row]] = {}
        narrow = self._narrow(rows, kind)
        for start in range(0, len(names), 1000):
            some = first.in_(names[start : start + 1000])
            for record, _, row in read_rows(self._connection, kind, some, *narrow):
                found[key_of(kind, row)] = (record, row)
        return found

    def _narrow(self, rows: list[Row], kind: str) -> list[Any]:
        """Return a condition that keeps a store's other years out, for keys that end in a time."""
        if kind != "store_readings":
            return []
        times = [key_of(kind, row)[1] for row in rows]
        column = table(kind).columns["time"]
        return [column >= as_moment(min(times)), column <= as_moment(max(times))]

    def _was(self, kind: str, row: Row) -> bool:
        """Tell whether a record was once as `row` is, and was corrected since."""
        versions = self._connection.execute(
            select(Version.content).where(
                Version.kind == kind, Version.key == key_text(key_of(kind, row))
            )
        ).scalars()
        return as_record(kind, row) in [json.loads(content) for content in versions]


def _clash(kind: str, row: Row, content: Row, file: str, line: int) -> Problem:
    mine, theirs = as_record(kind, row), as_record(kind, content)
    differing = sorted(
        name for name in mine.keys() | theirs.keys() if mine.get(name) != theirs.get(name)
    )
    column = differing[0]
    return Problem(
        rule="duplicate_key",
        trouble=Trouble.REFUSED,
        kind=kind,
        key=key_text(key_of(kind, row)),
        column=column,
        value=str(mine.get(column, "")),
        wrong=f"{key_text(key_of(kind, row))} is recorded with another {', '.join(differing)} "
        f"({theirs.get(column, 'empty')})",
        right=_way_out(kind),
        file=file,
        line=line,
    )


def _way_out(kind: str) -> str:
    """Return what to do about a record that differs from one of the same key."""
    if len(KINDS[kind].KEY) == 1:
        return "give the new record a code of its own, or correct the one that is there"
    parts = " and ".join(name.replace("_", " ") for name in KINDS[kind].KEY)
    return f"correct the one that is there; there is one for each {parts}"


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
