"""Why lots took poorly: records read, warm spells looked up, and the reasoning asked."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd
from sqlalchemy import Connection

from scionreg.cold_store.exposure import stays_frame
from scionreg.cold_store.judging import by_heat
from scionreg.cold_store.spells import touched, until_used
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.stays import read_kept
from scionreg.lineage.worked_lots import WorkedLots, read_worked_lots
from scionreg.records.errors import RegistryError
from scionreg.records.fixed_values import WHY
from scionreg.records.starting_values import CauseValues, StoreValues, TakeValues, UsualTake
from scionreg.records.vocabulary import StoreClass
from scionreg.registry.settings import Settings, read_settings
from scionreg.storing import all_spells
from scionreg.take.candidates import SPELL_COLUMNS
from scionreg.take.factors import memberships
from scionreg.take.findings import findings_of
from scionreg.take.stages import Stage
from scionreg.take.verdict import Why
from scionreg.take.why import Progress, why_poor

SAT_THROUGH = WHY.sat_through
"""Share of a warm spell that wood must have been there for, to be one of its victims."""


def why(
    connection: Connection,
    lots: Sequence[str] = (),
    *,
    cultivar: str | None = None,
    row: str | None = None,
    day: dt.date | None = None,
    season: int | None = None,
    stage: str | None = None,
    progress: Progress | None = None,
) -> Why:
    """Return why graft lots took poorly.

    Parameters
    ----------
    lots : codes of graft lots; without them the lots that all the others name.
    cultivar, row, day, season : of a cultivar, in a row (``block/row``), of a graft day, a season.
    stage : ``early`` or ``late``; None is the count at which they fall short most clearly.

    Raises
    ------
    RegistryError
        No such lot, none of them was counted, or nothing was named, or both ways.
    """
    if lots and {cultivar, row, day, season} != {None}:
        raise RegistryError("lots are named; leave the cultivar, row, graft day and season out")
    settings = read_settings(connection)
    worked = read_worked_lots(connection, settings)
    if cultivar is not None:
        cultivar = resolve_names(connection, {cultivar})[cultivar]
    asked = list(lots) or _named(worked, cultivar, row, day, season)
    found = why_poor(
        worked,
        asked,
        values=settings.values(CauseValues),
        usual=settings.values(UsualTake),
        spells=sat_through(connection, worked, settings),
        stage=Stage(stage) if stage else None,
        progress=progress,
    )
    findings = findings_of(worked, settings.values(TakeValues))
    about = tuple(finding for finding in findings if finding.item in set(asked))
    return replace(found, findings=about)


def _named(
    worked: WorkedLots,
    cultivar: str | None,
    row: str | None,
    day: dt.date | None,
    season: int | None,
) -> list[str]:
    """Return the lots of a cultivar, row, day and season, those of them that are given."""
    lots = worked.lots
    if cultivar is None and row is None and day is None:
        raise RegistryError("name the lots that took poorly, or a cultivar, a row or a graft day")
    kept = pd.Series(True, index=lots.index)
    if cultivar is not None:
        kept &= lots["cultivar"] == cultivar
    if season is not None:
        kept &= lots["season"] == season
    if day is not None:
        kept &= lots["date"] == pd.Timestamp(day)
    if row is not None:
        rows = memberships(worked, "row")
        kept &= lots.index.isin(rows.loc[rows["level"] == row, "lot"])
    if not kept.any():
        raise RegistryError("no graft lot is of that cultivar, row, day and season")
    return list(lots.loc[kept, "graft_lot"])


def sat_through(connection: Connection, worked: WorkedLots, settings: Settings) -> pd.DataFrame:
    """Return the warm spells that lots' wood sat through, as `find_candidates` takes them.

    That is wood that was in the store for more than half of the spell, and was grafted on a later
    day than its end.
    """
    values = settings.values(StoreValues)
    spells = all_spells(connection)
    if not spells:
        return pd.DataFrame(columns=list(SPELL_COLUMNS))
    now = dt.datetime.now(dt.UTC)
    kept = read_kept(connection, settings.zone, sorted(set(worked.lots["bundle"])), at=now)
    shares = {code: kept.shares(code) for code in kept.bundles}
    stays = stays_frame(kept.stays, kept.order(), shares)
    dated = worked.lots[worked.lots["date"].notna()]
    mornings = {day: pd.Timestamp(day.date(), tz=settings.zone) for day in dated["date"].unique()}
    uses = pd.DataFrame({"bundle": dated["bundle"], "date": dated["date"].map(mornings)})
    sat = touched(spells, until_used(stays, uses))
    sat["date"] = pd.to_datetime(sat["date"]).dt.tz_localize(None)
    lots = dated.assign(lot=dated.index)[["lot", "bundle", "date"]]
    found = lots.merge(sat.astype({"date": lots["date"].dtype}), on=["bundle", "date"])
    zone = settings.zone
    for name in ("start", "end"):
        found[name] = found[name].dt.tz_convert(zone)
    last_day = found["end"].dt.normalize().dt.tz_localize(None)
    found = found[(found["share_of_spell"] > SAT_THROUGH) & (found["date"] > last_day)]
    heat_of = {(spell.store, pd.Timestamp(spell.start)): spell.heat_c_hours for spell in spells}
    heat = [heat_of[key] for key in zip(found["store"], found["start"], strict=True)]
    kinds = [_kind(each, values) for each in heat]
    told: pd.DataFrame = found.assign(heat_c_hours=heat, kind=kinds)
    return told[list(SPELL_COLUMNS)]


def _kind(heat: float, values: StoreValues) -> str:
    """Return how bad a spell was by its heat: as `StoreClass`, or slight."""
    found = by_heat(heat, values)
    return "slight" if found in (StoreClass.NOTE, StoreClass.GOOD) else found.value
