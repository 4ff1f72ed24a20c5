"""Answers about stores: records read, curves made, and the reasoning asked."""

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from scionreg.cold_store.curve import Curve
from scionreg.cold_store.report import StoreReport, store_report
from scionreg.judgement import Judge
from scionreg.lineage.due import shelves
from scionreg.lineage.graph import find_kind, rows
from scionreg.lineage.holdings import TIED_FROM
from scionreg.lineage.presence import since_of
from scionreg.lineage.readings import check_store, known_stores, read_readings
from scionreg.lineage.recall_items import PUT_INTO
from scionreg.lineage.stays import Kept, read_kept
from scionreg.lineage.sticks import read_left
from scionreg.lineage.woods import read_woods
from scionreg.records.cells import noun
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import StoreValues
from scionreg.registry.settings import Settings, read_settings

if TYPE_CHECKING:
    from scionreg.cold_store.spells import Spell

EVER = dt.datetime(1700, 1, 1, tzinfo=dt.UTC), dt.datetime(9000, 1, 1, tzinfo=dt.UTC)


def report(
    connection: Connection,
    bundles: Sequence[str] = (),
    *,
    store: str | None = None,
    since: dt.date | None = None,
    until: dt.date | None = None,
    now: bool = False,
    at: dt.datetime | None = None,
    judge: Judge | None = None,
    day: dt.date | None = None,
) -> StoreReport:
    """Return what happened in store to bundles, and what may be used.

    Parameters
    ----------
    bundles : those asked about; none means all, or all whose wood was ever put into `store`.
    since, until : only bundles that were there, and spells that were, on one of these days.
    now : only bundles with sticks left; their figures run to `at`.
    at : the moment to which stays run that nothing ended before; None is this moment.
    day : as it stood at the end of this day, whatever is recorded of later ones; instead of `at`.
    judge : what the registry knows, where that has been read already.

    Raises
    ------
    NotFoundError
        A bundle or the store is not recorded.
    """
    settings = read_settings(connection)
    codes = _asked(connection, bundles, store)
    if now:
        codes = list(read_left(connection, codes, until=day))
    moment = at or dt.datetime.now(dt.UTC).replace(microsecond=0)
    if day is not None:
        moment = min(moment, _morning(day + dt.timedelta(days=1), settings))
    judged_on = day or (moment - dt.timedelta(seconds=1)).astimezone(settings.zone).date()
    kept = read_kept(connection, settings.zone, codes, at=moment, until=day)
    period = _period(settings, since, until)
    if now and store is not None:
        kept.asked = [code for code in kept.asked if kept.last_store.get(code) == store]
    elif store is not None or since is not None or until is not None:
        kept.asked = _there(kept, store, since, until)
    values = settings.values(StoreValues)
    curves = read_curves(connection, kept, values)
    if store is not None and store not in curves:
        first, last = period[0] or EVER[0], period[1] or EVER[1]
        curves[store] = Curve(*read_readings(connection, store, first, last), values)
    found = store_report(
        kept,
        curves,
        values,
        woods=read_woods(connection, kept),
        stops=(judge or Judge(connection, settings=settings)).wood(kept, judged_on),
        shelves=shelves(connection, kept.asked),
        zone=settings.zone,
        in_fahrenheit=settings.units == "US",
        spells_of=None if store is None else [store],
    )
    return found.during(*period)


def _asked(connection: Connection, bundles: Sequence[str], store: str | None) -> list[str] | None:
    """Return the bundles to look at, None for all of them."""
    if store is not None:
        check_store(connection, store)
    for code in bundles:
        kind = find_kind(connection, code)
        if kind != "bundles":
            raise RegistryError(f"'{code}' is a {noun(kind)}; name bundles, or a store by --store")
    if bundles:
        return list(bundles)
    if store is None:
        return None
    put_into = [row[0] for row in rows(connection, PUT_INTO, [store])]
    return sorted(row[0] for row in rows(connection, TIED_FROM["bundle"], put_into))


def _period(
    settings: Settings, since: dt.date | None, until: dt.date | None
) -> tuple[dt.datetime | None, dt.datetime | None]:
    """Return the beginning of the first day and the end of the last; None for none."""
    if since is not None and until is not None and until < since:
        raise RegistryError(f"the period ends on {until}, before it begins on {since}")
    start = None if since is None else _morning(since, settings)
    end = None if until is None else _morning(until + dt.timedelta(days=1), settings)
    return start, end


def _morning(day: dt.date, settings: Settings) -> dt.datetime:
    """Return when a day begins on the registry's clock."""
    return dt.datetime.combine(day, dt.time(), settings.zone).astimezone(dt.UTC)


def _there(
    kept: Kept, store: str | None, since: dt.date | None, until: dt.date | None
) -> list[str]:
    """Return the bundles of which wood was in the store, or any, on some day of a period.

    Their own, or of what they were tied from while it was there or later: the same bundles as in
    a recall of the store.
    """
    there = {
        code: found
        for code in kept.bundles
        if (found := since_of(kept.presences(code), store, since, until)) is not None
    }
    brought: set[str] = set()
    for code in kept.order():
        tied = kept.bundles[code].packed
        for parent in kept.parents.get(code, ()):
            own = there.get(parent)
            if parent in brought or (own is not None and (tied is None or tied >= own.maybe)):
                brought.add(code)
    return [code for code in kept.asked if code in brought or code in there]


def read_curves(connection: Connection, kept: Kept, values: StoreValues) -> dict[str, Curve]:
    """Return the curves of the stores that wood was in, over the time that it was there."""
    spans: dict[str, tuple[dt.datetime, dt.datetime]] = {}
    for stay in kept.stays:
        if stay.store is not None:
            first, last = spans.get(stay.store, (stay.start, stay.end))
            spans[stay.store] = (min(first, stay.start), max(last, stay.end))
    more = dt.timedelta(hours=values.gap_hours + values.spell_join_hours)
    return {
        store: Curve(*read_readings(connection, store, first - more, last + more), values)
        for store, (first, last) in spans.items()
    }


def all_spells(connection: Connection) -> "list[Spell]":
    """Return every warm spell of every store, oldest first."""
    from scionreg.cold_store.spells import warm_spells

    values = read_settings(connection).values(StoreValues)
    found = [
        spell
        for store in known_stores(connection)
        for spell in warm_spells(store, Curve(*read_readings(connection, store, *EVER), values))
    ]
    return sorted(found, key=lambda spell: (spell.start, spell.store))
