"""The part of the records that lies upward of something: read in a few statements, then plain."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.graph import (
    CUTTINGS,
    TREES,
    WOOD,
    ZONE,
    Bundle,
    Cutting,
    Lot,
    Parents,
    Query,
    Tree,
    as_day,
    as_moment,
    as_zone,
    day_of,
    make_bundle,
    make_cutting,
    make_tree,
    read_lots,
    read_parents,
    rows,
)
from scionreg.lineage.relatives import KIN, KinLook, each_once, make_kin
from scionreg.lineage.standing import regrafts_among, standing
from scionreg.lineage.sticks import USED, Drawn
from scionreg.records.vocabulary import BundleEventKind


class Line(NamedTuple):
    """One line of a dispatch: trees of one graft lot."""

    dispatch: str
    graft_lot: str
    date: dt.date | None
    customer: str
    trees: int
    first: int | None
    last: int | None
    label_cultivar: str | None

    @property
    def code(self) -> str:
        """Return how the line is asked about."""
        return f"{self.dispatch}/{self.graft_lot}"


class LogLine(NamedTuple):
    """Something that happened to a bundle."""

    bundle: str
    time: dt.datetime | None
    event: str
    store: str | None
    sticks: int | None
    condition: str | None
    day: dt.date | None
    """The day of `time` in the registry's time zone, to be held beside other days."""


class Look(NamedTuple):
    """An identity check of something on the chain."""

    check: str
    item: str
    limb: str | None
    date: dt.date | None
    method: str
    checked: int
    off: int
    found: str | None
    by: str | None


class TreeHappening(NamedTuple):
    """Something that happened to a mother tree of the chain."""

    tree: str
    date: dt.date | None
    event: str
    limb: str | None
    detail: str | None


LINES = Query(
    "SELECT dispatch, graft_lot, date, customer, trees, first, last, label_cultivar "
    "FROM dispatches WHERE dispatch IN {codes} ORDER BY graft_lot"
)
LOG = Query(
    f"SELECT bundle, time, event, store, sticks, condition, {ZONE} FROM bundle_log "
    "WHERE bundle IN {codes}"
)
AROUND = Query(
    'SELECT \'look\', item, CAST(date AS TEXT), "check", limb, method, found, "by", '
    "CAST(checked AS DOUBLE PRECISION), CAST(off AS DOUBLE PRECISION) "
    "FROM identity_checks WHERE item IN {codes} "
    "UNION ALL SELECT 'happening', tree, CAST(date AS TEXT), event, limb, detail, NULL, NULL, "
    "NULL, NULL FROM tree_events WHERE tree IN {codes} "
    "UNION ALL SELECT 'name', cultivar, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL "
    "FROM cultivars WHERE cultivar IN {codes} "
    "UNION ALL SELECT 'drawn', bundle, CAST(date AS TEXT), NULL, NULL, NULL, NULL, NULL, "
    f"sum({USED}), NULL FROM graft_lots WHERE bundle IN {{codes}} GROUP BY bundle, date "
    "UNION ALL SELECT 'drawn', p.parent, CAST(b.packed AS TEXT), NULL, NULL, NULL, NULL, NULL, "
    "sum(p.sticks), NULL FROM bundle_parents p JOIN bundles b ON b.bundle = p.bundle "
    "WHERE p.parent IN {codes} GROUP BY p.parent, b.packed "
    "UNION ALL SELECT 'tied', collection, NULL, NULL, NULL, NULL, NULL, NULL, sum(sticks), NULL "
    f"FROM bundles WHERE collection IN {{codes}} GROUP BY collection UNION ALL {KIN}"
)
"""All that is told of some codes, whatever they name, in one statement: each costs a round trip."""
LEAVING = (BundleEventKind.DISCARDED, BundleEventKind.SOLD)
KNOWN_NAMES = Query("SELECT cultivar FROM cultivars WHERE cultivar IN {codes}")
ALIASES = Query("SELECT cultivar, aliases FROM cultivars WHERE aliases IS NOT NULL")


@dataclass(slots=True)
class DrawnSticks:
    """Sticks taken out of bundles, and tied from collections."""

    from_bundle: dict[str, float] = field(default_factory=dict)
    from_collection: dict[str, float] = field(default_factory=dict)
    on_days: dict[str, Drawn] = field(default_factory=dict)
    """Of a bundle: the sticks that were grafted or tied anew, by day."""

    def take(self, bundle: str, sticks: float) -> None:
        """Add sticks taken out of a bundle."""
        self.from_bundle[bundle] = self.from_bundle.get(bundle, 0) + sticks


@dataclass(slots=True)
class Chain:
    """What is recorded upward of some graft lots, bundles, collections or trees."""

    lots: dict[str, Lot] = field(default_factory=dict)
    regrafts: dict[str, list[Lot]] = field(default_factory=dict)
    bundles: dict[str, Bundle] = field(default_factory=dict)
    parents: Parents = field(default_factory=dict)
    cuttings: dict[str, Cutting] = field(default_factory=dict)
    trees: dict[str, Tree] = field(default_factory=dict)
    lines: list[Line] = field(default_factory=list)
    log: dict[str, list[LogLine]] = field(default_factory=dict)
    drawn: DrawnSticks = field(default_factory=DrawnSticks)
    looks: list[Look] = field(default_factory=list)
    kin: list[KinLook] = field(default_factory=list)
    """Looks at lots of the chain's bundles, and of other bundles of its cuttings."""
    happenings: dict[str, list[TreeHappening]] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    """Cultivar names as written, with the name they stand for."""

    def read_lots(self, connection: Connection, asked: Iterable[str]) -> None:
        """Read graft lots and the regrafts of them."""
        wanted = [code for code in asked if code not in self.lots]
        if wanted:
            self.lots |= read_lots(connection, wanted)
            self.regrafts = regrafts_among(self.lots.values())

    def grown_from(self, tree: Tree) -> dict[str, float]:
        """Return the graft lots that a mother tree may have been grown from, with shares."""
        lot = self.lots.get(tree.graft_lot or "")
        if lot is None:
            return {}
        at = tree.graft_position
        return standing(lot, self.regrafts, at, at, tree.planted)

    def follow(
        self,
        connection: Connection,
        *,
        lots: Iterable[str] = (),
        bundles: Iterable[str] = (),
        collections: Iterable[str] = (),
        trees: Iterable[str] = (),
    ) -> None:
        """Read everything upward, over all generations; `lots` have been read before."""
        found = self._read_cuttings(connection, collections)
        found += self._read_trees(connection, trees)
        wanted = {self.lots[code].bundle for code in lots} | set(bundles)
        while wanted or found:
            found += self._read_wood(connection, wanted)
            self.read_lots(connection, [tree.graft_lot for tree in found if tree.graft_lot])
            grown = {code for tree in found for code in self.grown_from(tree)}
            wanted = {self.lots[code].bundle for code in grown} - self.bundles.keys()
            found = []

    def _read_wood(self, connection: Connection, wanted: set[str]) -> list[Tree]:
        """Read bundles with all their parents, their collections and trees; return new trees."""
        if not wanted:
            return []
        self.parents |= read_parents(connection, wanted)
        every = wanted.union(*(self.parents[code] for code in self.parents))
        found = []
        for row in sorted(rows(connection, WOOD, every - self.bundles.keys()), key=itemgetter(0)):
            self.bundles[row[0]] = make_bundle(row[:9])
            if row[9] is not None:
                found += self._add_cutting(row[9:16], row[16:])
        return found

    def _add_cutting(self, cutting: tuple[Any, ...], tree: tuple[Any, ...]) -> list[Tree]:
        self.cuttings[cutting[0]] = make_cutting(cutting)
        if tree[0] is None or tree[0] in self.trees:
            return []
        self.trees[tree[0]] = make_tree(tree)
        return [self.trees[tree[0]]]

    def _read_cuttings(self, connection: Connection, asked: Iterable[str]) -> list[Tree]:
        found: list[Tree] = []
        if codes := list(asked):
            for row in rows(connection, CUTTINGS, codes):
                found += self._add_cutting(row[:7], row[7:])
        return found

    def _read_trees(self, connection: Connection, asked: Iterable[str]) -> list[Tree]:
        found = []
        if codes := list(asked):
            found = [make_tree(row) for row in rows(connection, TREES, codes)]
            self.trees |= {tree.tree: tree for tree in found}
        return found

    def read_surroundings(self, connection: Connection, items: Iterable[str]) -> None:
        """Read what happened to what the chain is made of: stores, counts, checks, events."""
        if self.bundles:
            self.log = read_log(connection, self.bundles)
        for line in (line for log in self.log.values() for line in log):
            if line.event in LEAVING and line.sticks is not None:
                self.drawn.take(line.bundle, line.sticks)
        written = {tree.cultivar for tree in self.trees.values()}
        written |= {bundle.claimed for bundle in self.bundles.values() if bundle.claimed}
        written |= {line.label_cultivar for line in self.lines if line.label_cultivar}
        known: set[str] = set()
        asked = {*items, *self.bundles, *self.cuttings, *self.trees, *written}
        for what, code, date, *texts, number, other in rows(connection, AROUND, asked):
            day = as_day(date)
            match what:
                case "look":
                    check, limb, method, found, by = texts
                    counts = int(number), int(other)
                    self.looks.append(Look(check, code, limb, day, method, *counts, found, by))
                case "kin":
                    self.kin.append(make_kin(code, date, *texts, number, other))
                case "happening":
                    happening = TreeHappening(code, day, *texts[:3])
                    self.happenings.setdefault(code, []).append(happening)
                case "name":
                    known.add(code)
                case "drawn":
                    days = self.drawn.on_days.setdefault(code, {})
                    days[day] = days.get(day, 0) + number
                    self.drawn.take(code, number)
                case _:
                    self.drawn.from_collection[code] = number
        self.kin = each_once(self.kin)
        self.looks.sort(key=lambda look: (look.date or dt.date.max, look.check))
        self.names = stand_for(connection, written, known)


def read_lines(connection: Connection, dispatches: Iterable[str]) -> list[Line]:
    """Return the lines of dispatches, by graft lot."""
    found = rows(connection, LINES, dispatches)
    return [Line(row[0], row[1], as_day(row[2]), *row[3:]) for row in found]


def read_log(connection: Connection, bundles: Iterable[str]) -> dict[str, list[LogLine]]:
    """Return what happened to each bundle, oldest first and what has no time last."""
    found = rows(connection, LOG, bundles)
    zone = as_zone(found[0][-1]) if found else dt.UTC
    log: dict[str, list[LogLine]] = {}
    for bundle, time, event, store, sticks, condition, _ in found:
        moment = as_moment(time)
        day = day_of(moment, zone)
        line = LogLine(bundle, moment, event, store, sticks, condition, day)
        log.setdefault(bundle, []).append(line)
    for lines in log.values():
        lines.sort(key=lambda line: (line.time is None, line.time, line.event))
    return log


def resolve_names(connection: Connection, written: set[str]) -> dict[str, str]:
    """Return each cultivar name with the name that it stands for; unknown ones stand as written."""
    known = {row[0] for row in rows(connection, KNOWN_NAMES, written)}
    return stand_for(connection, written, known)


def stand_for(connection: Connection, written: set[str], known: set[str]) -> dict[str, str]:
    """Return the names that those `written` stand for, of which those `known` are no aliases."""
    names = {name: name for name in written & known}
    if len(names) < len(written):
        spelled: dict[str, str] = {}
        for cultivar, aliases in rows(connection, ALIASES, ()):
            for alias in aliases.split(";"):
                spelled.setdefault(alias.strip().casefold(), cultivar)
        for name in written - names.keys():
            names[name] = spelled.get(name.casefold(), name)
    return names
