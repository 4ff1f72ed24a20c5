"""What a trace sheet shows beside its trace: every step with its date and hands, and every look.

Such a sheet leaves the nursery: free text is left out, people are codes, and a tree whose location
is private has no place. Each step is told as names and values, so that it can be printed in any
language.
"""

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, as_moment, rows, split_position, weakest
from scionreg.lineage.phrases import without_detail
from scionreg.lineage.traced import Trace
from scionreg.records.cells import expand_positions
from scionreg.records.vocabulary import Grade
from scionreg.records.words import Sentence
from scionreg.registry.settings import Settings


def _of(columns: str, table: str, column: str) -> Query:
    return Query(f"SELECT {columns} FROM {table} WHERE {column} IN {{codes}} ORDER BY {columns}")


TREES = _of(
    "tree, cultivar, kind, block, row, position, planted, rank, graft_lot, graft_position, "
    "received_from, rootstock, location_private",
    "mother_trees",
    "tree",
)
EVENTS = _of("tree, date, event, limb", "tree_events", "tree")
CUTS = _of(
    "collection, date, tree, limb, sticks, count, tools_cleaned, cutter",
    "collections",
    "collection",
)
BUNDLES = _of(
    "bundle, packed, collection, received_from, cultivar, sticks, count, sealed, treatment, "
    "store, packer",
    "bundles",
    "bundle",
)
PARENTS = _of("bundle, parent, sticks", "bundle_parents", "bundle")
LOG = _of("bundle, time, event, store, sticks, condition", "bundle_log", "bundle")
LOTS = _of(
    "graft_lot, date, bundle, method, grafts, sticks_used, block, row, first, last, "
    "rootstock_lot, regraft_of, grafter",
    "graft_lots",
    "graft_lot",
)
COUNTS = _of(
    "graft_lot, date, pushing, green, dead, stock_only, missing, broken, scorer",
    "take_counts",
    "graft_lot",
)
SENT = _of(
    "dispatch, graft_lot, date, customer, trees, first, last, label_cultivar",
    "dispatches",
    "graft_lot",
)
LOOKS = _of(
    'item, date, "check", method, checked, off, found, positions, positions_checked, by',
    "identity_checks",
    "item",
)
ROOTSTOCKS = _of(
    "rootstock_lot, species, clone, seed_parent, supplier, received",
    "rootstock_lots",
    "rootstock_lot",
)
SPECIES = Query("SELECT cultivar, species FROM cultivars WHERE cultivar IN {codes}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step on the way: `told` are names and values, None where it was not recorded.

    `grade` is that of the link from `code` to its source, None where the step makes no link.
    """

    date: dt.date | None
    did: str
    code: str
    told: tuple[tuple[str, Any], ...]
    hand: str | None = None
    grade: Grade | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceTree:
    """A mother tree on the chain; `place` is block, row and position, None where unknown.

    `private` keeps the place off the sheet: then `place` is None too.
    """

    tree: str
    cultivar: str
    kind: str | None
    place: tuple[str, int, int] | None
    private: bool
    planted: dt.date | None
    rank: str | None
    graft_lot: str | None
    received_from: str | None
    rootstock: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rootstock:
    """The rootstock lot of a graft lot asked about."""

    rootstock_lot: str
    species: str | None
    clone: str | None
    seed_parent: str | None
    supplier: str | None
    received: dt.date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLook:
    """An identity check of something on the chain, or of what was sent.

    `this_tree` tells, where one tree is asked about, whether it was found off or true.
    """

    date: dt.date | None
    check: str
    item: str
    method: str
    checked: int
    off: int
    found: str | None
    by: str | None
    this_tree: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetBook:
    """All of it. `quantity` counts `unit`: trees, grafts or sticks; None where nothing says."""

    species: tuple[str, ...]
    labels: tuple[str, ...]
    """The cultivars written on labels of what was sent."""
    quantity: int | None
    unit: str
    season: int | None
    trees: tuple[SourceTree, ...]
    rootstocks: tuple[Rootstock, ...]
    bundles: tuple[str, ...]
    steps: tuple[Step, ...]
    looks: tuple[SheetLook, ...]
    contradictions: tuple[Sentence, ...]
    """Those of the trace, without the free text that is recorded with events."""

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        found = asdict(self)
        for step in found["steps"]:
            step["told"] = dict(step["told"])
        return found


def read_sheet_book(connection: Connection, traced: Trace, settings: Settings) -> SheetBook:
    """Return what a sheet shows of the chain that was traced."""
    return _Reader(connection, traced, settings).book()


class _Reader:
    """Reads what the tables hold of the codes on a chain."""

    def __init__(self, connection: Connection, traced: Trace, settings: Settings) -> None:
        self._connection, self._traced, self._settings = connection, traced, settings
        self._asked, self._position = split_position(traced.code)
        self._grades: dict[str, Grade] = {}
        for link in traced.links:
            known = self._grades.get(link.child, link.grade)
            self._grades[link.child] = weakest(known, link.grade)
        ends = {each for link in traced.links for each in (link.child, link.parent) if each}
        self._codes = sorted({split_position(each)[0] for each in {traced.code, *ends}})
        self._lots = self._rows(LOTS)
        self._bundles = self._rows(BUNDLES)
        self._trees = self._rows(TREES)
        self._sent = self._lines_sent()

    def _rows(self, query: Query, codes: Iterable[str] | None = None) -> list[tuple[Any, ...]]:
        return rows(self._connection, query, self._codes if codes is None else list(codes))

    def book(self) -> SheetBook:
        """Return all of it."""
        names = {source.cultivar for source in self._traced.sources if source.generation == 1}
        names |= {source.written for source in self._traced.sources if source.generation == 1}
        species = {row[1] for row in self._rows(SPECIES, [name for name in names if name])}
        worked = self._lots_asked()
        steps = [step for told in self._tellers() for step in told]
        steps.sort(key=lambda each: (each.date is None, each.date or dt.date.max))
        quantity, unit = self._quantity(worked)
        return SheetBook(
            species=tuple(sorted(species)),
            labels=tuple(sorted({row[7] for row in self._sent if row[7]})),
            quantity=quantity,
            unit=unit,
            season=self._season(worked),
            trees=tuple(map(_source_tree, self._trees)),
            rootstocks=tuple(
                Rootstock(
                    rootstock_lot=row[0],
                    species=row[1],
                    clone=row[2],
                    seed_parent=row[3],
                    supplier=row[4],
                    received=as_day(row[5]),
                )
                for row in self._rows(ROOTSTOCKS, {lot[10] for lot in worked if lot[10]})
            ),
            bundles=tuple(sorted(row[0] for row in self._bundles)),
            steps=tuple(steps),
            looks=tuple(sorted(self._looks(), key=_by_day)),
            contradictions=tuple(map(without_detail, self._traced.contradictions)),
        )

    def _lots_asked(self) -> list[tuple[Any, ...]]:
        """Return the lots that what was asked about was grafted in, in its own generation."""
        grown = {row[8] for row in self._trees if row[8]}
        used = {link.child for link in self._traced.links} | {self._asked}
        return [row for row in self._lots if row[0] in used and row[0] not in grown]

    def _quantity(self, worked: list[tuple[Any, ...]]) -> tuple[int | None, str]:
        """Return how much the sheet is about, and of what."""
        kind = self._traced.kind
        if self._position is not None or kind == "mother_trees":
            return 1, "trees"
        if kind == "dispatches":
            return sum(row[4] for row in self._sent), "trees"
        if kind == "graft_lots":
            return sum(row[4] for row in worked if row[0] == self._asked), "grafts"
        held = [row[5] for row in self._bundles if row[0] == self._asked]
        cut = [row[4] for row in self._rows(CUTS, [self._asked])]
        return next(iter([*held, *cut]), None), "sticks"

    def _season(self, worked: list[tuple[Any, ...]]) -> int | None:
        days = [as_day(row[1]) for row in worked]
        days += [source.date for source in self._traced.sources if source.generation == 1]
        known = [day for day in days if day is not None]
        return self._settings.season(max(known)) if known else None

    def _lines_sent(self) -> list[tuple[Any, ...]]:
        """Return the lines by which trees asked about left; of one tree, those it may be in."""
        lines = self._rows(SENT)
        if self._position is None:
            return [line for line in lines if self._asked in line[:2]]
        at = self._position
        return [
            line
            for line in lines
            if line[1] == self._asked and (None in line[5:7] or line[5] <= at <= line[6])
        ]

    def _tellers(self) -> Iterator[Iterator[Step]]:
        yield self._planted()
        yield self._cut()
        yield self._packed()
        yield self._stored()
        yield self._grafted()
        yield self._counted()
        yield self._left()

    def _step(
        self, date: Any, did: str, code: str, hand: str | None = None, /, **told: Any
    ) -> Step:
        linked = did in ("cut", "packed", "tied", "received", "grafted", "regrafted")
        return Step(
            date=as_day(date),
            did=did,
            code=code,
            told=tuple(told.items()),
            hand=hand,
            grade=self._grades.get(code) if linked else None,
        )

    def _planted(self) -> Iterator[Step]:
        for row in map(_source_tree, self._trees):
            if row.planted is not None:
                yield self._step(row.planted, "planted", row.tree, cultivar=row.cultivar)
        for tree, date, event, limb in self._rows(EVENTS):
            yield self._step(date, event, tree, limb=limb)

    def _cut(self) -> Iterator[Step]:
        for code, date, tree, limb, sticks, counting, cleaned, cutter in self._rows(CUTS):
            told = {"sticks": sticks, "counting": counting, "tree": tree, "limb": limb}
            yield self._step(date, "cut", code, cutter, **told, tools_cleaned=cleaned)

    def _packed(self) -> Iterator[Step]:
        given: dict[str, list[tuple[str, int]]] = {}
        for bundle, parent, sticks in self._rows(PARENTS):
            given.setdefault(bundle, []).append((parent, sticks))
        for row in self._bundles:
            code, packed, collection, outside, claimed, sticks, counting, *rest = row
            sealed, treatment, store, packer = rest
            told: dict[str, Any] = {"sticks": sticks, "counting": counting}
            if collection is not None:
                told["collection"] = collection
            if code in given:
                told["parents"] = tuple(given[code])
            if outside is not None:
                told |= {"received_from": outside, "claimed": claimed}
            told |= {"sealed": sealed, "treatment": treatment, "store": store}
            did = "received" if outside is not None else "tied" if code in given else "packed"
            yield self._step(packed, did, code, packer, **told)

    def _stored(self) -> Iterator[Step]:
        """Yield what happened to bundles until their last use on this chain."""
        until = self._last_uses()
        for code, time, event, store, sticks, condition in self._rows(LOG):
            moment = as_moment(time)
            day = moment.astimezone(self._settings.zone).date() if moment else None
            if day is None or day <= until.get(code, dt.date.max):
                told = {"store": store, "sticks": sticks, "condition": condition}
                yield self._step(day, event, code, **told)

    def _last_uses(self) -> dict[str, dt.date]:
        """Return the last day that each bundle gave wood on this chain, where it is known."""
        packed = {row[0]: row[1] for row in self._bundles}
        uses = [(row[2], row[1]) for row in self._lots]
        uses += [(parent, packed.get(child)) for child, parent, _ in self._rows(PARENTS)]
        found: dict[str, dt.date] = {}
        for bundle, date in uses:
            day = as_day(date) or dt.date.max
            found[bundle] = max(day, found.get(bundle, day))
        return found

    def _grafted(self) -> Iterator[Step]:
        for row in self._lots:
            code, date, bundle, method, grafts, sticks, *place, rootstock, regraft_of, hand = row
            told: dict[str, Any] = {"grafts": grafts, "bundle": bundle, "method": method}
            told |= {"sticks_used": sticks, "rootstock_lot": rootstock}
            told["place"] = None if None in place else tuple(place)
            if regraft_of is not None:
                told["regraft_of"] = regraft_of
            yield self._step(date, "regrafted" if regraft_of else "grafted", code, hand, **told)

    def _counted(self) -> Iterator[Step]:
        names = ("pushing", "green", "dead", "stock_only", "missing", "broken")
        for code, date, *classes, scorer in self._rows(COUNTS):
            told = {
                name: n for name, n in zip(names, classes, strict=True) if n or name == "pushing"
            }
            yield self._step(date, "counted", code, scorer, **told)

    def _left(self) -> Iterator[Step]:
        """Yield what was sent; where no positions are written, one tree is only one of many."""
        for dispatch, lot, date, customer, trees, first, last, label in self._sent:
            positions = None if None in (first, last) else (first, last)
            told = {"trees": trees, "lot": lot, "positions": positions}
            told |= {"customer": customer, "label": label}
            unsaid = positions is None and self._position is not None
            grade = Grade.ONE_OF if unsaid else Grade.CERTAIN if date else Grade.LIKELY
            yield replace(self._step(date, "sent", dispatch, **told), grade=grade)

    def _looks(self) -> Iterator[SheetLook]:
        own = f"{self._asked}/{self._position}"
        items = {*self._codes, *(line[0] for line in self._sent), own}
        for item, date, check, method, checked, off, found, *places, by in self._rows(LOOKS, items):
            wrong, seen = (set(expand_positions(each or "")) for each in places)
            this = None
            if self._position is not None and item == own:
                this = "off" if off else "true"
            elif self._position in wrong:
                this = "off"
            elif self._position in seen:
                this = "true"
            yield SheetLook(
                date=as_day(date),
                check=check,
                item=item,
                method=method,
                checked=checked,
                off=off,
                found=found if off else None,
                by=by,
                this_tree=this,
            )


def _by_day(look: SheetLook) -> tuple[bool, dt.date, str]:
    return look.date is None, look.date or dt.date.max, look.check


def _source_tree(row: tuple[Any, ...]) -> SourceTree:
    tree, cultivar, kind, block, line, position, planted, rank, lot, _, outside, stock, private = (
        row
    )
    place = None if private or None in (block, line, position) else (block, line, position)
    return SourceTree(
        tree=tree,
        cultivar=cultivar,
        kind=kind,
        place=place,
        private=bool(private),
        planted=as_day(planted),
        rank=rank,
        graft_lot=lot,
        received_from=outside,
        rootstock=stock,
    )
