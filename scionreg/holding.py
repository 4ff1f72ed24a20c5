"""Holds and their ends, one way for all that can be held: trees, wood, lots, trees in a row.

A mother tree's hold is an event of the tree, a bundle's is in its log, that of a cutting, graft
lot, tree in a row or dispatch a record of its own. Whether one is in force is the judgement's to
say.
"""

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from scionreg.judgement import Judge, Reason
from scionreg.lineage.graph import find_kind, split_position
from scionreg.off_types import OffTypes
from scionreg.records.cells import expand_positions, noun
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Against, HoldEvent
from scionreg.records.words import Sentence, english
from scionreg.registry.rows import not_recorded

CAN_BE_HELD = ("mother_trees", "collections", "bundles", "graft_lots", "dispatches")
Record = tuple[str, dict[str, Any]]
"""A record kind and the values of one record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Something to hold or to release: some `positions` of a lot, or one `limb` of a tree."""

    code: str
    why: str = ""
    positions: str = ""
    limb: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {"item": self.code, "why": self.why}


def records_of(
    connection: Connection,
    event: HoldEvent,
    stops: Iterable[Stop],
    *,
    day: dt.date | None = None,
    by: str = "",
) -> list[Record]:
    """Return the records that hold or release some things, on a day (None: now).

    Raises
    ------
    RegistryError
        Something is not recorded or can not be held, or what is to be released is not held.
    """
    judge = Judge(connection, day)
    return [_record(judge, event, stop, by) for stop in stops]


def _record(judge: Judge, event: HoldEvent, stop: Stop, by: str) -> Record:
    kind = find_kind(judge.connection, stop.code)
    if kind not in CAN_BE_HELD:
        raise RegistryError(
            f"{stop.code} is a {noun(kind)}; a mother tree, collection, bundle, graft lot, "
            "lot/position or dispatch can be held"
        )
    if stop.positions and (kind != "graft_lots" or "/" in stop.code):
        raise RegistryError(f"{stop.code} has no positions to choose from; a graft lot has")
    if stop.limb and kind != "mother_trees":
        raise RegistryError(f"{stop.code} has no limbs; a mother tree has")
    if event is HoldEvent.RELEASED:
        _is_held(judge, kind, stop)
    match kind:
        case "mother_trees":
            told = {"tree": stop.code, "date": judge.on, "limb": stop.limb, "detail": stop.why}
            return "tree_events", _given(told, event)
        case "bundles":
            now = dt.datetime.now(dt.UTC).replace(microsecond=0)
            time = now if judge.on == judge.today else judge.on.isoformat()
            return "bundle_log", _given(
                {"bundle": stop.code, "time": time, "note": stop.why}, event
            )
        case _:
            known = by and not not_recorded(judge.connection, "people", [by])
            told = {"item": stop.code, "positions": stop.positions, "date": judge.on}
            return "holds", _given(told | {"detail": stop.why, "by": known and by}, event)


def _given(told: dict[str, Any], event: HoldEvent) -> dict[str, Any]:
    return {name: value for name, value in told.items() if value} | {"event": event.value}


# -------------------------------------------------------------------------- what is held already


def _is_held(judge: Judge, kind: str, stop: Stop) -> None:
    """Refuse a release that would end nothing."""
    lot, position = split_position(stop.code)
    if kind in ("mother_trees", "bundles"):
        own = list(_own_holds(judge, kind, stop.code))
        if kind == "bundles" and judge.on < judge.today and judge.on in {e.since for e in own}:
            raise RegistryError(
                f"{stop.code} was held on {judge.on} itself; its log goes by the hour: record the "
                "release with: scionreg log"
            )
        if own:
            return
    else:
        held = judge.holds(judge.on).get(lot, [])
        named = set(expand_positions(stop.positions) if stop.positions else ())
        named |= set() if position is None else {position}
        if not named and held:
            return
        if any(each.positions is not None and each.positions & named for each in held):
            return
        if held and all(each.positions is None for each in held):
            raise RegistryError(
                f"{lot} is held as a whole; release all of it, then hold the positions that stay"
            )
    raise RegistryError(f"{stop.code} is not held on {judge.on}; there is nothing to release")


def _own_holds(judge: Judge, kind: str, code: str) -> Iterator[Reason]:
    """Yield the holds on a tree or bundle itself; of a tree its notices too."""
    if kind == "mother_trees":
        found = judge.tree(code).reasons
        yield from (each for each in found if each.code in (Against.HOLD, Against.NOTICE))
    else:
        found = judge.bundles_by_records([code], on=judge.on)[code].reasons
        yield from (each for each in found if each.code is Against.HOLD and each.of == code)


def _held_now(judge: Judge, kind: str, code: str) -> bool:
    if kind in ("mother_trees", "bundles"):
        return any(each.code is Against.HOLD for each in _own_holds(judge, kind, code))
    return any(each.positions is None for each in judge.holds(judge.on).get(code, ()))


# ------------------------------------------------------------------------------ what is proposed


def proposed(connection: Connection, found: OffTypes) -> list[Stop]:
    """Return what answers about wrong trees propose to hold, or to look at or mend before use.

    What is held already, and bundles of which nothing is left, are left out; what several answers
    name is held for the one that holds it likeliest.
    """
    judge = Judge(connection)
    likeliest: dict[str, tuple[float, str]] = {}
    for answer in found.answers:
        for each in answer.affected:
            chance, _ = likeliest.get(each.item, (0.0, ""))
            if each.proposal is not None and each.probability > chance:
                likeliest[each.item] = each.probability, answer.code
    kinds = {code: find_kind(connection, code) for code in likeliest}
    empty = _empty(judge, [code for code, kind in kinds.items() if kind == "bundles"])
    return [
        Stop(code=code, why=_why(chance, of))
        for code, (chance, of) in likeliest.items()
        if code not in empty and not _held_now(judge, kinds[code], code)
    ]


def _empty(judge: Judge, bundles: Sequence[str]) -> set[str]:
    from scionreg.storing import report

    if not bundles:
        return set()
    found = report(judge.connection, bundles, judge=judge).bundles
    return {each.bundle for each in found if each.sticks_left == 0}


def _why(chance: float, of: str) -> str:
    from scionreg.identity.sureness import per_cent

    return english().tell(Sentence("holding.may_be_off", chance=per_cent(chance), of=of))
