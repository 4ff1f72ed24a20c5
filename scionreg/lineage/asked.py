"""What somebody means by what they type: a code in any case, a place, a customer, a line."""

import datetime as dt
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import Connection, func, or_, select

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import CODED, KIND_OF, not_found, rows
from scionreg.records import codes
from scionreg.records.cells import noun
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.tables import KINDS, code_column, table
from scionreg.records.vocabulary import TreeStatus

CUSTOMERS = "customers"
"""The kind of a customer's code: customers have no record of their own, only dispatches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a typed code or place stands for.

    `codes` is one code as it is recorded, ``lot/position`` for a single tree, or ``dispatch/lot``
    for a line of a dispatch; of a customer its dispatches, oldest first. `others` stand, or stood,
    at the same place.
    """

    typed: str
    kind: str
    codes: tuple[str, ...]
    others: tuple[str, ...] = ()

    def one(self) -> str:
        """Return the code; raise `RegistryError` for a customer, whose dispatches are several."""
        if self.kind == CUSTOMERS:
            raise RegistryError(
                f"'{self.typed}' is a customer; name one of the dispatches: {', '.join(self.codes)}"
            )
        return self.codes[0]


def asked(connection: Connection, text: str) -> Asked:
    """Return what `text` stands for; an issued code costs no statement.

    ``block/row/position`` is the mother tree there, else the position of the newest graft lot there
    (what stands there now, as ever with ``lot/position``); ``dispatch/position`` the tree of the
    line that holds the position, ``dispatch/lot`` the line.

    Raises
    ------
    NotFoundError
        Nothing is recorded under it; the message offers likely codes.
    RegistryError
        It may be several things, which the message names.
    """
    text = unicodedata.normalize("NFC", text)
    parts = [codes.tidied(part.strip()) for part in text.strip().split("/")]
    if len(parts) == 3:
        return _at_place(connection, text, parts)
    known = codes.kind_of(parts[0])
    named = (known, parts[0]) if known else _recorded(connection, text, parts[0])
    kind, code = named
    if kind == CUSTOMERS and len(parts) == 1:
        return Asked(typed=text, kind=kind, codes=_dispatches_to(connection, code))
    if kind == "dispatches" and len(parts) == 2:
        return _of_line(connection, text, code, parts[1])
    return Asked(typed=text, kind=kind, codes=("/".join([code, *parts[1:]]),))


# ---------------------------------------------------------------------------------- by code


def _recorded(connection: Connection, text: str, code: str) -> tuple[str, str]:
    """Return the kind and the code of what is recorded as `code`, letters in any case."""
    exact = rows(connection, KIND_OF, [code])
    if exact:
        return min(exact)[1], code
    close = [
        (kind, found)
        for kind in CODED
        for found in connection.execute(
            select(code_column(kind)).where(func.lower(code_column(kind)) == func.lower(code))
        ).scalars()
    ]
    if not close:
        close = [(CUSTOMERS, found) for found in _customers(connection, code)]
    if len({found for _, found in close}) > 1:
        several = ", ".join(f"{noun_of(kind)} {found}" for kind, found in close)
        raise RegistryError(f"'{text}' may be {several}; write the one that is meant as it is")
    if close:
        return close[0]
    meant = resolve_names(connection, {code})[code]
    if meant != code:
        return "cultivars", meant
    raise not_found(connection, text)


def noun_of(kind: str) -> str:
    """Return the noun of a kind of thing that a code may stand for."""
    return "customer" if kind == CUSTOMERS else noun(kind)


def _customers(connection: Connection, code: str) -> list[str]:
    customer = table("dispatches").columns["customer"]
    query = select(customer).where(func.lower(customer) == func.lower(code)).distinct()
    found = list(connection.execute(query).scalars())
    return [code] if code in found else found


def _dispatches_to(connection: Connection, customer: str) -> tuple[str, ...]:
    sent = table("dispatches").columns
    query = (
        select(sent["dispatch"])
        .where(sent["customer"] == customer)
        .group_by(sent["dispatch"])
        .order_by(func.min(sent["date"]), sent["dispatch"])
    )
    return tuple(connection.execute(query).scalars())


# ---------------------------------------------------------------------------------- by line


def _of_line(connection: Connection, text: str, dispatch: str, part: str) -> Asked:
    """Return the line of a dispatch that `part` names: its lot, or a position that it holds."""
    sent = table("dispatches").columns
    query = (
        select(sent["graft_lot"], sent["first"], sent["last"])
        .where(sent["dispatch"] == dispatch)
        .order_by(sent["id"])
    )
    lines = connection.execute(query).all()
    if not lines:
        raise not_found(connection, dispatch)
    named = [line for line in lines if line.graft_lot.casefold() == part.casefold()]
    if len(named) == 1:
        return Asked(typed=text, kind="dispatches", codes=(f"{dispatch}/{named[0].graft_lot}",))
    position = int(part) if part.isdecimal() else 0
    held = [line for line in lines if line.first and line.first <= position <= (line.last or 0)]
    if len(held) == 1:
        return Asked(typed=text, kind="graft_lots", codes=(f"{held[0].graft_lot}/{position}",))
    told = ", ".join(
        f"{line.graft_lot} {f'positions {line.first} to {line.last}' if line.first else ''}".strip()
        for line in lines
    )
    which = "no line holds" if not held else "several lines hold"
    raise NotFoundError(
        f"'{text}': {which} position {part}; the lines of {dispatch} are {told}; write "
        f"{dispatch}/LOT for a line, or the lot and the position, as in {lines[0].graft_lot}/7"
    )


# ---------------------------------------------------------------------------------- by place


class _Lot(NamedTuple):
    graft_lot: str
    date: dt.date | None
    regraft_of: str | None


def _at_place(connection: Connection, text: str, parts: Sequence[str]) -> Asked:
    block, *numbers = parts
    known = {each.casefold(): each for each in connection.execute(select(_BLOCK)).scalars()}
    if block.casefold() not in known or not all(n.isdecimal() and int(n) for n in numbers):
        raise NotFoundError(
            f"nothing is recorded under '{text}'; a place is block/row/position, as in N26/50/3, "
            f"and the blocks are {', '.join(known.values()) or 'none yet'}"
        )
    place = (known[block.casefold()], int(numbers[0]), int(numbers[1]))
    trees = _trees_at(connection, *place)
    lots = [f"{lot}/{place[2]}" for lot in _lots_at(connection, *place)]
    if not trees and not lots:
        raise NotFoundError(f"{text}: no mother tree and no graft lot is recorded there")
    here = [*trees, *lots]
    kind = "mother_trees" if trees else "graft_lots"
    return Asked(typed=text, kind=kind, codes=(here[0],), others=tuple(here[1:]))


_BLOCK = KINDS["blocks"].__table__.c.block


def _trees_at(connection: Connection, block: str, row: int, position: int) -> list[str]:
    """Return the mother trees of a place, the living before the dead, the newest first."""
    tree = table("mother_trees").columns
    query = select(tree["tree"], tree["status"], tree["planted"]).where(
        tree["block"] == block, tree["row"] == row, tree["position"] == position
    )
    found = connection.execute(query).all()
    found = sorted(found, key=lambda each: each.planted or dt.date.min, reverse=True)
    return [each.tree for each in sorted(found, key=lambda e: e.status == TreeStatus.DEAD)]


def _lots_at(connection: Connection, block: str, row: int, position: int) -> list[str]:
    """Return the graft lots that cover a place, the newest first, regrafts by what they regrafted.

    ``lot/position`` of the first graft is the tree that stands there, after every regraft.
    """
    lot = table("graft_lots").columns
    query = select(lot["graft_lot"], lot["date"], lot["regraft_of"]).where(
        lot["block"] == block,
        lot["row"] == row,
        lot["first"] <= position,
        or_(lot["last"] >= position, lot["last"].is_(None) & (lot["first"] == position)),
    )
    found = {each[0]: _Lot(*each) for each in connection.execute(query)}
    newest = sorted(
        found.values(), key=lambda each: (each.date or dt.date.min, each.graft_lot), reverse=True
    )
    first = []
    for each in newest:
        met = {each.graft_lot}
        while each.regraft_of in found and each.regraft_of not in met:
            each = found[each.regraft_of]
            met.add(each.graft_lot)
        first.append(each.graft_lot)
    return list(dict.fromkeys(first))
