"""A season in one answer: what was cut, used, lost, sold and found, and what an inspector asks."""

import datetime as dt
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import Connection

from scionreg import __version__
from scionreg.cutting import outlook
from scionreg.judgement.recorded import against_uses
from scionreg.judgement.rests import opens
from scionreg.lineage.balance import Balance, BalanceRow, balance
from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.inspection import Gap, gaps
from scionreg.lineage.mock_recall import MockRecall, mock_recall
from scionreg.lineage.recall_items import OfCode
from scionreg.lineage.retention import Keeping, retention
from scionreg.lineage.royalties import Royalties, Royalty, royalties
from scionreg.lineage.season_books import SeasonBooks, read_books
from scionreg.lineage.since import JournalMark, last_line
from scionreg.off_types import looked_at, off_types
from scionreg.records.errors import Problem, RegistryError
from scionreg.records.starting_values import RecordValues
from scionreg.records.vocabulary import CheckMethod, Counting
from scionreg.registry import journal
from scionreg.registry.settings import Settings, read_settings
from scionreg.rotation.pressure import CutState
from scionreg.storing import report
from scionreg.vouching import statuses

if TYPE_CHECKING:
    from scionreg.cold_store.report import StoreReport
    from scionreg.cutting import TreeOutlook
    from scionreg.take.summary import TakeSummary

FOUND_OFF = Query(
    'SELECT item, date, "check", method, checked, off, found FROM identity_checks '
    f"WHERE off > 0 AND method <> '{CheckMethod.PAPER.value}' ORDER BY date, \"check\""
)


STATES = tuple(CutState)
MOST_ASKED = 30
"""Items found off whose cause is weighed: a season with more needs another look than a report."""
EARLIEST, LATEST = 1700, 8999
"""Seasons that can be asked about."""


class CutRow(NamedTuple):
    """What was cut of one cultivar; `estimated` of the sticks were not counted."""

    cultivar: str
    trees: int
    collections: int
    sticks: int
    estimated: int


class SentRow(NamedTuple):
    """Trees of one cultivar (or of one of several) that left in the season."""

    cultivar: str
    trees: int
    dispatches: int


class OffRow(NamedTuple):
    """A look of the season that found something off, and its likeliest cause.

    `cause` is a sentence; empty, with probability 0, beyond the first `MOST_ASKED` items.
    """

    item: str
    date: dt.date | None
    check: str
    method: str
    checked: int
    off: int
    found: str | None
    cause: str
    probability: float


class WarmSpell(NamedTuple):
    """A warm spell of a store, how many of the season's bundles lay there, and how many in all."""

    store: str
    start: dt.datetime
    hours: float
    hottest_c: float
    bundles: int
    bundles_in_all: int


class Correction(NamedTuple):
    """A record that was corrected, voided or restored, or a change undone, within the season."""

    line: int
    day: dt.date
    by: str
    action: str
    kind: str
    key: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonReport:
    """All of it. `take` is None where nothing was counted.

    `balance` has a row a cultivar, `alarms` those bundles and collections that do not close;
    `against` are the uses that something known spoke against on their day.
    `known` counts the season's cuttings by whether the tree was verified then (None: no day).
    `pressure` are the trees that were cut, as they stand for the season after. `classes` counts
    bundles by what the store did to them.
    """

    season: int
    first: dt.date
    last: dt.date
    made: dt.date
    mark: JournalMark
    nursery: str
    units: str
    zone: dt.tzinfo
    cut: tuple[CutRow, ...]
    grafts: int
    balance: Balance
    alarms: tuple[BalanceRow, ...]
    against: tuple[Problem, ...]
    store: "StoreReport"
    classes: dict[str, int]
    spells: tuple[WarmSpell, ...]
    take: "TakeSummary | None"
    sent: tuple[SentRow, ...]
    off: tuple[OffRow, ...]
    known: dict[bool | None, int]
    pressure: "tuple[TreeOutlook, ...]"
    royalties: tuple[Royalty, ...]
    gaps: tuple[Gap, ...]
    keepings: tuple[Keeping, ...]
    drill: MockRecall | None
    corrections: tuple[Correction, ...]
    version: str = __version__

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "season": self.season,
            "first": self.first.isoformat(),
            "last": self.last.isoformat(),
            "made": self.made.isoformat(),
            "journal": self.mark.to_dict(),
            "cut": [each._asdict() for each in self.cut],
            "grafts": self.grafts,
            "balance": self.balance.to_rows(),
            "alarms": [each.to_dict() for each in self.alarms],
            "recorded_against": [
                {"kind": each.kind, "key": each.key, "says": each.wrong} for each in self.against
            ],
            "store": {
                "classes": self.classes,
                "warm_spells": [
                    {**each._asdict(), "start": each.start.isoformat()} for each in self.spells
                ],
            },
            "take": self.take.to_dict() if self.take else None,
            "sent": [each._asdict() for each in self.sent],
            "found_off": [
                {**each._asdict(), "date": each.date.isoformat() if each.date else None}
                for each in self.off
            ],
            "verified_when_cut": {
                "yes": self.known.get(True, 0),
                "no": self.known.get(False, 0),
                "not_known": self.known.get(None, 0),
            },
            "pressure": [row for each in self.pressure for row in each.to_rows()],
            "royalties": [each.to_dict() for each in self.royalties],
            "gaps": [each.to_dict() for each in self.gaps],
            "kept_until": [each.to_dict() for each in self.keepings],
            "mock_recall": self.drill.to_dict() if self.drill else None,
            "corrections": [
                {**each._asdict(), "day": each.day.isoformat()} for each in self.corrections
            ],
            "version": self.version,
        }


def season_report(connection: Connection, season: int) -> SeasonReport:
    """Return what is to be told of a season.

    Raises
    ------
    RegistryError
        Nothing is recorded of that season.
    """
    settings = read_settings(connection)
    first, last = _span(season, settings)
    books = read_books(connection, first, last, settings)
    if not (books.cuttings or books.bundles or books.lots or books.sent):
        raise RegistryError(f"nothing was cut, grafted or sent in season {season}")
    # All wood that was there in the season, that of earlier ones too, as it was kept until its end.
    closed = dt.datetime.combine(last + dt.timedelta(days=1), dt.time(), settings.zone)
    now = dt.datetime.now(dt.UTC).replace(microsecond=0)
    store = report(connection, since=first, until=last, at=min(closed.astimezone(dt.UTC), now))
    own = {each.bundle for each in books.bundles}
    known, unverified = _known(connection, books)
    cut = [OfCode(each.collection) for each in books.cuttings]
    return SeasonReport(
        season=season,
        first=first,
        last=last,
        made=settings.today(),
        mark=last_line(connection),
        nursery=settings.nursery,
        units=settings.units,
        zone=settings.zone,
        cut=tuple(_cut(books)),
        grafts=sum(each.grafts for each in books.lots if each.graft_lot not in books.undated),
        balance=balance(connection, scope="cultivar", season=season),
        alarms=tuple(_alarms(connection, books)),
        against=tuple(said for _, said in against_uses(connection, days=(first, last))),
        store=store,
        classes=_count(each.grade.value for each in store.bundles if each.bundle in own),
        spells=tuple(_spells(store, own)),
        take=_taken(connection, season),
        sent=tuple(_sent(books)),
        off=tuple(_off(connection, first, last)),
        known=known,
        pressure=_pressure(connection, books, season),
        royalties=royalties(connection, books),
        gaps=(*gaps(connection, books), *unverified),
        keepings=retention(connection, books, settings.values(RecordValues)),
        drill=mock_recall(connection, cut) if cut else None,
        corrections=tuple(_corrections(connection, settings, first, last)),
    )


def _span(season: int, settings: Settings) -> tuple[dt.date, dt.date]:
    """Return the first and the last day of a season; raise `RegistryError` for no year."""
    if not EARLIEST <= season <= LATEST:
        raise RegistryError(f"'{season}' is no season; write the year of its spring, as in 2026")
    return opens(season, settings), opens(season + 1, settings) - dt.timedelta(days=1)


def royalty_counts(
    connection: Connection,
    *,
    season: int | None = None,
    first: dt.date | None = None,
    last: dt.date | None = None,
    licence: str | None = None,
) -> Royalties:
    """Return the counts of protected cultivars in a period.

    Parameters
    ----------
    season : all of it; None, with neither `first` nor `last`, is the season it is.
    first, last : the period's days, both included; one alone runs from or to today.
    licence : only cultivars under that licence.

    Raises
    ------
    RegistryError
        The period ends before it begins, or no cultivar is under that licence.
    """
    settings = read_settings(connection)
    today = settings.today()
    if first is None and last is None:
        first, last = _span(settings.season(today) if season is None else season, settings)
    first, last = first or min(today, last or today), last or today
    if last < first:
        raise RegistryError(f"the period ends on {last}, before it begins on {first}")
    books = read_books(connection, first, last, settings)
    found = royalties(connection, books)
    if licence is not None:
        known = sorted({each.licence for each in found if each.licence})
        found = tuple(each for each in found if each.licence == licence)
        if not found:
            told = f"; there are {', '.join(known)}" if known else ""
            raise RegistryError(f"no cultivar is under licence '{licence}'{told}")
    return Royalties(first=first, last=last, rows=found, undated=tuple(sorted(books.undated)))


def _count(values: Iterable[Any]) -> dict[Any, int]:
    found: dict[Any, int] = {}
    for each in values:
        found[each] = found.get(each, 0) + 1
    return found


def _cut(books: SeasonBooks) -> Iterator[CutRow]:
    dated = [each for each in books.cuttings if each.collection not in books.undated]
    for name in sorted({each.cultivar for each in dated}):
        mine = [each for each in dated if each.cultivar == name]
        yield CutRow(
            cultivar=name,
            trees=len({each.tree for each in mine}),
            collections=len(mine),
            sticks=sum(each.sticks for each in mine),
            estimated=sum(each.sticks for each in mine if each.counting != Counting.COUNTED),
        )


def _alarms(connection: Connection, books: SeasonBooks) -> Iterator[BalanceRow]:
    """Yield the season's collections and bundles that do not close, undated ones too."""
    for scope, codes in (
        ("collection", [each.collection for each in books.cuttings]),
        ("bundle", [each.bundle for each in books.bundles]),
    ):
        if codes:
            yield from balance(connection, scope=scope, codes=codes, alarms_only=True).rows


def _spells(store: "StoreReport", own: Collection[str]) -> Iterator[WarmSpell]:
    for each in store.spells:
        there = list(store.touched_by(each)["bundle"])
        if there:
            of_season = sum(bundle in own for bundle in there)
            yield WarmSpell(
                each.store, each.start, each.hours, each.hottest_c, of_season, len(there)
            )


def _taken(connection: Connection, season: int) -> "TakeSummary | None":
    from scionreg import taking

    try:
        return taking.summary(connection, season=season)
    except RegistryError:  # nothing was counted
        return None


def _sent(books: SeasonBooks) -> Iterator[SentRow]:
    trees: dict[str, int] = {}
    dispatches: dict[str, set[str]] = {}
    for line in books.sent:
        names = {name for each in line.bundles for name in books.woods[each].cultivars}
        name = " / ".join(sorted(names)) or "?"
        trees[name] = trees.get(name, 0) + line.trees
        dispatches.setdefault(name, set()).add(line.dispatch)
    for name in sorted(trees):
        yield SentRow(name, trees[name], len(dispatches[name]))


def _off(connection: Connection, first: dt.date, last: dt.date) -> Iterator[OffRow]:
    """Yield the looks of the season that found something off; each item is asked about once."""
    looks = [
        (row[0], as_day(row[1]), *row[2:])
        for row in rows(connection, FOUND_OFF, ())
        if (day := as_day(row[1])) is not None and first <= day <= last
    ]
    named = looked_at(connection, [(look[0], look[1]) for look in looks])
    asked = list(dict.fromkeys(named))[:MOST_ASKED]
    answers = off_types(connection, asked).answers if asked else ()
    causes = {
        code: (answer.causes[0].because, answer.causes[0].probability)
        for code, answer in zip(asked, answers, strict=True)
    }
    for code, (item, day, check, method, checked, off, found) in zip(named, looks, strict=True):
        cause, probability = causes.get(code, ("", 0.0))
        yield OffRow(item, day, check, method, checked, off, found, cause, probability)


def _known(
    connection: Connection, books: SeasonBooks
) -> tuple[dict[bool | None, int], Sequence[Gap]]:
    """Return the cuttings by whether their tree was verified, and the trees that were not."""
    asked = [each.collection for each in books.cuttings]
    known = statuses(connection, asked).collections if asked else ()
    unverified = tuple(sorted({each.tree for each in known if not each.verified}))
    trees = len({each.tree for each in known})
    found = Gap(what="tree_identity", rule="practice", codes=unverified, of=trees)
    return _count(each.verified for each in known), (found,) if unverified else ()


def _pressure(connection: Connection, books: SeasonBooks, season: int) -> "tuple[TreeOutlook, ...]":
    """Return the trees that were cut as they stand for the next season.

    Those to rest and to watch come first; among alike the hardest cut.
    """
    cut = {each.tree for each in books.cuttings}
    found = outlook(connection, first=season + 1, seasons=1).trees
    mine = [each for each in found if each.tree in cut]
    return tuple(
        sorted(
            mine,
            key=lambda each: (
                -STATES.index(each.status.state),
                -each.status.pressure,
                each.tree,
            ),
        )
    )


def _corrections(
    connection: Connection, settings: Settings, first: dt.date, last: dt.date
) -> Iterator[Correction]:
    for line in journal.lines(connection):
        day = line["time"].astimezone(settings.zone).date()
        if line["action"] in ("correct", "void", "restore", "undo") and first <= day <= last:
            yield Correction(
                line["seq"],
                day,
                line["by"],
                line["action"],
                line["kind"],
                line["key"],
                line["why"],
            )
