"""Warm spells: when a store was warm, for how long, and which wood sat through it."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from scionreg.cold_store.curve import HOUR, Array, Curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """Time in which a store was warm, short dips included.

    `start` and `end` (UTC) are where the temperature passed the threshold; `heat_c_hours` are the
    °C·h above it.
    """

    store: str
    start: dt.datetime
    end: dt.datetime
    heat_c_hours: float
    hottest_c: float

    @property
    def hours(self) -> float:
        """Return how long it lasted."""
        return (self.end - self.start).total_seconds() / HOUR

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            **asdict(self),
            "start": self.start.isoformat(),
            "end": self.end.isoformat(),
            "hours": round(self.hours, 2),
            "heat_c_hours": round(self.heat_c_hours, 2),
        }


def warm_spells(store: str, curve: Curve) -> list[Spell]:
    """Return the warm spells of a store, oldest first.

    Times above the threshold that lie less than `spell_join_hours` apart are one spell; one that
    comes to less than `spell_heat` is none (a door, a defrosting).
    """
    settings = curve.settings
    heat = curve.heat_pieces()
    warm = np.flatnonzero(heat > 0)
    if not len(warm):
        return []
    starts, ends = _warm_part(curve, warm)
    new = np.concatenate(([True], starts[1:] - ends[:-1] > settings.spell_join_hours * HOUR))
    first = np.flatnonzero(new)
    last = np.concatenate((first[1:], [len(warm)])) - 1
    hottest = np.maximum(curve.temperatures[warm], curve.temperatures[warm + 1])
    sums, tops = np.add.reduceat(heat[warm], first), np.maximum.reduceat(hottest, first)
    return [
        Spell(
            store=store,
            start=_moment(starts[first[i]]),
            end=_moment(ends[last[i]]),
            heat_c_hours=float(sums[i]),
            hottest_c=float(tops[i]),
        )
        for i in range(len(first))
        if sums[i] >= settings.spell_heat
    ]


def _warm_part(curve: Curve, pieces: Any) -> tuple[Array, Array]:
    """Return where in each of some pieces the temperature begins and ends to be warm."""
    threshold = curve.settings.warm_above_c
    start, end = curve.times[pieces], curve.times[pieces + 1]
    a, b = curve.temperatures[pieces] - threshold, curve.temperatures[pieces + 1] - threshold
    change = np.where(a == b, 1.0, b - a)
    crossing = start + np.clip(-a / change, 0, 1) * (end - start)
    return np.where(a < 0, crossing, start), np.where(b < 0, crossing, end)


def _moment(second: float) -> dt.datetime:
    return dt.datetime.fromtimestamp(round(float(second)), dt.UTC)


# ----------------------------------------------------------------------------- what they touched

TOUCHED = ("bundle", "store", "start", "end", "share_of_spell", "heat_c_hours")


def touched(
    spells: Sequence[Spell],
    stays: pd.DataFrame,
    curves: Mapping[str, Curve] | None = None,
) -> pd.DataFrame:
    """Return which wood sat through which spells, and through how much of them.

    Parameters
    ----------
    stays : one row a stay: `bundle`, `store`, `start`, `end` (points in time), and where they are
        there `share` (of the bundle's wood that this stay is about; 1 without it) and `date` (the
        day it was grafted; rows of one bundle are then kept apart by it).
    curves : of the stores; without them a spell's heat is taken to be even.

    Returns
    -------
    One row for each bundle (and `date`) and spell that touch: the spell's `store`, `start` and
    `end`, `share_of_spell`: the part of its duration that the wood was there (of mixed wood the
    mean by sticks), and `heat_c_hours` that it took up meanwhile.
    """
    key = ["bundle", *(["date"] if "date" in stays else [])]
    found = [_touched_by(spell, stays, key, curves or {}) for spell in spells]
    found = [each for each in found if len(each)]
    columns = [*key, *TOUCHED[1:]]
    if not found:
        return pd.DataFrame(
            {name: pd.Series(dtype=_DTYPES.get(name, "object")) for name in columns}
        )
    return pd.concat(found, ignore_index=True)[columns]


_DTYPES = {
    "start": "datetime64[s, UTC]",
    "end": "datetime64[s, UTC]",
    "share_of_spell": "float64",
    "heat_c_hours": "float64",
}


def _touched_by(
    spell: Spell, stays: pd.DataFrame, key: list[str], curves: Mapping[str, Curve]
) -> pd.DataFrame:
    """Return the wood that sat through some of one spell."""
    there = stays[
        (stays["store"] == spell.store)
        & (stays["start"] < spell.end)
        & (stays["end"] > spell.start)
    ]
    begin = np.maximum(_seconds(there["start"]), spell.start.timestamp())
    finish = np.minimum(_seconds(there["end"]), spell.end.timestamp())
    part = np.minimum((finish - begin) / (spell.hours * HOUR), 1.0) if spell.hours else finish * 0
    curve = curves.get(spell.store)
    heat = part * spell.heat_c_hours if curve is None else curve.heat(begin, finish)
    share = there["share"].to_numpy(dtype=float) if "share" in there else 1.0
    summed = (
        there[key]
        .assign(share_of_spell=part * share, heat_c_hours=heat * share)
        .groupby(key, sort=False, dropna=False, as_index=False)
        .sum()
    )
    return summed.assign(
        store=spell.store, start=pd.Timestamp(spell.start), end=pd.Timestamp(spell.end)
    )


def _seconds(moments: "pd.Series[Any]") -> Array:
    return np.asarray(moments.to_numpy(dtype="datetime64[us]").astype("int64") / 1e6)


def until_used(stays: pd.DataFrame, uses: pd.DataFrame) -> pd.DataFrame:
    """Return, for each use of a bundle, its stays up to then: what `touched` takes for graft lots.

    Parameters
    ----------
    stays : `bundle`, `store`, `start`, `end`, and `share` where there is one, as from `stays_frame`
        with open ends at the last use or later.
    uses : `bundle` and `date` (a day; pandas' midnight UTC, or a point in time), one row a bundle
        and day.
    """
    joined = uses[["bundle", "date"]].drop_duplicates().merge(stays, on="bundle", how="inner")
    day = pd.to_datetime(joined["date"], utc=True)
    joined["end"] = joined["end"].where(joined["end"] < day, day)
    return joined[joined["end"] > joined["start"]].reset_index(drop=True)
