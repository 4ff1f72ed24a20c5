"""One season's records as a report needs them: lots with their last count, bundles, what left."""

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
from scionreg.records import codes
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
    """The records of one season, each kind in the order of its codes.

    What has no day belongs to the season in its code, or (in `lots`, `cuttings` and `bundles`,
    where gaps are looked for) to every season. `left` and `sent` are what left in the season,
    whenever it was grafted; `woods` are of every season.
    """

    season: int
    cuttings: tuple[CuttingBook, ...]
    bundles: tuple[BundleBook, ...]
    lots: tuple[LotBook, ...]
    left: tuple[LeftBook, ...]
    sent: tuple[SentBook, ...]
    sent_of_lots: tuple[SentBook, ...]
    """The lines by which trees of the season's lots left, whenever that was."""
    counts: dict[str, LastCount]
    woods: dict[str, Wood]


def season_of(day: dt.date | None, code: str, settings: Settings) -> int | None:
    """Return the season of a record: by its day, else by its code, else None."""
    if day is not None:
        return settings.season(day)
    return 2000 + int(code[1:3]) if codes.is_issued(code) else None


def read_season(connection: Connection, season: int, settings: Settings) -> SeasonBooks:
    """Return the records of one season."""

    def mine(day: dt.date | None, code: str) -> bool:
        return season_of(day, code, settings) in (season, None)

    cuttings = _cuttings(connection)
    cut_in = {each.collection: season_of(each.date, each.collection, settings) for each in cuttings}
    bundles = _bundles(connection)
    lots = [LotBook(r[0], r[1], as_day(r[2]), *r[3:]) for r in rows(connection, LOTS, ())]
    sent = _sent(connection)
    own_lots = tuple(each for each in lots if mine(each.date, each.graft_lot))
    named = {each.graft_lot for each in own_lots}
    kept = read_kept(connection, settings.zone, at=dt.datetime.now(dt.UTC))
    return SeasonBooks(
        season=season,
        cuttings=tuple(each for each in cuttings if mine(each.date, each.collection)),
        bundles=tuple(
            each
            for each in bundles
            if (cut_in.get(each.collection or "") or season_of(each.packed, each.bundle, settings))
            in (season, None)
        ),
        lots=own_lots,
        left=tuple(
            each
            for each in _left(connection, settings)
            if season_of(each.day, each.bundle, settings) == season
        ),
        sent=tuple(
            each for each in sent if season_of(each.date, each.dispatch, settings) == season
        ),
        sent_of_lots=tuple(each for each in sent if each.graft_lot in named),
        counts=last_counts(own_lots, rows(connection, COUNTS, ())),
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
