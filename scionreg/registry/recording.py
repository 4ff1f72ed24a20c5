"""Recording records: one, or several that are right together only."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from scionreg.records import codes
from scionreg.records.cells import shield
from scionreg.records.errors import Problem, ProblemsError, RegistryError
from scionreg.records.tables import KINDS, code_column, fields
from scionreg.records.vocabulary import Trouble
from scionreg.registry.changes import Change, change
from scionreg.registry.intake import Batch, Intake
from scionreg.registry.issuing import next_code
from scionreg.registry.rows import Row, as_record, read_rows, recorded_columns
from scionreg.registry.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What was recorded: the record as stored, and the warnings that go with it."""

    kind: str
    key: str
    record: Mapping[str, Any]
    warnings: tuple[Problem, ...]


def as_text(kind: str, values: Mapping[str, Any]) -> dict[str, str]:
    """Return values as the text of cells; text stays as it is.

    Raises
    ------
    RegistryError
        A name that is no column of the kind.
    """
    known = {column.name: column.info["cell"] for column in recorded_columns(kind)}
    for name in values:
        if name not in known:
            raise RegistryError(f"{kind} have no column '{name}'; they have {', '.join(known)}")
    return {
        name: shield(value) if isinstance(value, str) else known[name].write(value)
        for name, value in values.items()
        if value is not None
    }


def record(
    store: Store, kind: str, values: Mapping[str, Any], *, by: str = "", why: str = ""
) -> Recorded:
    """Record one record and return it; a code is issued where the kind has one and none is given.

    Raises
    ------
    ProblemsError
        The record breaks a rule, or its code names another record.
    """
    return record_all(store, [(kind, values)], by=by, why=why)[0]


def record_all(
    store: Store,
    records: list[tuple[str, Mapping[str, Any]]],
    *,
    by: str = "",
    why: str = "",
    action: str = "record",
) -> list[Recorded]:
    """Record several records in one change: all of them or none.

    A bundle and its parents, for instance, are right together only.
    """
    kind, made = records[0][0], []
    with change(store, by=by, action=action, why=why, kind=kind) as making:
        intake = Intake(making)
        for each, values in records:
            text = as_text(each, values)
            key = KINDS[each].KEY[0]
            if key not in text and each in codes.LETTER_OF:
                text[key] = next_code(making, each, _season_of(making, text))
            missing = [c.name for c in fields(each) if not c.nullable and c.name not in text]
            text |= dict.fromkeys(missing, "")
            intake.take(Batch(each, tuple(text), [list(text.values())]))
            made.append((each, text[key].strip()))
        intake.finish()
        refuse(intake.problems)
        making.cancelled = not sum(intake.taken.recorded.values())
        rows = [_last_made(making.connection, each, key) for each, key in made]
        making.content["records"] = [
            {"kind": each, "record": as_record(each, row)}
            for (each, _), row in zip(made, rows, strict=True)
        ]
    return [
        Recorded(
            kind=each,
            key=key,
            record=as_record(each, row),
            warnings=tuple(p for p in intake.problems if p.kind == each or len(made) == 1),
        )
        for (each, key), row in zip(made, rows, strict=True)
    ]


def _last_made(connection: Connection, kind: str, key: str) -> Row:
    *_, (_, _, row) = read_rows(connection, kind, code_column(kind) == key)
    return row


def _season_of(making: Change, text: Mapping[str, str]) -> int:
    """Return the season of the day that a record names, or of today."""
    for name in ("date", "packed", "received"):
        try:
            return making.settings.season(dt.date.fromisoformat(text.get(name, "")))
        except ValueError:
            continue
    return making.settings.season(making.settings.today())


def refuse(problems: list[Problem]) -> None:
    """Raise `ProblemsError` if any of the problems is a refusal."""
    if any(problem.trouble is Trouble.REFUSED for problem in problems):
        raise ProblemsError(problems)
