"""Issuing codes, and reserving runs of them for people out of reach."""

from sqlalchemy import Connection, insert, select

from scionreg.records import codes
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.tables import code_column
from scionreg.registry.changes import Change, change
from scionreg.registry.ledger import ReservedCodes, Version
from scionreg.registry.store import Store


def next_code(making: Change, kind: str, season: int) -> str:
    """Return the next free code of a kind in a season, outside every reserved range."""
    letter = codes.LETTER_OF[kind]
    serial = _last_serial(making.connection, kind, season) + 1
    return codes.issue(letter, season, serial)


def _last_serial(connection: Connection, kind: str, season: int) -> int:
    """Return the highest serial used or reserved in a season, voided records included."""
    start = f"{codes.LETTER_OF[kind]}{season % 100:02d}-"
    used = list(
        connection.execute(
            select(code_column(kind)).where(code_column(kind).startswith(start, autoescape=True))
        ).scalars()
    )
    used += connection.execute(
        select(Version.key).where(
            Version.kind == kind, Version.key.startswith(start, autoescape=True)
        )
    ).scalars()
    # Codes show the last two digits of the year, so 1926 and 2026 share their serials.
    reserved = connection.execute(
        select(ReservedCodes.last).where(
            ReservedCodes.kind == kind, ReservedCodes.season % 100 == season % 100
        )
    ).scalars()
    serials: list[int] = [codes.serial_of(code) for code in used if codes.is_issued(code)]
    return max([*serials, *reserved], default=0)


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
        first = _last_serial(making.connection, kind, year) + 1
        run = {"kind": kind, "season": year, "first": first, "last": first + count - 1}
        making.connection.execute(
            insert(ReservedCodes), {**run, "person": person, "entry": making.entry}
        )
        making.content["reserved"] = {**run, "person": person}
    letter = codes.LETTER_OF[kind]
    return [codes.issue(letter, year, serial) for serial in range(first, first + count)]
