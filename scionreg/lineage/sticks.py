"""Sticks that left bundles and collections, and what is left of them, as the records say."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, as_moment, read_zone, rows
from scionreg.records.rules.counts import GRAFTS_A_STICK
from scionreg.records.vocabulary import BundleEventKind

A_STICK = " ".join(f"WHEN '{method}' THEN {number}" for method, number in GRAFTS_A_STICK.items())
USED = (
    f"coalesce(sticks_used, CAST(grafts AS DOUBLE PRECISION) / CASE method {A_STICK} ELSE 1.0 END)"
)
"""SQL: sticks that a graft lot used: as counted, else by its grafts and method."""


def tidy(sticks: float) -> float:
    """Return a number of sticks as a whole number where it is one, else to two decimals."""
    return int(sticks) if sticks == int(sticks) else round(sticks, 2)


_Draw = tuple[Any, str, int | None]
"""When sticks were discarded or sold, as the database tells it, which of these, and how many."""

_Count = tuple[dt.datetime, int]
"""When sticks were counted, and how many there were."""


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

    @property
    def out(self) -> float:
        """Return all sticks that left."""
        return self.used + self.discarded + self.sold + self.passed

    def left_of(self, sticks: float) -> float:
        """Return how many of the bundle's `sticks` should be there still."""
        if self.counted is not None:
            return self.counted
        return 0 if self.discarded_rest else max(0.0, sticks - self.out)


def _each(statement: str) -> tuple[Query, Query]:
    """Return a statement for the bundles asked for, and one for all bundles."""
    return Query(statement), Query(
        statement.replace("bundle IN {codes}", "TRUE").replace("parent IN {codes}", "TRUE")
    )


USED_BY = _each(
    "SELECT bundle, sum(sticks_used), count(*) - count(sticks_used) FROM graft_lots "
    "WHERE bundle IN {codes} GROUP BY bundle"
)
RECKONED = Query(f"SELECT bundle, sum({USED}) FROM graft_lots WHERE bundle IN {{codes}} GROUP BY 1")
PASSED = _each(
    "SELECT parent, sum(sticks) FROM bundle_parents WHERE parent IN {codes} GROUP BY parent"
)
EVENTS = _each(
    "SELECT bundle, time, event, sticks FROM bundle_log WHERE bundle IN {codes} "
    "AND event IN ('checked', 'discarded', 'sold')"
)
USED_ON = Query(
    f"SELECT bundle, date, sum({USED}) FROM graft_lots "
    "WHERE bundle IN {codes} AND date IS NOT NULL GROUP BY bundle, date"
)
PASSED_ON = Query(
    "SELECT p.parent, b.packed, sum(p.sticks) FROM bundle_parents p "
    "JOIN bundles b ON b.bundle = p.bundle "
    "WHERE p.parent IN {codes} AND b.packed IS NOT NULL GROUP BY p.parent, b.packed"
)


def read_flows(
    connection: Connection,
    bundles: Iterable[str] | None = None,
    begun: dict[str, Flow] | None = None,
) -> dict[str, Flow]:
    """Return what left the `bundles`, or all bundles; those that nothing left may be lacking.

    `begun` has what was used and passed already, where the caller has met all lots and children.

    A count is taken to have been made at the end of its day: grafts and re-bundles of the same
    day are in it, as is what has no date.
    """
    asked = None if bundles is None else list(bundles)
    flows: dict[str, Flow] = begun or {}

    def read(queries: tuple[Query, Query]) -> list[tuple[Any, ...]]:
        return rows(connection, queries[asked is None], asked or ())

    if begun is None:
        for bundle, used, uncounted in read(USED_BY):
            flows[bundle] = Flow(used=float(used or 0), derived=bool(uncounted))
        for bundle, sticks in read(PASSED):
            flows.setdefault(bundle, Flow()).passed = float(sticks)
    reckoned = [bundle for bundle, flow in flows.items() if flow.derived]
    if reckoned:
        for bundle, used in rows(connection, RECKONED, reckoned):
            flows[bundle].used = float(used)
    counts, drawn = _counts_and_draws(read(EVENTS))
    since = _left_since(connection, counts)
    for bundle in counts.keys() | drawn.keys():
        flow = flows.setdefault(bundle, Flow())
        _add_draws(flow, drawn.get(bundle, ()), counts.get(bundle), since.get(bundle, 0))
    return flows


def _counts_and_draws(
    events: Iterable[tuple[Any, ...]],
) -> tuple[dict[str, _Count], dict[str, list[_Draw]]]:
    """Return, by bundle, the last count of its sticks, and what was taken from it."""
    counts: dict[str, _Count] = {}
    drawn: dict[str, list[_Draw]] = {}
    for bundle, time, event, sticks in events:
        if event != BundleEventKind.CHECKED:
            drawn.setdefault(bundle, []).append((time, event, sticks))
        elif sticks is not None and (moment := as_moment(time)) is not None:
            counts[bundle] = max(counts.get(bundle, (moment, sticks)), (moment, sticks))
    return counts, drawn


def _left_since(connection: Connection, counts: dict[str, _Count]) -> dict[str, float]:
    """Return what was grafted or re-bundled on days after the last count of each bundle.

    The day of a count is that of the registry's time zone, as days of grafting are.
    """
    if not counts:
        return {}
    zone = read_zone(connection)
    days = {bundle: time.astimezone(zone).date() for bundle, (time, _) in counts.items()}
    since: dict[str, float] = {}
    for query in (USED_ON, PASSED_ON):
        for bundle, left, sticks in rows(connection, query, days):
            if (day := as_day(left)) is not None and day > days[bundle]:
                since[bundle] = since.get(bundle, 0) + float(sticks)
    return since


def _add_draws(flow: Flow, drawn: Iterable[_Draw], last: _Count | None, since: float) -> None:
    """Add what was taken and counted; `since` was grafted or re-bundled after the last count."""
    for time, event, sticks in drawn:
        moment = None if last is None else as_moment(time)
        after = last is None or (moment is not None and moment > last[0])
        if sticks is None:
            flow.discarded_rest |= after and event == BundleEventKind.DISCARDED
            continue
        since += sticks if after else 0
        if event == BundleEventKind.SOLD:
            flow.sold += sticks
        else:
            flow.discarded += sticks
    if last is not None:
        flow.counted = max(0.0, last[1] - since)
        if flow.discarded_rest:
            flow.discarded += flow.counted
            flow.counted = 0.0
