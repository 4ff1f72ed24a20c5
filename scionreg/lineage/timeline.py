"""What happened to something and to all that its wood came from, by date, as one would tell it.

People and free text are left out, since such a page leaves the nursery; so is the place of a tree
whose location is private.
"""

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.graph import (
    Query,
    as_day,
    as_moment,
    read_zone,
    rows,
    split_position,
    weakest,
)
from scionreg.lineage.phrases import found_to_be, tree_or_limb, without_detail
from scionreg.lineage.trace import trace
from scionreg.lineage.traced import Trace
from scionreg.records.cells import expand_positions
from scionreg.records.vocabulary import Found, Grade, GraftMethod
from scionreg.records.words import Sentence, joined
from scionreg.registry import journal


def _of(columns: str, table: str, column: str) -> Query:
    return Query(f"SELECT {columns} FROM {table} WHERE {column} IN {{codes}}")


TREES = _of(
    "tree, planted, cultivar, block, row, position, location_private", "mother_trees", "tree"
)
EVENTS = _of("tree, date, event, limb", "tree_events", "tree")
CUTS = _of("collection, date, tree, limb, sticks", "collections", "collection")
BUNDLES = _of("bundle, packed, collection, cultivar, sticks, store", "bundles", "bundle")
PARENTS = _of("bundle, parent", "bundle_parents", "bundle")
LOG = _of("bundle, time, event, store, sticks", "bundle_log", "bundle")
LOTS = _of(
    "graft_lot, date, bundle, method, grafts, block, row, first, last", "graft_lots", "graft_lot"
)
COUNTS = _of("graft_lot, date, pushing, dead, stock_only", "take_counts", "graft_lot")
SENT = _of("dispatch, date, graft_lot, customer, trees, first, last", "dispatches", "graft_lot")
LOOKS = _of(
    'item, date, "check", method, checked, off, found, positions, positions_checked',
    "identity_checks",
    "item",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One line of a timeline; `off` where a look found something off.

    `grade` is how sure the link from `code` to its source is.
    """

    date: dt.date | None
    did: Sentence
    code: str
    text: str
    grade: Grade | None = None
    off: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """What happened along a chain, oldest first, undated last.

    `entry` and `digest` are those of the journal's last line: they name the state of the records.
    """

    code: str
    grade: Grade
    happenings: tuple[Happening, ...]
    missing: tuple[Sentence, ...]
    contradictions: tuple[Sentence, ...]
    entry: int
    digest: str


def timeline(connection: Connection, code: str) -> Timeline:
    """Return what happened to `code`, as `trace` takes it, and to all that it came from.

    Raises
    ------
    RegistryError
        As `trace`.
    """
    traced = trace(connection, code)
    entry, digest = journal.head(connection)
    teller = _Teller(connection, traced)
    found = list(teller.happenings())
    found.sort(key=lambda each: (each.date is None, each.date or dt.date.max))
    return Timeline(
        code=code,
        grade=traced.grade,
        happenings=tuple(found),
        missing=traced.missing,
        contradictions=tuple(map(without_detail, traced.contradictions)),
        entry=entry,
        digest=digest,
    )


class _Teller:
    """Tells what the tables hold of the codes on a chain."""

    def __init__(self, connection: Connection, traced: Trace) -> None:
        self._connection = connection
        self._zone = read_zone(connection)
        self._grades: dict[str, Grade] = {}
        for link in traced.links:
            known = self._grades.get(link.child, link.grade)
            self._grades[link.child] = weakest(known, link.grade)
        ends = {each for link in traced.links for each in (link.child, link.parent) if each}
        self._codes = {split_position(each)[0] for each in {traced.code, *ends}}
        self._asked, self._position = split_position(traced.code)
        if self._position is not None:
            self._grades.setdefault(self._asked, self._grades.get(traced.code, traced.grade))

    def happenings(self) -> Iterator[Happening]:
        """Yield what happened, kind by kind."""
        for told in (self._trees, self._cuts, self._bundles, self._lots, self._left, self._looks):
            yield from told()

    def _rows(self, query: Query, codes: Iterable[str] = ()) -> list[tuple[Any, ...]]:
        return rows(self._connection, query, list(codes) or list(self._codes))

    def _told(self, date: Any, did: str, code: str, text: str, *, link: bool = False) -> Happening:
        grade = self._grades.get(code) if link else None
        done = Sentence(f"timeline.did.{did}")
        return Happening(date=as_day(date), did=done, code=code, text=text, grade=grade)

    def _trees(self) -> Iterator[Happening]:
        for tree, planted, cultivar, *place, private in self._rows(TREES):
            where = "" if private else _place("at", *place)
            text = Sentence("timeline.planted", cultivar=cultivar, where=where)
            yield self._told(planted, "planted", tree, text)
        for tree, date, event, limb in self._rows(EVENTS):
            part = Sentence("timeline.limb", limb=limb) if limb else ""
            yield self._told(date, event, tree, part)

    def _cuts(self) -> Iterator[Happening]:
        for code, date, tree, limb, sticks in self._rows(CUTS):
            text = Sentence("timeline.cut", sticks=sticks, tree=tree_or_limb(tree, limb))
            yield self._told(date, "cut", code, text, link=True)

    def _bundles(self) -> Iterator[Happening]:
        parents: dict[str, list[str]] = {}
        for bundle, parent in self._rows(PARENTS):
            parents.setdefault(bundle, []).append(parent)
        for code, packed, collection, claimed, sticks, store in self._rows(BUNDLES):
            tied = parents.get(code, [collection] if collection else [])
            text = Sentence(
                f"timeline.packed.{'of' if tied else 'received' if claimed else 'unknown'}",
                sticks=sticks,
                source=", ".join(sorted(tied)) or claimed,
                store=Sentence("timeline.into", store=store) if store else "",
            )
            yield self._told(packed, "packed", code, text, link=True)
        for code, time, event, store, sticks in self._rows(LOG):
            moment = as_moment(time)
            day = moment.astimezone(self._zone).date() if moment else None
            text = Sentence(
                f"timeline.stored.{event}",
                store=Sentence("timeline.to", store=store) if store else "",
                sticks="" if sticks is None else Sentence("timeline.sticks", sticks=sticks),
            )
            yield self._told(day, "stored", code, text)

    def _lots(self) -> Iterator[Happening]:
        for code, date, bundle, method, grafts, *place in self._rows(LOTS):
            text = Sentence(
                "timeline.grafted",
                grafts=grafts,
                bundle=bundle,
                method=_method(method),
                where=_place("run", *place),
            )
            yield self._told(date, "grafted", code, text, link=True)
        for code, date, pushing, dead, stock_only in self._rows(COUNTS, [self._asked]):
            counted = {"pushing": pushing, "dead": dead, "stock_only": stock_only}
            told = [
                Sentence(f"timeline.counted.{name}", number=number)
                for name, number in counted.items()
                if number or name == "pushing"
            ]
            yield self._told(date, "counted", code, joined(told, "joined.comma"))

    def _left(self) -> Iterator[Happening]:
        for dispatch, date, lot, customer, trees, first, last in self._sent():
            run = Sentence("timeline.positions", first=first, last=last)
            text = Sentence(
                "timeline.sent",
                trees=trees,
                lot=lot,
                positions="" if None in (first, last) else run,
                customer=customer,
            )
            yield self._told(date, "sent", dispatch, text, link=True)

    def _sent(self) -> list[tuple[Any, ...]]:
        """Return the lines by which trees asked about left; of one tree, those it may be in."""
        lines = self._rows(SENT)
        if self._position is None:
            return [line for line in lines if self._asked in (line[0], line[2])]
        return [
            line
            for line in lines
            if line[2] == self._asked and (None in line[5:] or self._stood(line[5], line[6]))
        ]

    def _stood(self, first: int, last: int) -> bool:
        return self._position is not None and first <= self._position <= last

    def _looks(self) -> Iterator[Happening]:
        sent = {line[0] for line in self._sent()}
        own = f"{self._asked}/{self._position}"
        items = {*self._codes, *sent, own}
        for item, date, check, method, checked, off, found, *places in self._rows(LOOKS, items):
            wrong, seen = (set(expand_positions(each or "")) for each in places)
            this = "none"
            if item != own and self._position in wrong:
                this = "off"
            elif item != own and self._position in seen:
                this = "true"
            text = Sentence(
                "timeline.look",
                check=check,
                off=off,
                checked=checked,
                by=Sentence(f"timeline.by.{method}"),
                found=found_to_be(found if off and found != Found.UNKNOWN else None),
                this="" if this == "none" else Sentence(f"timeline.this.{this}"),
            )
            yield replace(self._told(date, "looked_at", item, text), off=bool(off))


def _method(method: str) -> str:
    """Return a method's word, a nursery's own as it is printed."""
    known = method in {each.value for each in GraftMethod}
    return Sentence(f"word.GraftMethod.{method}") if known else method.replace("_", " ")


def _place(name: str, *parts: object) -> str:
    """Return a place as it is added to a sentence; nothing where a part is not recorded."""
    if None in parts:
        return ""
    block, row, *positions = parts
    return Sentence(
        f"timeline.place.{name}", block=block, row=row, first=positions[0], last=positions[-1]
    )
