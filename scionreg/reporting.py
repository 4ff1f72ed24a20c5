"""Sheets that leave the nursery: records read and put together, and a printed copy checked."""

import datetime as dt
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg import __version__
from scionreg.lineage.graph import split_position
from scionreg.lineage.remarks import Stay
from scionreg.lineage.sheet_book import SheetBook, read_sheet_book
from scionreg.lineage.since import (
    LEAST_DIGITS,
    ChangeSince,
    JournalMark,
    changes_since,
    digits_of,
    last_line,
    lines_with,
    time_of,
)
from scionreg.lineage.trace import trace
from scionreg.lineage.traced import Trace
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import StoreValues
from scionreg.registry import journal
from scionreg.registry.settings import Settings, read_settings

if TYPE_CHECKING:
    from scionreg.cold_store.curve import Curve
    from scionreg.identity.when_cut import WhenCut

PLACES = 6
"""Decimal places of the numbers that a sheet's digest is made of."""

Day = dt.date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptStay:
    """Time that a bundle's wood spent in a store until its use on the chain, and its record.

    `heat` is in degree-hours above `warm_above_c`, `cold` in hours below `cold_below_c`, `unread`
    in hours without readings; None where it is not known when the wood came or left.
    """

    bundle: str
    store: str
    start: Day
    end: Day
    hours: float | None
    heat: float | None
    cold: float | None
    unread: float | None

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "bundle": self.bundle,
            "store": self.store,
            "from": self.start.isoformat() if self.start else None,
            "to": self.end.isoformat() if self.end else None,
            "hours": self.hours,
            "degree_hours": self.heat,
            "cold_hours": self.cold,
            "hours_without_readings": self.unread,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceSheet:
    """What is shown of one tree or lot, from source to dispatch, and the state it was made from.

    `made` is the day, in the registry's time zone. `when_cut` tells what was known of each source
    tree when it was cut. `digest` is the SHA-256 of all that is shown of the records: the same
    records give the same digest on any day and any database.
    """

    traced: Trace
    book: SheetBook
    stays: tuple[KeptStay, ...]
    when_cut: "tuple[WhenCut, ...]"
    mark: JournalMark
    made: dt.date
    nursery: str
    units: str
    warm_above_c: float
    cold_below_c: float
    digest: str
    version: str = __version__

    @property
    def code(self) -> str:
        """Return the code asked about."""
        return self.traced.code

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            **_shown(self.traced, self.book, self.stays, self.when_cut),
            "made": self.made.isoformat(),
            "journal": self.mark.to_dict(),
            "digest": self.digest,
            "version": self.version,
        }


def trace_sheet(connection: Connection, code: str) -> TraceSheet:
    """Return what a trace sheet of `code` shows.

    Raises
    ------
    RegistryError
        As `trace`.
    """
    from scionreg.vouching import statuses

    settings = read_settings(connection)
    values = settings.values(StoreValues)
    traced = trace(connection, code)
    book = read_sheet_book(connection, traced, settings)
    stays = tuple(_kept(connection, traced.stays, settings, values))
    cut = list(dict.fromkeys(each.collection for each in traced.sources if each.collection))
    known = statuses(connection, cut).collections if cut else ()
    return TraceSheet(
        traced=traced,
        book=book,
        stays=stays,
        when_cut=known,
        mark=last_line(connection),
        made=settings.today(),
        nursery=settings.nursery,
        units=settings.units,
        warm_above_c=values.warm_above_c,
        cold_below_c=values.cold_below_c,
        digest=_digest(_shown(traced, book, stays, known)),
    )


def _shown(
    traced: Trace,
    book: SheetBook,
    stays: Sequence[KeptStay],
    when_cut: "Sequence[WhenCut]",
) -> dict[str, Any]:
    """Return all that is shown, as plain values: nothing that depends on the day one asks."""
    return {
        "code": traced.code,
        "trace": {**traced.to_dict(), "contradictions": list(book.contradictions)},
        "book": book.to_dict(),
        "stays": [each.to_dict() for each in stays],
        "when_cut": [
            {name: value for name, value in each.to_dict().items() if name not in FREE_TEXT}
            for each in when_cut
        ],
    }


FREE_TEXT = ("reasons", "since")
"""Sentences that may hold what somebody wrote freely."""


def _digest(shown: Mapping[str, Any]) -> str:
    return hashlib.sha256(journal.canonical(_settled(shown)).encode()).hexdigest()


def _settled(value: Any) -> Any:
    """Return plain values in one order and to few decimals, however a database gave them."""
    if isinstance(value, float):
        return round(value, PLACES)
    if isinstance(value, Mapping):
        return {str(name): _settled(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        settled = [_settled(each) for each in value]
        of_records = all(isinstance(each, dict) for each in settled)
        return sorted(settled, key=journal.canonical) if of_records else settled
    return value.isoformat() if isinstance(value, dt.date) else value


# ----------------------------------------------------------------------------------- the store


def _kept(
    connection: Connection, stays: Sequence[Stay], settings: Settings, values: StoreValues
) -> Iterator[KeptStay]:
    """Yield the stays of a chain with what the readings of their stores sum up to."""
    from scionreg.cold_store.exposure import stay_sums

    moments = [(_moment(each.start, settings), _moment(each.end, settings)) for each in stays]
    known = [
        (each.bundle, None, each.store, start, end)
        for each, (start, end) in zip(stays, moments, strict=True)
        if start is not None and end is not None
    ]
    curves = _curves(connection, known, values)
    sums = iter(stay_sums(known, curves).to_dict("records")) if known else iter(())
    for each, (start, end) in zip(stays, moments, strict=True):
        row = next(sums) if start is not None and end is not None else {}
        yield KeptStay(
            bundle=each.bundle,
            store=each.store,
            start=start.astimezone(settings.zone).date() if start else None,
            end=end.astimezone(settings.zone).date() if end else None,
            hours=row.get("hours"),
            heat=row.get("degree_hours"),
            cold=row.get("cold_hours"),
            unread=row.get("without_readings"),
        )


def _moment(moment: dt.date | None, settings: Settings) -> dt.datetime | None:
    """Return a day's beginning in the registry's time zone; a point in time as it is."""
    if moment is None or isinstance(moment, dt.datetime):
        return moment
    return dt.datetime.combine(moment, dt.time(), settings.zone).astimezone(dt.UTC)


def _curves(
    connection: Connection, stays: Sequence[tuple[Any, ...]], values: StoreValues
) -> "dict[str, Curve]":
    from scionreg.cold_store.curve import Curve
    from scionreg.lineage.readings import read_readings

    more = dt.timedelta(hours=values.gap_hours)
    found = {}
    for store in {stay[2] for stay in stays}:
        start = min(stay[3] for stay in stays if stay[2] == store) - more
        end = max(stay[4] for stay in stays if stay[2] == store) + more
        found[store] = Curve(*read_readings(connection, store, start, end), values)
    return found


# ------------------------------------------------------------------------------ a printed copy


@dataclass(frozen=True, slots=True, kw_only=True)
class Recheck:
    """What the registry says of a printed sheet.

    `line` is the journal's line whose digest the sheet has, None where there is none; `intact`
    tells whether it is as it was written. `stood_then` is the last line there was at the end of
    the sheet's day. `same` tells whether the sheet shows what the registry tells now; `changes`
    are the lines written since that may be why not. `digest` is what a sheet has now.
    """

    code: str
    date: dt.date
    line: JournalMark | None
    intact: bool
    stood_then: bool
    later: int
    same: bool
    changes: tuple[ChangeSince, ...]
    digest: str

    @property
    def holds(self) -> bool:
        """Tell whether the sheet is of this registry, of its day, and still shows what is there."""
        return self.intact and self.stood_then and self.same

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "code": self.code,
            "date": self.date.isoformat(),
            "line": self.line.to_dict() if self.line else None,
            "intact": self.intact,
            "stood_then": self.stood_then,
            "later": self.later,
            "same": self.same,
            "changes": [each.to_dict() for each in self.changes],
            "digest": self.digest,
        }


def recheck(
    connection: Connection, code: str, *, date: dt.date, journal_digest: str, sheet_digest: str
) -> Recheck:
    """Return whether a printed sheet of `code` still agrees with the registry.

    Parameters
    ----------
    date : the day on the sheet.
    journal_digest, sheet_digest : the two digests on the sheet, or their first digits (at least
        `LEAST_DIGITS`); spaces and capitals do not matter.

    Raises
    ------
    RegistryError
        A digest that is none, or is too short; or as `trace`.
    """
    of_line, of_sheet = _digits(journal_digest, "journal"), _digits(sheet_digest, "sheet")
    settings = read_settings(connection)
    now = trace_sheet(connection, code)
    found = lines_with(connection, of_line)
    line = found[0] if len(found) == 1 else None
    mark = JournalMark(line=line["seq"], time=line["time"], digest=line["digest"]) if line else None
    same = now.digest.startswith(of_sheet)
    return Recheck(
        code=code,
        date=date,
        line=mark,
        intact=line is not None and journal.is_intact(line),
        stood_then=mark is not None and _stood(connection, mark, date, settings),
        later=now.mark.line - mark.line if mark else 0,
        same=same,
        changes=changes_since(connection, mark.line, _codes(now)) if mark and not same else (),
        digest=now.digest,
    )


def _digits(text: str, which: str) -> str:
    digits = digits_of(text)
    if set(digits) - set("0123456789abcdef"):
        raise RegistryError(
            f"'{text}' is no digest of a {which}; write the digits 0 to 9 and a to f as printed"
        )
    if len(digits) < LEAST_DIGITS:
        raise RegistryError(
            f"'{text}' is too short for the digest of a {which}; write at least {LEAST_DIGITS} "
            "digits"
        )
    return digits


def _stood(connection: Connection, mark: JournalMark, date: dt.date, settings: Settings) -> bool:
    """Tell whether a line was the journal's last at some moment of a day."""
    following = time_of(connection, mark.line + 1)
    begun = mark.time is not None and mark.time.astimezone(settings.zone).date() <= date
    return begun and (following is None or following.astimezone(settings.zone).date() >= date)


def _codes(sheet: TraceSheet) -> set[str]:
    """Return the codes of everything a sheet shows."""
    found = {sheet.code, split_position(sheet.code)[0]}
    for link in sheet.traced.links:
        found |= {each for each in (link.child, link.parent) if each}
    found |= {each.code for each in sheet.book.steps} | {each.check for each in sheet.book.looks}
    found |= {each.rootstock_lot for each in sheet.book.rootstocks}
    found |= {each.tree for each in sheet.book.trees} | {each.store for each in sheet.stays}
    found |= {each.cultivar for each in sheet.book.trees}
    return found
