"""The trees of a lot or a dispatch, and what was looked at among them."""

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.graph import (
    Query,
    as_day,
    find_kind,
    in_a_circle,
    not_found,
    rows,
    split_position,
)
from scionreg.lineage.standing import items_standing
from scionreg.records.cells import expand_positions, noun
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import CheckMethod

LOT = Query("SELECT grafts, first, last FROM graft_lots WHERE graft_lot IN {codes}")
REGRAFT_OF = Query(
    "SELECT regraft_of FROM graft_lots WHERE graft_lot IN {codes} AND regraft_of IS NOT NULL"
)
COUNTS = Query("SELECT date, pushing FROM take_counts WHERE graft_lot IN {codes}")
SENT = Query("SELECT trees FROM dispatches WHERE dispatch IN {codes}")
CHECKS = Query(
    'SELECT "check", item, date, method, checked, off, positions_checked, reference '
    "FROM identity_checks WHERE checked > 0 AND item IN {codes} ORDER BY id"
)
_TREE = " tree "
SAME_TREES = re.compile(r"same trees as (\S+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLook:
    """A look at trees of a lot; `trees` names them: a position, or a tree known to this look only.

    A look at the same trees as another has that one's.
    """

    check: str
    date: dt.date | None
    method: str
    checked: int
    off: int
    trees: tuple[str, ...]

    @property
    def known_by(self) -> dict[str, str]:
        """Return by tree without a position the look that first knew it."""
        return {tree: tree.rpartition(_TREE)[0] for tree in self.trees if _TREE in tree}


@dataclass(frozen=True, slots=True, kw_only=True)
class LotTrees:
    """A graft lot or dispatch: its trees, how their number is known, and the looks at them."""

    code: str
    trees: int
    trees_are: str
    looks: tuple[LotLook, ...]


def read_lot_trees(connection: Connection, code: str) -> LotTrees:
    """Return the trees of a graft lot or dispatch, and the looks at them, oldest first.

    A lot's trees are what its last count found growing from the scion, else its grafts; looks of
    papers only are left out.

    Raises
    ------
    RegistryError
        There is no such code, it names something else, or nothing of the lot grew.
    """
    kind = find_kind(connection, code)
    lot, position = split_position(code)
    if kind == "graft_lots" and position is None:
        trees, said, items = _of_lot(connection, lot)
    elif kind == "dispatches":
        sent = rows(connection, SENT, [code])
        trees, said, items = sum(row[0] for row in sent), "sent", [code]
    elif position is not None:
        raise RegistryError(f"'{code}' is a single tree; name its graft lot: {lot}")
    else:
        raise RegistryError(
            f"'{code}' is a {noun(kind)}; name a graft lot or a dispatch, or give a number of trees"
        )
    if trees < 1:
        raise RegistryError(f"no tree of {code} grew, so there is none to look at")
    looks = tuple(_looks(connection, code, items))
    return LotTrees(code=code, trees=trees, trees_are=said, looks=looks)


def _of_lot(connection: Connection, lot: str) -> tuple[int, str, list[str]]:
    """Return the trees of a lot, how many they are known by, and what its checks may name."""
    found = rows(connection, LOT, [lot])
    if not found:
        raise not_found(connection, lot)
    grafts, first, last = found[0]
    places = range(first, last + 1) if first and last else range(1, grafts + 1)
    items = [lot, *(f"{each}/{place}" for each in _lots_there(connection, lot) for place in places)]
    counts = [(as_day(date), pushing) for date, pushing in rows(connection, COUNTS, [lot])]
    if not counts:
        return grafts, "grafts made; they were not counted since", items
    day, pushing = max(counts, key=lambda count: count[0] or dt.date.min)
    return min(pushing, grafts), f"growing at the count of {day or 'an unknown day'}", items


def _lots_there(connection: Connection, lot: str) -> list[str]:
    """Return a lot and those that it regrafted, by whose positions its trees may be named."""
    found = [lot]
    while above := [row[0] for row in rows(connection, REGRAFT_OF, found[-1:])]:
        if above[0] in found:
            raise in_a_circle(lot)
        found += above
    return found


def _looks(connection: Connection, code: str, items: Iterable[str]) -> list[LotLook]:
    """Return the looks at `items` that were at trees of `code`, oldest first."""
    found: dict[str, LotLook] = {}
    read = rows(connection, CHECKS, items)
    stood = items_standing(connection, [(row[1], as_day(row[2])) for row in read])
    for row, tree in zip(read, stood, strict=True):
        check, item, date, method, checked, off, places, reference = row
        if method == CheckMethod.PAPER or tree.partition("/")[0] != code:
            continue
        again = SAME_TREES.search(reference or "")
        earlier = found.get(again.group(1)) if again else None
        found[check] = LotLook(
            check=check,
            date=as_day(date),
            method=method,
            checked=checked,
            off=off,
            trees=_trees(check, item, checked, places, earlier),
        )
    return sorted(found.values(), key=lambda look: (look.date or dt.date.min, look.check))


def _trees(
    check: str, item: str, checked: int, places: str | None, earlier: LotLook | None
) -> tuple[str, ...]:
    _, position = split_position(item)
    known: list[Any] = expand_positions(places or "") or ([position] if position else [])
    named = [str(place) for place in known]
    if earlier is not None and not named:
        named = list(earlier.trees)
    missing = checked - len(named)
    return (*named[:checked], *(f"{check}{_TREE}{i}" for i in range(missing)))
