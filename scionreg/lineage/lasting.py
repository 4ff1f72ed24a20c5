"""How long a bundle lasted: until nothing was left of it, as far as the records tell.

What is left is what the balance says (`sticks`). Leftovers of earlier seasons that nobody recorded
as thrown away lie in store still: nothing tells otherwise, and what is forgotten there is grafted.
"""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from scionreg.lineage.chain import Chain, LogLine
from scionreg.lineage.graph import Bundle, Moment
from scionreg.lineage.sticks import Flow, LogEvent, tidy
from scionreg.records.vocabulary import BundleEventKind, Counting

TAKEN = (BundleEventKind.SOLD, BundleEventKind.DISCARDED)


class Uses(NamedTuple):
    """When a bundle was grafted from or tied anew: the last day, and how often on unknown days."""

    last: dt.date | None = None
    undated: int = 0

    def and_of(self, last: dt.date | None, undated: int) -> "Uses":
        """Return these and others together."""
        days = [day for day in (self.last, last) if day is not None]
        return Uses(max(days, default=None), self.undated + undated)


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long sticks of a bundle were there.

    `left` sticks are there still; `sure` tells that they were counted, not estimated. `ended` is
    when the last left, on the day `last_day`: both None where some are left, or nobody recorded
    when. `seen`, on `seen_day`, is when the bundle was there for certain at last: sticks of it were
    used, sold, thrown away, moved or counted.
    """

    left: float
    sure: bool
    ended: Moment | None
    last_day: dt.date | None
    seen: Moment | None
    seen_day: dt.date | None

    @property
    def known(self) -> bool:
        """Tell whether it is known until when the bundle was there."""
        return self.left > 0 or self.ended is not None


_At = tuple[dt.date, bool, dt.datetime]
"""A moment that is known to its day, or (True) to the second; days begin before all in them."""


def lasting(bundle: Bundle, flow: Flow, uses: Uses, log: Iterable[LogLine]) -> Lasting:
    """Return how long a bundle lasted, by what left it."""
    lines = [line for line in log if line.day is not None]
    taken = {_at(line) for line in lines if line.event in TAKEN}
    if uses.last is not None:
        taken.add((uses.last, False, _NO_TIME))
    undated = uses.undated or any(line.event in TAKEN and line.day is None for line in log)
    left = tidy(flow.left_of(bundle.sticks))
    ended: _At | None = None
    if left <= 0 and not undated:
        ended = max(taken, default=None)
        if flow.counted is not None:
            found_empty = {_at(line) for line in lines if line.time == flow.emptied}
            ended = max(found_empty, default=ended)
    seen = max(taken | {_at(line) for line in lines if _shows(line)}, default=None)
    if ended is not None and seen is not None:
        seen = min(seen, ended)
    return Lasting(
        left=left,
        sure=bundle.counting == Counting.COUNTED and not flow.derived,
        ended=_moment(ended),
        last_day=ended and ended[0],
        seen=_moment(seen),
        seen_day=seen and seen[0],
    )


def lasted_on(chain: Chain, code: str) -> Lasting:
    """Return how long a bundle on a chain lasted."""
    drawn, log = chain.drawn.on_days.get(code, {}), chain.log.get(code, ())
    flow = Flow(used=sum(drawn.values()))
    events = [
        LogEvent(line.time, line.event, line.sticks, line.day)
        for line in log
        if line.event in (*TAKEN, BundleEventKind.CHECKED)
    ]
    flow.add_log(chain.bundles[code].sticks, events, drawn)
    days = [day for day in drawn if day is not None]
    return lasting(
        chain.bundles[code], flow, Uses(max(days, default=None), int(None in drawn)), log
    )


_NO_TIME = dt.datetime.min.replace(tzinfo=dt.UTC)


def _at(line: LogLine) -> _At:
    return line.day or dt.date.min, True, line.time or _NO_TIME


def _moment(at: _At | None) -> Moment | None:
    return None if at is None else at[2] if at[1] else at[0]


def _shows(line: LogLine) -> bool:
    """Tell whether a line of the log shows that sticks were there."""
    looked = line.event == BundleEventKind.CHECKED and line.sticks != 0
    return looked or line.event == BundleEventKind.MOVED
