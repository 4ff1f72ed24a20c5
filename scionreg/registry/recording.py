"""Recording records: one, or several that are right together only."""

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from scionreg.records import codes
from scionreg.records.cells import last_day, shield
from scionreg.records.errors import Problem, RegistryError, refuse
from scionreg.records.tables import KINDS, fields
from scionreg.registry.changes import Change, change
from scionreg.registry.intake import Batch, Intake
from scionreg.registry.issuing import next_code
from scionreg.registry.rows import Row, as_record, key_of, key_text, recorded_columns
from scionreg.registry.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What was recorded: the record as stored, and the warnings that go with it.

    A `repeated` one was there already, exactly so.
    """

    kind: str
    key: str
    record: Mapping[str, Any]
    warnings: tuple[Problem, ...]
    repeated: bool = False


def as_text(kind: str, values: Mapping[str, Any], today: dt.date) -> dict[str, str]:
    """Return values as the text of cells; of text, what goes by `today` as the day it means.

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
        name: shield(known[name].typed(value.strip(), today))
        if isinstance(value, str)
        else known[name].write(value)
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
    store: Store, records: Sequence[tuple[str, Mapping[str, Any]]], *, by: str = "", why: str = ""
) -> list[Recorded]:
    """Record several records in one change: all of them or none."""
    return _record(store, lambda making: records, records[0][0], by=by, why=why)


def rebundle(
    store: Store,
    parents: Sequence[tuple[str, int]],
    values: Mapping[str, Any],
    *,
    by: str = "",
    why: str = "",
) -> list[Recorded]:
    """Record a bundle tied from sticks of others: `parents` gives each one's code and sticks.

    Raises
    ------
    RegistryError
        A parent is named twice: the same sticks typed again, or more of them; nobody can tell.
    """
    named = [code for code, _ in parents]
    if twice := [code for code in dict.fromkeys(named) if named.count(code) > 1]:
        raise RegistryError(f"{twice[0]} is named twice; write all sticks taken from it at once")

    def records(making: Change) -> list[tuple[str, Mapping[str, Any]]]:
        text = as_text("bundles", values, making.settings.today())
        bundle = text.get("bundle") or next_code(making, "bundles", _season_of(making, text))
        links = [{"bundle": bundle, "parent": code, "sticks": sticks} for code, sticks in parents]
        return [
            ("bundles", {**values, "bundle": bundle}),
            *(("bundle_parents", link) for link in links),
        ]

    return _record(store, records, "bundles", by=by, why=why)


def _record(
    store: Store,
    records: Callable[[Change], Sequence[tuple[str, Mapping[str, Any]]]],
    kind: str,
    *,
    by: str,
    why: str,
) -> list[Recorded]:
    taken: list[tuple[str, Row]] = []
    repeated: list[bool] = []
    with change(store, by=by, action="record", why=why, kind=kind) as making:
        intake = Intake(making)
        for each, values in records(making):
            text = completed(making, each, values)
            before = intake.taken.recorded[each]
            rows = intake.take(Batch(each, tuple(text), [list(text.values())]))
            taken += [(each, row) for row in rows]
            repeated += [intake.taken.recorded[each] == before for _ in rows]
        intake.finish()
        refuse(intake.problems)
        making.cancelled = not any(intake.taken.recorded.values())
        making.content["records"] = [
            {"kind": each, "record": as_record(each, row)} for each, row in taken
        ]
    return [
        Recorded(
            kind=each,
            key=key_text(key_of(each, row)),
            record=as_record(each, row),
            warnings=() if index else tuple(intake.problems),
            repeated=repeated[index],
        )
        for index, (each, row) in enumerate(taken)
    ]


def completed(making: Change, kind: str, values: Mapping[str, Any]) -> dict[str, str]:
    """Return a record's text with a code issued where it has none, and its gaps in sight."""
    text = as_text(kind, values, making.settings.today())
    key = KINDS[kind].KEY[0]
    if key not in text and kind in codes.LETTER_OF:
        text[key] = next_code(making, kind, _season_of(making, text))
    required = [column.name for column in fields(kind) if not column.nullable]
    return dict.fromkeys(required, "") | text


def _season_of(making: Change, text: Mapping[str, str]) -> int:
    """Return the season of the day, month or year that a record names, or of today."""
    for name in ("date", "packed", "received"):
        if day := last_day(text.get(name, "")):
            return making.settings.season(day)
    return making.settings.season(making.settings.today())
