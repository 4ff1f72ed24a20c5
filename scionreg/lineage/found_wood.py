"""What wood without a label may be: bundles of its store that lack sticks, the likeliest first."""

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.balance import balance
from scionreg.lineage.graph import Query, as_day, read_zone, rows
from scionreg.lineage.presence import Presence
from scionreg.lineage.stays import read_kept
from scionreg.lineage.sticks import tidy
from scionreg.lineage.woods import read_woods

FOUND = Query("SELECT sticks, store, packed FROM bundles WHERE bundle IN {codes} AND unlabelled")

LOOSE_DAYS = 90
"""Days in which loose sticks are taken to be noticed (common practice, no source)."""


class Lacking(NamedTuple):
    """A bundle that lacks `sticks` by its balance, what it is, and where it was on which days."""

    bundle: str
    sticks: float
    cultivars: tuple[str, ...]
    presences: tuple[Presence, ...]


class Perhaps(NamedTuple):
    """A bundle that wood without a label may be of.

    It lacks `lacks` sticks, `apart` more or fewer than were found. It was in their store `surely`
    on the day they were found, or possibly, or last `days` days before.
    """

    bundle: str
    cultivars: tuple[str, ...]
    lacks: float
    apart: float
    surely: bool
    days: int

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return self._asdict() | {"cultivars": list(self.cultivars)}


def perhaps(
    sticks: int, store: str | None, day: dt.date, lacking: Iterable[Lacking]
) -> list[Perhaps]:
    """Return the bundles that `sticks` found in a store on a day may be of, the likeliest first.

    Only those that lack sticks and were in that store (None: in any) in the last `LOOSE_DAYS`. The
    nearer the number lacking the likelier; among equals those that were there for certain, and
    those that were there last. Diameters and cultivars tell nothing, since nobody recorded those
    of what was found.
    """
    found = []
    for each in lacking:
        there = [
            place
            for place in each.presences
            if store in (None, place.store)
            and place.first <= day
            and (day - place.last).days <= LOOSE_DAYS
        ]
        if each.sticks > 0 and there:
            found.append(
                Perhaps(
                    bundle=each.bundle,
                    cultivars=each.cultivars,
                    lacks=tidy(each.sticks),
                    apart=tidy(abs(each.sticks - sticks)),
                    surely=any(place.sure_first <= day <= place.sure_last for place in there),
                    days=min(max(0, (day - place.last).days) for place in there),
                )
            )
    return sorted(found, key=lambda each: (each.apart, not each.surely, each.days, each.bundle))


def read_perhaps(connection: Connection, code: str) -> Sequence[Perhaps] | None:
    """Return what a bundle without a label may be of; None for one that has a label."""
    found = rows(connection, FOUND, [code])
    if not found:
        return None
    sticks, store, packed = found[0]
    zone, now = read_zone(connection), dt.datetime.now(dt.UTC)
    lacks = {
        row.code: row.unexplained
        for row in balance(connection, scope="bundle").rows
        if row.code is not None and row.unexplained is not None and row.unexplained > 0
    }
    kept = read_kept(connection, zone, list(lacks), at=now)
    woods = read_woods(connection, kept)
    lacking = (
        Lacking(each, sticks_, woods[each].cultivars, tuple(kept.presences(each)))
        for each, sticks_ in lacks.items()
    )
    return perhaps(sticks, store, as_day(packed) or now.astimezone(zone).date(), lacking)
