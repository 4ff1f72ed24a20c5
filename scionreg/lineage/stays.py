"""Where wood was kept, and when: what the sums of a store's readings are taken over.

A stay lasts from the day of packing or a move to the next move or the last use (a graft, a
re-bundle, a sale); without a use to the day all was discarded, or to the moment that is asked
about. A day means its beginning in the registry's time zone. Wood tied from other bundles was
where those were until it was tied.
"""

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
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
from scionreg.lineage.remarks import places_of
from scionreg.records.vocabulary import BundleEventKind

UNLABELLED = Query("SELECT bundle FROM bundles WHERE bundle IN {codes} AND unlabelled")
EVERY_BUNDLE = Query("SELECT bundle FROM bundles ORDER BY bundle")
GRAFTED = Query(
    "SELECT bundle, max(date), count(*) - count(date) FROM graft_lots WHERE bundle IN {codes} "
    "GROUP BY bundle"
)
TIED_ON = Query(
    "SELECT p.parent, max(b.packed), count(*) - count(b.packed) FROM bundle_parents p "
    "JOIN bundles b ON b.bundle = p.bundle WHERE p.parent IN {codes} GROUP BY p.parent"
)


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


def read_kept(
    connection: Connection,
    zone: dt.tzinfo,
    codes: Sequence[str] | None = None,
    *,
    at: dt.datetime,
    still_there: Callable[[str], bool] = lambda code: False,
) -> Kept:
    """Return where the wood of the bundles `codes` (None: of all) was kept.

    `at` ends the stays of bundles that nothing was used of, and of those that are `still_there`.
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
    kept.log = read_log(connection, every)
    _Placing(kept, zone, at).place(_last_uses(connection, kept, zone, every), still_there)
    return kept


class _Uses(NamedTuple):
    """When a bundle was used for the last time, as far as that was recorded."""

    last: Moment | None
    undated: int


def _last_uses(
    connection: Connection, kept: Kept, zone: dt.tzinfo, every: Iterable[str]
) -> dict[str, _Uses]:
    """Return the last recorded use of each bundle that was used; days begin in `zone`."""

    def begun(moment: Moment) -> dt.datetime:
        if isinstance(moment, dt.datetime):
            return moment
        return dt.datetime.combine(moment, dt.time(), zone)

    found: dict[str, list[tuple[Moment | None, int]]] = {}
    for query in (GRAFTED, TIED_ON):
        for code, last, undated in rows(connection, query, every):
            found.setdefault(code, []).append((as_day(last), undated))
    for code, lines in kept.log.items():
        sold = [line.time for line in lines if line.event == BundleEventKind.SOLD]
        found.setdefault(code, []).extend((time, int(time is None)) for time in sold)
    return {
        code: _Uses(
            max((last for last, _ in uses if last is not None), key=begun, default=None),
            sum(undated for _, undated in uses),
        )
        for code, uses in found.items()
        if uses
    }


@dataclass(slots=True)
class _Placing:
    """Turns days and points in time, known or not, into known stays and doubts."""

    kept: Kept
    zone: dt.tzinfo
    at: dt.datetime
    _mornings: dict[dt.date, dt.datetime] = field(default_factory=dict)

    def place(self, uses: dict[str, _Uses], still_there: Callable[[str], bool]) -> None:
        """Find the stays of every bundle asked about, and of those they were tied from."""
        asked = set(self.kept.asked)
        for code in asked:
            used = uses.get(code, _Uses(None, 0))
            there = still_there(code)
            if used.undated and not there:
                self._doubt(code, "a day on which it was used is not recorded")
            there |= used.last is None and not used.undated
            until = None if there else used.last
            self.kept.until[code] = self._stay(code, None, until, still=there)
        for child, given in self.kept.parents.items():
            tied = self.kept.bundles[child].packed
            if tied is None:
                self._doubt(child, "the day it was tied is not recorded")
            for parent in given:
                self._stay(parent, child, tied, still=False)
        for code in self.kept.bundles:
            if None in self.kept.shares(code) and self.kept.parents.get(code):
                self._doubt(code, "the source of some of its sticks is not recorded")

    def _stay(
        self, code: str, tied_into: str | None, until: Moment | None, *, still: bool
    ) -> dt.datetime | None:
        """Add the stays of a bundle, and return when they end."""
        bundle = self.kept.bundles[code]
        lines = self.kept.log.get(code, ())
        if not any(line.event in _MOVING for line in lines):
            lines = ()
        places = places_of(bundle, lines, until, day_of(until, self.zone))
        if tied_into is None:
            self.kept.last_store[code] = places[-1][0]
        edges = [self._moment(start) for _, start, _ in places] + [self._moment(places[-1][2])]
        if edges[0] is None:
            edges[0] = self._start(code)
        if edges[-1] is None and still:
            edges[-1] = self.at
        last = edges[-1]
        if until is not None and last is not None:
            last = min(last, self._moment(until) or last)
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


_MOVING = (BundleEventKind.MOVED, BundleEventKind.DISCARDED)
