"""What is doubtful in new records by what was recorded around them: typed twice, by whom.

Asked once, while they are recorded; none of it is a fault to be mended later.
"""

import datetime as dt
import difflib
from collections.abc import Iterator
from typing import Any

from sqlalchemy import and_, select

from scionreg.records import codes
from scionreg.records.cells import Ref, noun
from scionreg.records.errors import Problem
from scionreg.records.rules import INTAKE_RULES
from scionreg.records.tables import KINDS, code_column, fields, table
from scionreg.registry.changes import Change, Made
from scionreg.registry.ledger import JournalLine, ReservedCodes
from scionreg.registry.rows import as_moment, key_text, recorded_columns, stored

Doubt = tuple[int, Problem]

TYPED_TWICE = ("collections", "graft_lots", "identity_checks", "dispatches")
"""Kinds of which two alike are rather one. Bundles are not: a cutting is tied in several."""

LATELY = dt.timedelta(minutes=10)
NEAR = 50
"""Among so many records before the new ones their like is looked for."""

MANY = 2000
"""More records at once were not typed."""


def recorded_lately(making: Change) -> Iterator[Doubt]:
    """Yield a warning for each new record whose like was recorded minutes ago."""
    for kind in TYPED_TWICE:
        made = making.made.get(kind)
        if made is not None and made.count <= MANY:
            yield from _alike(making, kind, made)


def _alike(making: Change, kind: str, made: Made) -> Iterator[Doubt]:
    new, old = table(kind).alias("new"), table(kind).alias("old")
    own = KINDS[kind].KEY[0]
    names = [column.name for column in recorded_columns(kind) if column.name != own]
    alike = (new.c[name].is_not_distinct_from(old.c[name]) for name in names)
    near = old.c.id.between(made.first_id - NEAR, made.first_id - 1)
    query = (
        select(new.c.id, *(new.c[name] for name in KINDS[kind].KEY), old.c[own], JournalLine.time)
        .join_from(new, old, and_(near, *alike))
        .join(JournalLine, JournalLine.seq == old.c.entry)
        .where(new.c.id.between(made.first_id, made.last_id))
        .order_by(new.c.id, old.c.id.desc())
    )
    told: set[int] = set()
    for record, *key, before, time in making.connection.execute(query):
        ago = dt.datetime.now(dt.UTC) - as_moment(stored(time))
        if ago <= LATELY and record not in told:
            told.add(record)
            said = {"noun": noun(kind), "code": before, "ago": _ago(ago)}
            yield record, _problem("recorded_lately", kind, key_text(key), own, **said)


def _ago(ago: dt.timedelta) -> str:
    minutes = int(ago.total_seconds() // 60)
    return "just now" if minutes < 1 else f"{minutes} minute{'s' if minutes > 1 else ''} ago"


def unknown_recorder(making: Change) -> Iterator[Doubt]:
    """Yield one warning where nobody recorded has the code of whoever records."""
    people = set(making.connection.execute(select(code_column("people"))).scalars())
    if not people or making.by in people or not making.made:
        return
    kind, made = next(iter(making.made.items()))
    like = difflib.get_close_matches(making.by, sorted(people), 3, 0.6)
    meant = f"perhaps {' or '.join(like)}; else " if like else ""
    key = KINDS[kind].KEY
    columns = table(kind).columns
    first = select(*(columns[name] for name in key)).where(columns["id"] == made.first_id)
    recorded = making.connection.execute(first).one()
    said = {"by": making.by, "meant": meant}
    yield made.first_id, _problem("unknown_recorder", kind, key_text(recorded), "", **said)


def reserved_for_another(making: Change) -> Iterator[Doubt]:
    """Yield a warning for each new code that was reserved for somebody who had no part in it."""
    run = (ReservedCodes.season, ReservedCodes.first, ReservedCodes.last, ReservedCodes.person)
    for kind in codes.LETTER_OF:
        made = making.made.get(kind)
        if made is None or made.count > MANY:
            continue
        runs = making.connection.execute(select(*run).where(ReservedCodes.kind == kind)).all()
        for record, code, hands in _new_codes(making, kind, made) if runs else ():
            for season, first, last, person in runs:
                fits = int(code[1:3]) == season % 100 and first <= codes.serial_of(code) <= last
                if fits and person not in {making.by, *hands}:
                    said = {"code": code, "person": person}
                    own = KINDS[kind].KEY[0]
                    yield record, _problem("reserved_for_another", kind, code, own, **said)


def _new_codes(making: Change, kind: str, made: Made) -> Iterator[tuple[int, str, tuple[Any, ...]]]:
    """Yield id, issued code and the people of each new record that has such a code."""
    columns = table(kind).columns
    hands = [each for each in fields(kind) if each.info["cell"] == Ref(("people",))]
    query = select(columns["id"], code_column(kind), *hands).where(
        columns["id"].between(made.first_id, made.last_id)
    )
    for record, code, *who in making.connection.execute(query):
        if codes.is_issued(code):
            yield record, code, tuple(who)


def _problem(rule: str, kind: str, key: str, column: str, **said: str) -> Problem:
    found = INTAKE_RULES[rule]
    return Problem(
        rule=rule,
        trouble=found.trouble,
        kind=kind,
        key=key,
        column=column,
        wrong=found.wrong.format_map(said),
        right=found.right.format_map(said),
    )


ADVISERS = (recorded_lately, unknown_recorder, reserved_for_another)
