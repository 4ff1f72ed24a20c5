"""Where wood was kept, and when: what the sums of a store's readings are taken over.

A stay lasts from the day of packing or a move to the next move, or until nothing is left of the
bundle (`lasting`). Where sticks are left it lasts to the moment that is asked about, whatever was
taken out before. A day means its beginning in the registry's time zone. Wood tied from other
bundles was where those were until it was tied.

A store's figures, warm spells, recalls of a store and causes of poor take all go by this.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.chain import LogLine, read_log
from scionreg.lineage.graph import (
    WOOD,
    Bundle,
    Cutting,
    Moment,
    Parents,
    Query,
    Tree,
    as_day,
    day_of,
    make_bundle,
    make_cutting,
    make_tree,
    read_parents,
    rows,
    sources_first,
    wood_shares,
)
from scionreg.lineage.lasting import Lasting, Uses, lasting
from scionreg.lineage.presence import Presence, places_of, presences
from scionreg.lineage.sticks import Flow, read_flows
from scionreg.records.vocabulary import BundleEventKind

UNLABELLED = Query("SELECT bundle FROM bundles WHERE bundle IN {codes} AND unlabelled")
EVERY_BUNDLE = Query("SELECT bundle FROM bundles ORDER BY bundle")


class KnownStay(NamedTuple):
    """Time that wood of a bundle spent in one place, between two points in time (UTC).

    `store` None means that nobody knows where. `tied_into` is None for the bundle's own stays;
    else the stay is that of its sticks until they were tied into that bundle.
    """

    bundle: str
    tied_into: str | None
    store: str | None
    start: dt.datetime
    end: dt.datetime


@dataclass(slots=True)
class Kept:
    """Bundles, where their wood was, and what about it is not known."""

    asked: list[str]
    bundles: dict[str, Bundle] = field(default_factory=dict)
    """Those asked about, and all that they were tied from."""
    cuttings: dict[str, Cutting] = field(default_factory=dict)
    trees: dict[str, Tree] = field(default_factory=dict)
    parents: Parents = field(default_factory=dict)
    unlabelled: set[str] = field(default_factory=set)
    """Bundles that were found without a label."""
    log: dict[str, list[LogLine]] = field(default_factory=dict)
    stays: list[KnownStay] = field(default_factory=list)
    left: dict[str, float] = field(default_factory=dict)
    """Sticks left of each bundle; those of which none is left are lacking."""
    lasted: dict[str, Lasting] = field(default_factory=dict)
    until: dict[str, dt.datetime | None] = field(default_factory=dict)
    """The end of a bundle's last stay; None where it is not known."""
    last_store: dict[str, str | None] = field(default_factory=dict)
    """The store that a bundle was in at last; None where that is not known."""
    doubts: dict[str, list[str]] = field(default_factory=dict)
    """What is not recorded about a bundle's time in store, in words."""

    def order(self) -> list[str]:
        """Return every bundle, each after those it was tied from."""
        return sources_first(self.bundles, lambda code: self.parents.get(code, ()))

    def shares(self, code: str) -> dict[str | None, float]:
        """Return the share of a bundle's wood that came from each parent."""
        return wood_shares(self.bundles[code], self.parents.get(code, {}))

    def cutting(self, code: str) -> Cutting | None:
        """Return the collection that a bundle was tied from, None where there is none."""
        return self.cuttings.get(self.bundles[code].collection or "")

    def presences(self, code: str) -> list[Presence]:
        """Return the days on which a bundle was in a store, for certain and possibly."""
        cutting = self.cutting(code)
        cut = None if cutting is None else cutting.date
        return presences(self.bundles[code], self.log.get(code, ()), self.lasted[code], cut)


def read_kept(
    connection: Connection,
    zone: dt.tzinfo,
    codes: Sequence[str] | None = None,
    *,
    at: dt.datetime,
    until: dt.date | None = None,
) -> Kept:
    """Return where the wood of the bundles `codes` (None: of all) was kept.

    Stays end at the latest at the moment `at`; those of wood that is left end there. What is
    recorded of days after `until` is left out.
    """
    asked = [row[0] for row in rows(connection, EVERY_BUNDLE, ())] if codes is None else codes
    kept = Kept(list(dict.fromkeys(asked)))
    kept.parents = read_parents(connection, kept.asked)
    every = {*kept.asked, *(code for given in kept.parents.values() for code in given)}
    for row in rows(connection, WOOD, every):
        kept.bundles[row[0]] = make_bundle(row[:9])
        if row[9] is not None:
            cutting = make_cutting(row[9:16])
            kept.cuttings[cutting.collection] = cutting
            kept.trees.setdefault(cutting.tree, make_tree(row[16:]))
    kept.unlabelled = {row[0] for row in rows(connection, UNLABELLED, every)}
    kept.log = {
        code: [line for line in lines if until is None or line.day is None or line.day <= until]
        for code, lines in read_log(connection, every).items()
    }
    kept.lasted = read_lasting(connection, kept.bundles, kept.log, until=until)
    kept.left = {code: life.left for code, life in kept.lasted.items() if life.left > 0}
    _Placing(kept, zone, at).place()
    return kept


def read_lasting(
    connection: Connection,
    bundles: Mapping[str, Bundle],
    log: Mapping[str, Sequence[LogLine]],
    *,
    until: dt.date | None = None,
) -> dict[str, Lasting]:
    """Return how long each of some `bundles` lasted, by their `log` and what is recorded of uses.

    What is recorded of days after `until` is left out.
    """
    flows = read_flows(connection, bundles, until=until)
    uses = {code: Uses() for code in bundles}
    for query in _last_uses(until):
        for code, last, undated in rows(connection, query, bundles):
            uses[code] = uses[code].and_of(as_day(last), undated)
    return {
        code: lasting(bundle, flows.get(code, Flow()), uses[code], log.get(code, ()))
        for code, bundle in bundles.items()
    }


def _last_uses(until: dt.date | None) -> tuple[Query, Query]:
    """Return what asks for the last day of grafting and of tying anew, and for undated ones."""

    def by(day: str) -> str:
        return "" if until is None else f"AND ({day} IS NULL OR {day} <= '{until}') "

    return (
        Query(
            "SELECT bundle, max(date), count(*) - count(date) FROM graft_lots "
            f"WHERE bundle IN {{codes}} {by('date')}GROUP BY bundle"
        ),
        Query(
            "SELECT p.parent, max(b.packed), count(*) - count(b.packed) FROM bundle_parents p "
            "JOIN bundles b ON b.bundle = p.bundle "
            f"WHERE p.parent IN {{codes}} {by('b.packed')}GROUP BY p.parent"
        ),
    )


@dataclass(slots=True)
class _Placing:
    """Turns days and points in time, known or not, into known stays and doubts."""

    kept: Kept
    zone: dt.tzinfo
    at: dt.datetime
    _mornings: dict[dt.date, dt.datetime] = field(default_factory=dict)

    def place(self) -> None:
        """Find the stays of every bundle asked about, and of those they were tied from."""
        for code in set(self.kept.asked):
            life = self.kept.lasted[code]
            if life.known:
                end = self.at if life.left > 0 else life.ended
                self.kept.until[code] = self._stay(code, None, end)
            else:
                self._doubt(code, "a day on which it was used is not recorded")
                self._stay(code, None, life.seen)
                self.kept.until[code] = None
        for child, given in self.kept.parents.items():
            tied = self.kept.bundles[child].packed
            if tied is None:
                self._doubt(child, "the day it was tied is not recorded")
            for parent in given:
                self._stay(parent, child, tied)
        for code in self.kept.bundles:
            if None in self.kept.shares(code) and self.kept.parents.get(code):
                self._doubt(code, "the source of some of its sticks is not recorded")

    def _stay(self, code: str, tied_into: str | None, until: Moment | None) -> dt.datetime | None:
        """Add the stays of a bundle up to `until`, and return when they end."""
        bundle = self.kept.bundles[code]
        lines = self.kept.log.get(code, ())
        if not any(line.event == BundleEventKind.MOVED for line in lines):
            lines = ()
        places = places_of(bundle, lines, until, day_of(until, self.zone))
        if tied_into is None:
            self.kept.last_store[code] = places[-1][0]
        edges = [self._moment(start) for _, start, _ in places] + [self._moment(until)]
        if edges[0] is None:
            edges[0] = self._start(code)
        last = None if edges[-1] is None else min(edges[-1], self.at)
        self._add(code, tied_into, [store for store, _, _ in places], edges, last)
        return last

    def _start(self, code: str) -> dt.datetime | None:
        """Return the day of cutting in place of a day of packing that was not recorded."""
        cutting = self.kept.cutting(code)
        self._doubt(code, "the day it was packed is not recorded")
        return self._moment(cutting.date) if cutting is not None else None

    def _add(
        self,
        code: str,
        tied_into: str | None,
        stores: list[str | None],
        edges: list[dt.datetime | None],
        last: dt.datetime | None,
    ) -> None:
        into = tied_into or code
        if last is None or edges[0] is None:
            if last is None:
                self._doubt(into, f"nobody recorded until when {code} was kept")
            if all(edge is None for edge in edges):
                return
        inner = edges[1:-1]
        if None in inner and len(set(stores)) > 1:
            self._doubt(into, f"the time {code} was moved is not recorded")
            known = [edge for edge in edges if edge is not None]
            if edges[0] is not None and last is not None:
                self._append(code, tied_into, None, known[0], last)
            return
        if None in inner:  # moved within the same store
            edges, stores = [edges[0], edges[-1]], stores[:1]
        for store, start, end in zip(stores, edges, [*edges[1:-1], last], strict=False):
            if start is not None and end is not None:
                self._append(code, tied_into, store, start, min(end, last or end))

    def _append(
        self,
        code: str,
        tied_into: str | None,
        store: str | None,
        start: dt.datetime,
        end: dt.datetime,
    ) -> None:
        if end > start:
            self.kept.stays.append(KnownStay(code, tied_into, store, start, end))

    def _doubt(self, code: str, says: str) -> None:
        known = self.kept.doubts.setdefault(code, [])
        if says not in known:
            known.append(says)

    def _moment(self, moment: Moment | None) -> dt.datetime | None:
        """Return a day's beginning in the registry's time zone; a point in time as it is."""
        if moment is None or isinstance(moment, dt.datetime):
            return moment
        if moment not in self._mornings:
            begun = dt.datetime.combine(moment, dt.time(), self.zone)
            self._mornings[moment] = begun.astimezone(dt.UTC)
        return self._mornings[moment]
