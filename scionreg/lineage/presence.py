"""On which days a bundle was in which store: for certain, and possibly.

Asked by days, both ends of a stay belong to it: wood was in the store at some time of the day it
was packed, and of the day the last of it left.
"""

import datetime as dt
from collections.abc import Iterable
from typing import NamedTuple

from scionreg.lineage import doubts
from scionreg.lineage.chain import LogLine
from scionreg.lineage.graph import Bundle, Moment
from scionreg.lineage.lasting import Lasting
from scionreg.records.vocabulary import BundleEventKind

EVER, NEVER = dt.date.min, dt.date.max
"""Days before all others, and after them."""


def places_of(
    bundle: Bundle, log: Iterable[LogLine], until: Moment | None, last: dt.date | None
) -> list[tuple[str | None, Moment | None, Moment | None]]:
    """Return where a bundle was, one place after the other: its store (None: not recorded), ends.

    An end that nobody recorded is None, as is the last one of a bundle that is still there. `last`
    is the day of `until`.
    """
    places: list[tuple[Moment | None, str | None]] = [(bundle.packed, bundle.store)]
    for line in log:
        if doubts.later(line.day, last):
            break
        if line.event == BundleEventKind.MOVED:
            places.append((line.time, line.store))
    ends = [start for start, _ in places[1:]] + [until]
    return [(store, start, end) for (start, store), end in zip(places, ends, strict=True)]


class Presence(NamedTuple):
    """Days on which a bundle was in a store, ends included.

    Possibly from `first` to `last`, for certain from `sure_first` to `sure_last`; where no day is
    certain, `sure_first` is NEVER.
    """

    store: str
    first: dt.date
    last: dt.date
    sure_first: dt.date
    sure_last: dt.date

    def within(self, start: dt.date | None, end: dt.date | None) -> "Since | None":
        """Return since when it was there in a period, None where it was not; None: open ends."""
        begin, finish = start or EVER, end or NEVER
        if self.first > finish or self.last < begin:
            return None
        sure = NEVER > self.sure_first <= finish and self.sure_last >= begin
        return Since(
            maybe=max(self.first, begin),
            surely=max(self.sure_first, begin) if sure else NEVER,
            # Whenever it was put there, it was there once.
            sure=sure or (start is None and end is None),
        )


class Since(NamedTuple):
    """Wood that counts from a day on: possibly from `maybe`, and for certain from `surely`.

    `sure` tells whether any of it counts for certain.
    """

    maybe: dt.date
    surely: dt.date
    sure: bool

    def or_else(self, other: "Since | None") -> "Since":
        """Return since when it counts for either reason."""
        if other is None:
            return self
        return Since(
            min(self.maybe, other.maybe), min(self.surely, other.surely), self.sure or other.sure
        )


def since_of(
    there: Iterable[Presence], store: str | None, start: dt.date | None, end: dt.date | None
) -> Since | None:
    """Return since when a bundle was in a store (None: in any) in a period, None if it was not."""
    found: Since | None = None
    for each in there:
        if store in (None, each.store) and (since := each.within(start, end)) is not None:
            found = since.or_else(found)
    return found


def presences(
    bundle: Bundle, log: Iterable[LogLine], lasted: Lasting, cut: dt.date | None
) -> list[Presence]:
    """Return the days on which a bundle was in each store; `cut` is the day its wood was cut.

    Where only an estimate says that sticks are left, they are there possibly, as is wood whose
    packing, move or last use nobody dated.
    """
    moves = [line for line in log if line.event == BundleEventKind.MOVED]
    end = lasted.last_day or NEVER
    sure_end = end if lasted.left <= 0 and lasted.ended == lasted.seen else lasted.seen_day
    if lasted.left > 0 and lasted.sure:
        sure_end = NEVER
    places = [(bundle.packed, bundle.store)]
    places += [(line.day, line.store) for line in moves if not doubts.later(line.day, end)]
    # A move that nobody dated may have been made on any day, and so may have ended any stay.
    astray = any(day is None for day, _ in places[1:]) and len({at for _, at in places}) > 1
    found = []
    for number, (day, store) in enumerate(places):
        following = places[number + 1][0] if number + 1 < len(places) else None
        first = day or bundle.packed or cut or EVER
        last = max(first, following or end)
        sure_first = day or NEVER
        if number == 0 and day is None and not astray:
            sure_first = min(filter(None, (following, lasted.seen_day)), default=NEVER)
        sure_last = sure_first if astray else min(last, max(sure_first, sure_end or EVER))
        if store is not None:
            found.append(Presence(store, first, last, sure_first, sure_last))
    return found
