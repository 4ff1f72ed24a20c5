"""What stands around a record: where it came from, what came of it, what is left, where it went."""

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sqlalchemy import Connection, or_, select

from scionreg.lineage.chain import Look, read_lines
from scionreg.lineage.found_wood import Perhaps, read_perhaps
from scionreg.lineage.graph import Lot, Query, as_day, read_lots, rows, split_position
from scionreg.lineage.line_traces import TracedLine, trace_lines
from scionreg.lineage.standing import now_at, regrafts_among
from scionreg.lineage.sticks import read_left
from scionreg.lineage.trace import Source, trace
from scionreg.records import codes
from scionreg.records.tables import table
from scionreg.registry.ledger import ReservedCodes


class Made(NamedTuple):
    """Something that came of a record: `number` counts sticks, of a lot grafts, of a tree none."""

    kind: str
    code: str
    date: dt.date | None
    number: float | None


class Sent(NamedTuple):
    """Trees of a lot that left."""

    dispatch: str
    graft_lot: str
    date: dt.date | None
    customer: str
    trees: int
    first: int | None
    last: int | None
    label_cultivar: str | None


class Count(NamedTuple):
    """One count of a graft lot, in trees; None where a class was not counted."""

    date: dt.date | None
    pushing: int | None
    green: int | None
    dead: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What stands around one record; what does not apply to its kind is empty or None.

    `sources` are the nearest ones of its trace. `left` counts sticks: of a bundle those that should
    be there still, of a collection those that no bundle was tied from. `reserved_for` is the person
    for whom its code was reserved.
    """

    code: str
    kind: str
    sources: tuple[Source, ...] = ()
    parents: tuple[Made, ...] = ()
    made: tuple[Made, ...] = ()
    left: float | None = None
    counts: tuple[Count, ...] = ()
    regrafts: tuple[str, ...] = ()
    sent: tuple[Sent, ...] = ()
    lines: tuple[TracedLine, ...] = ()
    looks: tuple[Look, ...] = ()
    events: tuple[str, ...] = ()
    reserved_for: str | None = None
    stands: Lot | None = field(default=None)
    """Of a single tree, the lot whose graft stands there now."""
    perhaps: Sequence[Perhaps] | None = None
    """Of a bundle without a label, those that it may be of, the likeliest first."""

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "sources": [
                {
                    name: value
                    for name, value in each.to_dict().items()
                    if name in ("tree", "limb", "cultivar", "collection", "date", "share", "grade")
                }
                for each in self.sources
            ],
            "parents": [_plain(each) for each in self.parents],
            "made": [_plain(each) for each in self.made],
            "left": self.left,
            "counts": [_plain(each) for each in self.counts],
            "regrafts": list(self.regrafts),
            "sent": [_plain(each) for each in self.sent],
            "lines": [each.to_dict() for each in self.lines],
            "looks": [_plain(each) for each in self.looks],
            "events": list(self.events),
            "reserved_for": self.reserved_for,
            "stands": self.stands.graft_lot if self.stands else None,
            "perhaps": None if self.perhaps is None else [e.to_dict() for e in self.perhaps],
        }


def _plain(each: Any) -> dict[str, Any]:
    plain: dict[str, Any] = each._asdict()
    if isinstance(day := plain.get("date"), dt.date):
        plain["date"] = day.isoformat()
    return plain


def context(connection: Connection, kind: str, code: str) -> Context:
    """Return what stands around a record; `code` may be ``lot/position`` or ``dispatch/lot``."""
    match kind:
        case "mother_trees":
            return _of_tree(connection, code)
        case "collections":
            return _of_cutting(connection, code)
        case "bundles":
            return _of_bundle(connection, code)
        case "graft_lots":
            return _of_lot(connection, code)
        case "dispatches":
            return _of_dispatches(connection, code, [code.partition("/")[0]])
        case _:
            return Context(code=code, kind=kind, reserved_for=_reserved(connection, kind, code))


def context_of_customer(
    connection: Connection, customer: str, dispatches: Sequence[str]
) -> Context:
    """Return what went to a customer, line by line."""
    return _of_dispatches(connection, customer, dispatches)


# ------------------------------------------------------------------------------------ by kind

CUTS = Query(
    "SELECT 'collections', collection, date, sticks FROM collections WHERE tree IN {codes}"
)
TIED = Query("SELECT 'bundles', bundle, packed, sticks FROM bundles WHERE collection IN {codes}")
CUT = Query("SELECT sticks FROM collections WHERE collection IN {codes}")
GRAFTED = Query(
    "SELECT 'graft_lots', graft_lot, date, grafts FROM graft_lots WHERE bundle IN {codes}"
)
PASSED = Query(
    "SELECT 'bundles', p.bundle, b.packed, p.sticks FROM bundle_parents p "
    "JOIN bundles b ON b.bundle = p.bundle WHERE p.parent IN {codes}"
)
PARENTS = Query(
    "SELECT 'bundles', p.parent, b.packed, p.sticks FROM bundle_parents p "
    "JOIN bundles b ON b.bundle = p.parent WHERE p.bundle IN {codes}"
)
TIED_STICKS = Query("SELECT bundle, sticks FROM bundles WHERE bundle IN {codes}")
GROWN = Query(
    "SELECT 'mother_trees', tree, planted, NULL, graft_position FROM mother_trees "
    "WHERE graft_lot IN {codes}"
)
COUNTS = Query("SELECT date, pushing, green, dead FROM take_counts WHERE graft_lot IN {codes}")
SENT = Query(
    "SELECT dispatch, graft_lot, date, customer, trees, first, last, label_cultivar "
    "FROM dispatches WHERE graft_lot IN {codes}"
)
EVENTS = Query("SELECT date, event, limb, detail FROM tree_events WHERE tree IN {codes}")


def _of_tree(connection: Connection, tree: str) -> Context:
    events = [
        (as_day(date), " ".join(part for part in (event, limb, detail) if part))
        for date, event, limb, detail in rows(connection, EVENTS, [tree])
    ]
    return Context(
        code=tree,
        kind="mother_trees",
        sources=_sources(connection, tree),
        made=_made(rows(connection, CUTS, [tree])),
        looks=_looks(connection, tree),
        events=tuple(
            f"{date or 'no date'} {told.replace('_', ' ')}" for date, told in _by_date(events)
        ),
        reserved_for=_reserved(connection, "mother_trees", tree),
    )


def _of_cutting(connection: Connection, code: str) -> Context:
    made = _made(rows(connection, TIED, [code]))
    ((cut,),) = rows(connection, CUT, [code])
    return Context(
        code=code,
        kind="collections",
        sources=_sources(connection, code),
        made=made,
        left=max(0, cut - sum(each.number or 0 for each in made)),
        looks=_looks(connection, code),
        reserved_for=_reserved(connection, "collections", code),
    )


def _of_bundle(connection: Connection, code: str) -> Context:
    held = dict(rows(connection, TIED_STICKS, [code]))
    return Context(
        code=code,
        kind="bundles",
        sources=_sources(connection, code),
        parents=_made(rows(connection, PARENTS, [code])),
        made=_made([*rows(connection, GRAFTED, [code]), *rows(connection, PASSED, [code])]),
        left=read_left(connection, held).get(code, 0),
        looks=_looks(connection, code),
        reserved_for=_reserved(connection, "bundles", code),
        perhaps=read_perhaps(connection, code),
    )


def _of_lot(connection: Connection, code: str) -> Context:
    """Return what stands around a graft lot, or around the one tree at a position of it."""
    asked, position = split_position(code)
    lots = read_lots(connection, [asked])
    stands = lots[asked]
    if position is not None:
        stands, _ = now_at(lots[asked], regrafts_among(lots.values()), position)
    grown = [
        Made(kind, tree, as_day(day), None)
        for kind, tree, day, _, at in rows(connection, GROWN, lots)
        if position in (None, at)
    ]
    sent = [Sent(row[0], row[1], as_day(row[2]), *row[3:]) for row in rows(connection, SENT, lots)]
    return Context(
        code=code,
        kind="graft_lots",
        sources=_sources(connection, code),
        made=tuple(grown),
        counts=tuple(
            Count(as_day(row[0]), *row[1:])
            for row in sorted(rows(connection, COUNTS, [stands.graft_lot]), key=_day_first)
        ),
        regrafts=tuple(each for each in lots if each != asked),
        sent=tuple(each for each in _by_date(sent, 2) if _may_hold(each, position)),
        looks=_looks(connection, asked, position),
        reserved_for=_reserved(connection, "graft_lots", asked),
        stands=None if position is None else stands,
    )


def _may_hold(sent: Sent, position: int | None) -> bool:
    """Tell whether a tree at `position` may have left with a line; its positions may be unknown."""
    if position is None or sent.first is None:
        return True
    return sent.first <= position <= (sent.last or sent.first)


def _of_dispatches(connection: Connection, code: str, dispatches: Sequence[str]) -> Context:
    lot = code.partition("/")[2]
    lines = read_lines(connection, dispatches)
    traced = trace_lines(connection, dispatches)
    kept = tuple(each for each in traced if lot in ("", each.line.graft_lot))
    return Context(
        code=code,
        kind="dispatches",
        lines=kept,
        looks=tuple(
            look
            for dispatch in dict.fromkeys(line.dispatch for line in lines)
            for look in _looks(connection, dispatch)
        ),
    )


# ------------------------------------------------------------------------------------ the parts


def _sources(connection: Connection, code: str) -> tuple[Source, ...]:
    return tuple(each for each in trace(connection, code).sources if each.generation == 1)


def _made(found: Iterable[tuple[Any, ...]]) -> tuple[Made, ...]:
    made = [Made(kind, code, as_day(day), number) for kind, code, day, number in found]
    return tuple(_by_date(made, 2))


def _by_date(found: Iterable[Any], at: int = 0) -> list[Any]:
    """Return rows by the day in column `at`, those of an unknown day last."""
    return sorted(found, key=lambda each: (each[at] is None, each[at] or dt.date.min, each[:2]))


def _day_first(row: tuple[Any, ...]) -> tuple[bool, str]:
    return row[0] is None, str(row[0])


def _looks(connection: Connection, code: str, position: int | None = None) -> tuple[Look, ...]:
    """Return the looks at something; of a lot also at its single trees, of a tree those alone."""
    columns = table("identity_checks").columns
    item = columns["item"]
    names = ("check", "item", "date", "method", "checked", "off", "found", "by", "limb")
    query = select(*(columns[name] for name in names), columns["positions_checked"]).where(
        or_(item == code, item.startswith(f"{code}/", autoescape=True))
    )
    found = []
    for *row, positions in connection.execute(query):
        single = str(row[1]).partition("/")[2]
        if position is None or _holds(single or positions or "", position):
            found.append(_look(dict(zip(names, row, strict=True))))
    return tuple(sorted(found, key=lambda each: (each.date is None, each.date, each.check)))


def _holds(positions: str, position: int) -> bool:
    """Tell whether a list such as ``3;7;12-15`` holds a position; an unknown one may."""
    runs = [part.partition("-") for part in positions.split(";") if part]
    return not runs or any(int(a) <= position <= int(b or a) for a, _, b in runs)


def _look(values: dict[str, Any]) -> Look:
    return Look._make(values.get(name) for name in Look._fields)


def _reserved(connection: Connection, kind: str, code: str) -> str | None:
    return reserved_for(connection, code) if codes.kind_of(code) == kind else None


def reserved_for(connection: Connection, code: str) -> str | None:
    """Return the person for whom an issued code was reserved, recorded or not; None for nobody."""
    kind = codes.kind_of(code)
    if kind is None:
        return None
    season, serial = 2000 + int(code[1:3]), codes.serial_of(code)
    query = select(ReservedCodes.person).where(
        ReservedCodes.kind == kind,
        ReservedCodes.season == season,
        ReservedCodes.first <= serial,
        ReservedCodes.last >= serial,
    )
    return connection.execute(query).scalars().first()
