"""The records of a season, or another period: lots with their last count, bundles, what left."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, as_day, as_moment, read_lots, rows
from scionreg.lineage.standing import regrafts_among, standing
from scionreg.lineage.stays import read_kept
from scionreg.lineage.woods import Wood, read_woods
from scionreg.registry.settings import Settings

LEAST_AGE = dt.timedelta(days=21)
"""A younger count is no count of take."""

LOTS = Query(
    "SELECT graft_lot, bundle, date, grafts, block, row, first, last, rootstock_lot "
    "FROM graft_lots ORDER BY graft_lot"
)
COUNTS = Query(
    "SELECT graft_lot, date, pushing, green, dead, stock_only, missing, broken FROM take_counts "
    "ORDER BY graft_lot, date"
)
COUNTS_OF = Query(
    "SELECT graft_lot, date, pushing, green, dead, stock_only, missing, broken FROM take_counts "
    "WHERE graft_lot IN {codes} ORDER BY graft_lot, date"
)
CUTTINGS = Query(
    "SELECT c.collection, c.tree, t.cultivar, c.date, c.cutter, c.sticks, c.count "
    "FROM collections c JOIN mother_trees t ON t.tree = c.tree ORDER BY c.collection"
)
BUNDLES = Query(
    "SELECT bundle, collection, received_from, cultivar, sticks, count, packed, packer, store "
    "FROM bundles ORDER BY bundle"
)
PARENTS = Query("SELECT bundle, sum(sticks) FROM bundle_parents GROUP BY bundle")
LEFT = Query(
    "SELECT bundle, time, event, sticks FROM bundle_log WHERE event IN ('sold', 'discarded')"
)
SENT = Query(
    "SELECT dispatch, graft_lot, date, trees, first, last, label_cultivar FROM dispatches "
    "ORDER BY dispatch, graft_lot"
)


class LastCount(NamedTuple):
    """What stood in a lot at its last count, in trees; no more than the grafts that were made."""

    date: dt.date | None
    growing: int
    green: int
    lost: int
    """Dead, missing, broken, or with only the rootstock growing."""


class LotBook(NamedTuple):
    """A graft lot."""

    graft_lot: str
    bundle: str
    date: dt.date | None
    grafts: int
    block: str | None
    row: int | None
    first: int | None
    last: int | None
    rootstock_lot: str | None

    @property
    def placed(self) -> bool:
        """Tell whether it is written down where each of its trees stands."""
        return None not in (self.block, self.row, self.first, self.last)


class CuttingBook(NamedTuple):
    """A collection; `cultivar` is the name that the tree's stands for."""

    collection: str
    tree: str
    cultivar: str
    date: dt.date | None
    cutter: str | None
    sticks: int
    counting: str | None


class BundleBook(NamedTuple):
    """A bundle; `given` are the sticks its parent bundles gave, None where it has none."""

    bundle: str
    collection: str | None
    received_from: str | None
    claimed: str | None
    sticks: int
    counting: str | None
    packed: dt.date | None
    packer: str | None
    store: str | None
    given: int | None


class LeftBook(NamedTuple):
    """Sticks of a bundle sold or thrown away; `sticks` None where all were, without a number."""

    bundle: str
    day: dt.date | None
    event: str
    sticks: int | None


class SentBook(NamedTuple):
    """A line of a dispatch; `bundles` are those its trees' wood may be of, regrafts included."""

    dispatch: str
    graft_lot: str
    date: dt.date | None
    trees: int
    first: int | None
    last: int | None
    label_cultivar: str | None
    bundles: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonBooks:
    """The records of a season or another period, each kind in the order of its codes.

    What has no day belongs to the season in its code, or (in `lots`, `cuttings` and `bundles`,
    where gaps are looked for) to every period. `left` and `sent` are what left in the period,
    whenever it was grafted; `woods` are those of all bundles.
    """

    first: dt.date
    last: dt.date
    cuttings: tuple[CuttingBook, ...]
    bundles: tuple[BundleBook, ...]
    lots: tuple[LotBook, ...]
    left: tuple[LeftBook, ...]
    sent: tuple[SentBook, ...]
    sent_of_lots: tuple[SentBook, ...]
    """The lines by which trees of these lots left, whenever that was."""
    undated: frozenset[str]
    """Cuttings, bundles and lots of which nothing says when they were."""
    counts: dict[str, LastCount]
    woods: dict[str, Wood]


@dataclass(frozen=True, slots=True)
class _Period:
    """Tells what belongs to a period; what has no day does by the season in its code.

    Such a season is that of the period's first day, or one before that of its last, so that no
    record counts in two periods that follow each other.
    """

    first: dt.date
    last: dt.date
    settings: Settings

    def holds(self, day: dt.date | None, code: str) -> bool | None:
        """Tell whether a record belongs to it, None where nothing says when it was."""
        if day is not None:
            return self.first <= day <= self.last
        season = self.settings.season_of(None, code)
        if season is None:
            return None
        begins, ends = self.settings.season(self.first), self.settings.season(self.last)
        return season == begins or begins < season < ends


def read_books(
    connection: Connection, first: dt.date, last: dt.date, settings: Settings
) -> SeasonBooks:
    """Return the records from one day to another, both included."""
    period = _Period(first, last, settings)
    cuttings = _cuttings(connection)
    cut = {each.collection: period.holds(each.date, each.collection) for each in cuttings}
    lots = [LotBook(r[0], r[1], as_day(r[2]), *r[3:]) for r in rows(connection, LOTS, ())]
    worked = {each.graft_lot: period.holds(each.date, each.graft_lot) for each in lots}
    lots = [each for each in lots if worked[each.graft_lot] is not False]
    bundles = _bundles(connection)
    tied = {
        # A bundle belongs where its wood was cut, else where it was packed.
        each.bundle: period.holds(each.packed, each.bundle) if of_cutting is None else of_cutting
        for each in bundles
        for of_cutting in [cut.get(each.collection or "")]
    }
    sent = _sent(connection)
    kept = read_kept(connection, settings.zone, at=dt.datetime.now(dt.UTC))
    return SeasonBooks(
        first=first,
        last=last,
        cuttings=tuple(each for each in cuttings if cut[each.collection] is not False),
        bundles=tuple(each for each in bundles if tied[each.bundle] is not False),
        lots=tuple(lots),
        left=tuple(
            each for each in _left(connection, settings) if period.holds(each.day, each.bundle)
        ),
        sent=tuple(each for each in sent if period.holds(each.date, each.dispatch)),
        sent_of_lots=tuple(each for each in sent if worked[each.graft_lot] is not False),
        undated=frozenset(
            code for held in (cut, tied, worked) for code, there in held.items() if there is None
        ),
        counts=last_counts(lots, rows(connection, COUNTS, ())),
        woods=read_woods(connection, kept),
    )


def _cuttings(connection: Connection) -> list[CuttingBook]:
    found = rows(connection, CUTTINGS, ())
    names = resolve_names(connection, {row[2] for row in found})
    return [CuttingBook(r[0], r[1], names[r[2]], as_day(r[3]), *r[4:]) for r in found]


def _bundles(connection: Connection) -> list[BundleBook]:
    given = {bundle: int(sticks) for bundle, sticks in rows(connection, PARENTS, ())}
    return [
        BundleBook(r[0], r[1], r[2], r[3], r[4], r[5], as_day(r[6]), r[7], r[8], given.get(r[0]))
        for r in rows(connection, BUNDLES, ())
    ]


def _sent(connection: Connection) -> list[SentBook]:
    found = rows(connection, SENT, ())
    lots = read_lots(connection, {row[1] for row in found})
    regrafts = regrafts_among(lots.values())
    sent = []
    for dispatch, lot, date, trees, first, last, label in found:
        day = as_day(date)
        standing_there = standing(lots[lot], regrafts, first, last, day)
        bundles = tuple(dict.fromkeys(lots[each].bundle for each in standing_there))
        sent.append(SentBook(dispatch, lot, day, trees, first, last, label, bundles))
    return sent


def _left(connection: Connection, settings: Settings) -> Iterable[LeftBook]:
    for bundle, time, event, sticks in rows(connection, LEFT, ()):
        moment = as_moment(time)
        day = moment.astimezone(settings.zone).date() if moment else None
        yield LeftBook(bundle, day, event, sticks)


def read_last_counts(connection: Connection, lots: Iterable[LotBook]) -> dict[str, LastCount]:
    """Return the last count of each of some lots; those never counted are lacking."""
    asked = list(lots)
    return last_counts(asked, rows(connection, COUNTS_OF, [each.graft_lot for each in asked]))


def last_counts(lots: Iterable[LotBook], counts: Iterable[Any]) -> dict[str, LastCount]:
    """Return the last count of each of some lots, from rows of `COUNTS`.

    A count within three weeks of the grafting tells nothing yet; one without a day counts where
    there is no other.
    """
    known = {each.graft_lot: each for each in lots}
    found: dict[str, LastCount] = {}
    for code, date, pushing, green, *lost in counts:
        lot, day = known.get(code), as_day(date)
        if lot is None or (day and lot.date and day - lot.date < LEAST_AGE):
            continue
        before = found.get(code)
        if before is not None and (day or dt.date.min) < (before.date or dt.date.min):
            continue
        growing = min(pushing, lot.grafts)
        still = min(green or 0, lot.grafts - growing)
        gone = min(sum(each or 0 for each in lost), lot.grafts - growing - still)
        found[code] = LastCount(day, growing, still, gone)
    return found
