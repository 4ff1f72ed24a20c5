"""Until when one season's records are kept, at least, by each rule that says how long.

The rules are cited, not applied: which of them binds is the authority's to say. Nothing is ever
deleted by itself.
"""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.season_books import SeasonBooks
from scionreg.records.cited import CITED
from scionreg.records.starting_values import RecordValues
from scionreg.records.vocabulary import TreeStatus

TREES = Query("SELECT tree, status FROM mother_trees WHERE tree IN {codes}")
DIED = Query(
    "SELECT tree, max(date) FROM tree_events WHERE event = 'died' AND limb IS NULL "
    "AND tree IN {codes} GROUP BY tree"
)

RULES: tuple[tuple[str, int, str], ...] = (
    ("texas_records", 4, "last_record"),
    ("scotland", 3, "last_left"),
    ("england", 3, "last_record"),
)
"""Short name of the rule, years, and what they are counted from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeping:
    """How long one rule has the season's records kept.

    `counted_from` is `last_record` (the last day that anything is recorded of the season's wood),
    `last_left` (the last day that any of its trees or wood left) or `last_tree` (the last day a
    mother tree that was cut stood). `runs_on` tells that this is not over: trees still stand here.
    `until` is the day from `since` on; None where the period has not begun or no day is known.
    """

    rule: str
    years: int
    counted_from: str
    since: dt.date | None
    runs_on: bool
    until: dt.date | None

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "rule": CITED[self.rule],
            "years": self.years,
            "counted_from": self.counted_from,
            "since": self.since.isoformat() if self.since else None,
            "runs_on": self.runs_on,
            "until": self.until.isoformat() if self.until else None,
        }


def retention(
    connection: Connection, books: SeasonBooks, values: RecordValues
) -> tuple[Keeping, ...]:
    """Return how long each rule has the records of one season kept."""
    sent = [each.date for each in books.sent_of_lots]
    left = _last([*sent, *(each.day for each in books.left)])
    worked = [each.date for each in books.lots] + [each.date for each in books.cuttings]
    packed = [each.packed for each in books.bundles]
    counted = [each.date for each in books.counts.values()]
    last_record = _last([*worked, *packed, *counted, left])
    trees = {each.tree for each in books.cuttings}
    fallen = _last_fallen(connection, trees)
    days = {
        "last_record": (last_record, False),
        "last_left": (left, _stands(books)),
        "last_tree": fallen,
    }
    rules = (*RULES, ("own", round(values.keep_years), "last_tree"))
    return tuple(_keeping(rule, years, of, *days[of]) for rule, years, of in rules)


def _keeping(rule: str, years: int, of: str, since: dt.date | None, runs_on: bool) -> Keeping:
    return Keeping(
        rule=rule,
        years=years,
        counted_from=of,
        since=since,
        runs_on=runs_on,
        until=None if runs_on or since is None else years_after(since, years),
    )


def years_after(day: dt.date, years: int) -> dt.date:
    """Return the same day some years on; 1 March for 29 February in a common year."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return dt.date(day.year + years, 3, 1)


def _last(days: Iterable[dt.date | None]) -> dt.date | None:
    return max((day for day in days if day is not None), default=None)


def _stands(books: SeasonBooks) -> bool:
    """Tell whether trees of the season's grafts stand here still, as far as was counted."""
    sent: dict[str, int] = {}
    for each in books.sent_of_lots:
        sent[each.graft_lot] = sent.get(each.graft_lot, 0) + each.trees
    for lot in books.lots:
        count = books.counts.get(lot.graft_lot)
        growing = lot.grafts if count is None else count.growing + count.green
        if growing > sent.get(lot.graft_lot, 0):
            return True
    return False


def _last_fallen(connection: Connection, trees: set[str]) -> tuple[dt.date | None, bool]:
    """Return the last day that one of some trees died, and whether any stands still."""
    if not trees:
        return None, False
    died = {tree: as_day(date) for tree, date in rows(connection, DIED, trees)}
    standing = [
        tree
        for tree, status in rows(connection, TREES, trees)
        if tree not in died and status != TreeStatus.DEAD
    ]
    return _last(died.values()), bool(standing)
