"""Sticks that left bundles and collections, and what is left of them, as the records say."""

import datetime as dt
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.graph import (
    Moment,
    Query,
    as_day,
    as_moment,
    day_of,
    read_zone,
    rows,
)
from scionreg.records.rules.counts import grafts_a_stick
from scionreg.records.vocabulary import BundleEventKind

USED = f"coalesce(sticks_used, CAST(grafts AS DOUBLE PRECISION) / {grafts_a_stick('method')})"
"""SQL: sticks that a graft lot used: as counted, else by its grafts and method."""


def tidy(sticks: float) -> float:
    """Return a number of sticks as a whole number where it is one, else to two decimals."""
    return int(sticks) if sticks == int(sticks) else round(sticks, 2)


Drawn = dict[dt.date | None, float]
"""Sticks grafted or tied anew from a bundle, by day; None where nobody recorded which."""

# ----------------------------------------------------------------------- in and out, by bundle


@dataclass(slots=True)
class Flow:
    """What left one bundle, in sticks, and what was counted to be there."""

    used: float = 0
    derived: bool = False
    """Whether sticks used were reckoned from grafts and method for some lots."""
    discarded: float = 0
    discarded_rest: bool = False
    """Whether all that remained was thrown away, without a number."""
    sold: float = 0
    passed: float = 0
    """To other bundles."""
    counted: float | None = None
    """Sticks there by the last count, less what left since; None without a count."""
    emptied: Moment | None = None
    """When, by the counts and what left since, none was left; None where some is, or no count."""
    amid: "Amid | None" = None
    """The last count, if it was made on a day on which sticks were grafted or tied anew."""

    @property
    def out(self) -> float:
        """Return all sticks that left."""
        return self.used + self.discarded + self.sold + self.passed

    def left_of(self, sticks: float) -> float:
        """Return how many of the bundle's `sticks` should be there still."""
        if self.counted is not None:
            return self.counted
        return 0 if self.discarded_rest else max(0.0, sticks - self.out)

    def add_log(self, sticks: float, log: Collection["LogEvent"], drawn: Drawn) -> None:
        """Add what a bundle's log says of its `sticks`; `drawn` is needed only for counts."""
        counts = False
        for each in log:
            if each.event == BundleEventKind.SOLD:
                self.sold += each.sticks or 0
            elif each.event == BundleEventKind.DISCARDED:
                self.discarded += each.sticks or 0
                self.discarded_rest |= each.sticks is None
            counts |= each.is_count
        if counts:
            walk = _Walk(sticks - drawn.get(None, 0))
            walk.follow(sorted(log, key=LogEvent.place), drawn)
            self.counted, self.emptied, self.amid = max(0.0, walk.there), walk.emptied, walk.amid
            self.discarded_rest = walk.thrown is not None
            self.discarded += walk.thrown or 0


class LogEvent(NamedTuple):
    """Sticks of a bundle that were counted, thrown away or sold; `sticks` None: without number.

    `day` is that of `time` by the registry's clock, to be held beside days of grafting.
    """

    time: dt.datetime | None
    event: str
    sticks: int | None
    day: dt.date | None

    @property
    def is_count(self) -> bool:
        """Tell whether it says how many sticks there were at a known time."""
        return self.event == BundleEventKind.CHECKED and None not in (self.sticks, self.time)

    @property
    def is_rest(self) -> bool:
        """Tell whether all that was left was thrown away."""
        return self.event == BundleEventKind.DISCARDED and self.sticks is None

    def place(self) -> tuple[bool, float, bool]:
        """Return what tells its place in the order of time: of one moment, a count comes last."""
        at = self.time.timestamp() if self.time else 0.0
        return self.time is None, at, self.event == BundleEventKind.CHECKED


class Amid(NamedTuple):
    """A count on a day on which sticks were grafted or tied anew; `before`: taken to precede it."""

    day: dt.date
    before: bool


@dataclass(slots=True)
class _Walk:
    """The sticks of one bundle, followed from day to day.

    What has no day is taken to have left before any count. A graft has a day and a count a time:
    what was worked on the day of a count is put before or after it so that they agree best, and
    before it where that is all one.
    """

    there: float
    emptied: Moment | None = None
    thrown: float | None = None
    """Sticks thrown away as the rest, if none were counted thereafter."""
    amid: Amid | None = None

    def follow(self, events: Iterable[LogEvent], drawn: Drawn) -> None:
        """Follow them through what the log says, in order of time, and the work of each day."""
        days: dict[dt.date, list[LogEvent]] = {}
        for each in events:
            if each.day is not None:
                days.setdefault(each.day, []).append(each)
            else:
                self.there -= each.sticks or 0 if each.event != BundleEventKind.CHECKED else 0
        for day in sorted(days.keys() | {day for day in drawn if day is not None}):
            its, worked = days.get(day, []), drawn.get(day, 0)
            at = min(range(len(its) + 1), key=lambda at: (self._misfit(its, worked, at), at))
            for each in its[:at]:
                self._take(each)
            self._draw(worked, day)
            for each in its[at:]:
                self._take(each)
            counts = [place for place, each in enumerate(its) if each.is_count]
            if counts:
                self.amid = Amid(day, counts[-1] < at) if worked else None

    def _misfit(self, events: list[LogEvent], worked: float, at: int) -> float:
        """Return by how many sticks a day's counts are off, if work comes before event `at`."""
        there, off = self.there, 0.0
        for place, each in enumerate(events):
            there -= worked if place == at else 0
            if each.is_count and each.sticks is not None:
                off += abs(there - each.sticks)
                there = each.sticks
            elif each.event != BundleEventKind.CHECKED:
                there = 0 if each.is_rest else there - (each.sticks or 0)
        return off

    def _take(self, event: LogEvent) -> None:
        """Go on to what was counted, thrown away or sold."""
        if event.is_rest:
            self.thrown = max(0.0, self.there)
            self.there, self.emptied = 0.0, event.time
        elif event.event != BundleEventKind.CHECKED:
            self._draw(event.sticks or 0, event.time)
        elif event.is_count and event.sticks is not None:
            self.there, self.thrown = event.sticks, None
            self.emptied = None if event.sticks else self.emptied or event.time

    def _draw(self, sticks: float, when: Moment | None) -> None:
        """Go on to sticks that left."""
        self.there -= sticks
        if sticks and self.there <= 0:
            self.emptied = when


# ----------------------------------------------------------------------------- read from records


def _each(statement: str, column: str = "bundle") -> tuple[Query, Query]:
    """Return a statement for the bundles asked for, and one for all bundles."""
    asked = f"{column} IN {{codes}}"
    return Query(statement), Query(statement.replace(asked, "TRUE"))


USED_BY = _each(
    "SELECT bundle, sum(sticks_used), count(*) - count(sticks_used) FROM graft_lots "
    "WHERE bundle IN {codes} GROUP BY bundle"
)
RECKONED = Query(f"SELECT bundle, sum({USED}) FROM graft_lots WHERE bundle IN {{codes}} GROUP BY 1")
PASSED = _each(
    "SELECT parent, sum(sticks) FROM bundle_parents WHERE parent IN {codes} GROUP BY parent",
    "parent",
)
EVENTS = _each(
    "SELECT l.bundle, l.time, l.event, l.sticks, b.sticks FROM bundle_log l "
    "JOIN bundles b ON b.bundle = l.bundle WHERE l.bundle IN {codes} "
    "AND l.event IN ('checked', 'discarded', 'sold')",
    "l.bundle",
)
USED_ON = _each(
    f"SELECT bundle, date, sum({USED}), count(*) - count(sticks_used) FROM graft_lots "
    "WHERE bundle IN {codes} GROUP BY bundle, date"
)
PASSED_ON = _each(
    "SELECT p.parent, b.packed, sum(p.sticks), 0 FROM bundle_parents p "
    "JOIN bundles b ON b.bundle = p.bundle WHERE p.parent IN {codes} GROUP BY p.parent, b.packed",
    "p.parent",
)


def read_flows(
    connection: Connection,
    bundles: Iterable[str] | None = None,
    begun: dict[str, Flow] | None = None,
    *,
    until: dt.date | None = None,
) -> dict[str, Flow]:
    """Return what left the `bundles`, or all bundles; those that nothing left may be lacking.

    Parameters
    ----------
    begun : what was used and passed already, where the caller has met all lots and children.
    until : leave out what is recorded of later days.
    """
    asked = None if bundles is None else list(bundles)

    def read(queries: tuple[Query, Query], asked: list[str] | None) -> list[tuple[Any, ...]]:
        return rows(connection, queries[asked is None], asked or ())

    held, logs = _logs(read(EVENTS, asked))
    counted = [code for code, log in logs.items() if any(each.is_count for each in log)]
    if counted or until is not None:
        zone = read_zone(connection)
        for code in counted if until is None else list(logs):
            days = [each._replace(day=day_of(each.time, zone)) for each in logs[code]]
            logs[code] = [each for each in days if not _after(each.day, until)]
    drawn: dict[str, Drawn] = {}
    if until is not None:
        drawn, flows = _by_day(read(USED_ON, asked), read(PASSED_ON, asked), until)
    else:
        if counted:
            drawn, _ = _by_day(read(USED_ON, counted), read(PASSED_ON, counted))
        flows = begun if begun is not None else _sums(read(USED_BY, asked), read(PASSED, asked))
        reckoned = [bundle for bundle, flow in flows.items() if flow.derived]
        for bundle, used in rows(connection, RECKONED, reckoned) if reckoned else ():
            flows[bundle].used = float(used)
    for bundle, log in logs.items():
        flow = flows.setdefault(bundle, Flow())
        flow.add_log(held[bundle], log, drawn.get(bundle, {}))
    return flows


def _after(day: dt.date | None, until: dt.date | None) -> bool:
    return day is not None and until is not None and day > until


def _logs(
    events: Iterable[tuple[Any, ...]],
) -> tuple[dict[str, int], dict[str, list[LogEvent]]]:
    """Return, by bundle, the sticks tied in it and what its log says of them, without days."""
    held: dict[str, int] = {}
    logs: dict[str, list[LogEvent]] = {}
    for bundle, time, event, sticks, tied in events:
        held[bundle] = tied
        logs.setdefault(bundle, []).append(LogEvent(as_moment(time), event, sticks, None))
    return held, logs


def _sums(used: Iterable[tuple[Any, ...]], passed: Iterable[tuple[Any, ...]]) -> dict[str, Flow]:
    flows = {row[0]: Flow(used=float(row[1] or 0), derived=bool(row[2])) for row in used}
    for bundle, sticks in passed:
        flows.setdefault(bundle, Flow()).passed = float(sticks)
    return flows


def _by_day(
    used: Iterable[tuple[Any, ...]],
    passed: Iterable[tuple[Any, ...]],
    until: dt.date | None = None,
) -> tuple[dict[str, Drawn], dict[str, Flow]]:
    """Return, by bundle, what was grafted and tied anew on each day, and the sums of it."""
    drawn: dict[str, Drawn] = {}
    flows: dict[str, Flow] = {}
    for column, found in (("used", used), ("passed", passed)):
        for bundle, date, sticks, reckoned in found:
            day = as_day(date)
            if _after(day, until):
                continue
            days, flow = drawn.setdefault(bundle, {}), flows.setdefault(bundle, Flow())
            days[day] = days.get(day, 0) + float(sticks)
            setattr(flow, column, getattr(flow, column) + float(sticks))
            flow.derived |= bool(reckoned)
    return drawn, flows


HELD = _each(
    "SELECT b.bundle, b.sticks, coalesce(b.packed, c.date) FROM bundles b "
    "LEFT JOIN collections c ON c.collection = b.collection WHERE b.bundle IN {codes}",
    "b.bundle",
)


def read_left(
    connection: Connection, bundles: Iterable[str] | None = None, *, until: dt.date | None = None
) -> dict[str, float]:
    """Return the sticks that should be left of `bundles`, or of all; those without are lacking.

    What is recorded of days after `until` is left out, bundles packed later with it.
    """
    asked = None if bundles is None else list(bundles)
    flows = read_flows(connection, asked, until=until)
    left = {}
    for bundle, sticks, day in rows(connection, HELD[asked is None], asked or ()):
        begun = as_day(day)
        if until is None or begun is None or begun <= until:
            left[bundle] = tidy(flows.get(bundle, Flow()).left_of(sticks))
    return {bundle: sticks for bundle, sticks in left.items() if sticks > 0}
