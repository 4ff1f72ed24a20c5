"""Issuing codes, and reserving runs of them for people out of reach."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, insert, select

from scionreg.records import codes
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.tables import code_column
from scionreg.registry.changes import Change, change
from scionreg.registry.ledger import ReservedCodes, Version
from scionreg.registry.rows import not_recorded
from scionreg.registry.store import Store

SPENT = ""
"""Nobody, in the place of a person: for codes that were used up before the registry began."""


def next_code(making: Change, kind: str, season: int) -> str:
    """Return the next free code of a kind in a season, outside every reserved range."""
    letter = codes.LETTER_OF[kind]
    serial = last_serial(making.connection, kind, season) + 1
    return codes.issue(letter, season, serial)


def last_serial(connection: Connection, kind: str, season: int) -> int:
    """Return the highest serial used or reserved in a season, voided records included."""
    start = f"{codes.LETTER_OF[kind]}{season % 100:02d}-"
    used = _used(connection, kind, start)
    # Codes show the last two digits of the year, so 1926 and 2026 share their serials.
    reserved = connection.execute(
        select(ReservedCodes.last).where(
            ReservedCodes.kind == kind, ReservedCodes.season % 100 == season % 100
        )
    ).scalars()
    serials: list[int] = [codes.serial_of(code) for code in used if codes.is_issued(code)]
    return max([*serials, *reserved], default=0)


def _used(connection: Connection, kind: str, start: str) -> set[str]:
    """Return the codes of a kind with a beginning that are, or once were, recorded."""
    column = code_column(kind)
    there = select(column).where(column.startswith(start, autoescape=True))
    once = select(Version.key).where(
        Version.kind == kind, Version.key.startswith(start, autoescape=True)
    )
    keys = connection.execute(once).scalars()
    return {*connection.execute(there).scalars(), *(key.partition("/")[0] for key in keys)}


def reserve(
    store: Store, kind: str, *, person: str, count: int, season: int | None = None, by: str = ""
) -> list[str]:
    """Reserve a run of codes for a person and return them.

    Labels can then be printed and used where nobody can ask the registry, and two people's codes
    never collide.
    """
    if kind not in codes.LETTER_OF:
        raise RegistryError(f"{kind} have no issued codes; {', '.join(codes.LETTER_OF)} have")
    if not 1 <= count <= 10_000:
        raise RegistryError(f"{count} codes cannot be reserved at once; 1 to 10000 can")
    with change(store, by=by, action="reserve", kind=kind, key=person) as making:
        known = select(code_column("people")).where(code_column("people") == person)
        if making.connection.execute(known).first() is None:
            raise NotFoundError(f"there is no person '{person}'; record them first")
        year = season or making.settings.season(making.settings.today())
        first = last_serial(making.connection, kind, year) + 1
        run = {"kind": kind, "season": year, "first": first, "last": first + count - 1}
        making.connection.execute(
            insert(ReservedCodes), {**run, "person": person, "entry": making.entry}
        )
        making.content["reserved"] = {**run, "person": person}
    return list(_run(kind, year, first, first + count - 1))


def _run(kind: str, season: int, first: int, last: int) -> Iterator[str]:
    letter = codes.LETTER_OF[kind]
    return (codes.issue(letter, season, serial) for serial in range(first, last + 1))


class Reserved(NamedTuple):
    """A code that is reserved for a person, and whether a record has, or had, it."""

    kind: str
    code: str
    person: str
    used: bool


def reserved(connection: Connection, person: str = "", kind: str = "") -> list[Reserved]:
    """Return every code that is reserved, for one person or of one kind; the oldest run first."""
    run = ReservedCodes
    runs = select(run.kind, run.season, run.first, run.last, run.person).where(run.person != SPENT)
    if person:
        runs = runs.where(run.person == person)
    if kind:
        runs = runs.where(run.kind == kind)
    found: list[Reserved] = []
    for of, season, first, last, who in connection.execute(runs.order_by(run.id)):
        used = _used(connection, of, f"{codes.LETTER_OF[of]}{season % 100:02d}-")
        found += [Reserved(of, code, who, code in used) for code in _run(of, season, first, last)]
    return found


def unused(connection: Connection, person: str, kind: str = "") -> list[tuple[str, str]]:
    """Return the kind and code of all that is reserved for a person and was never recorded."""
    return [(each.kind, each.code) for each in reserved(connection, person, kind) if not each.used]


def spent(connection: Connection) -> list[str]:
    """Return the issued codes of voided records, sorted: they are issued to no other."""
    found: set[str] = set()
    for kind in codes.LETTER_OF:
        keys = select(Version.key).where(Version.kind == kind, Version.voided)
        gone = {key.partition("/")[0] for key in connection.execute(keys).scalars()}
        found |= not_recorded(connection, kind, filter(codes.is_issued, gone))
    run = ReservedCodes
    earlier = select(run.kind, run.season, run.first, run.last).where(run.person == SPENT)
    for row in connection.execute(earlier):
        found.update(_run(*row))
    return sorted(found)


def spend(making: Change, gone: Sequence[str]) -> None:
    """Keep codes that another registry has voided from being issued in a new one."""
    runs = [
        {
            "kind": codes.kind_of(code),
            "season": 2000 + int(code[1:3]),
            "first": codes.serial_of(code),
            "last": codes.serial_of(code),
            "person": SPENT,
            "entry": making.entry,
        }
        for code in gone
    ]
    if runs:
        making.connection.execute(insert(ReservedCodes), runs)
