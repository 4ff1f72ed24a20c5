"""What the wood of each bundle went through in store, before and since it was tied."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from scionreg.cold_store.curve import Curve, Sums, seconds

SUMS = tuple(each.name for each in fields(Sums))

Stay = tuple[str, str | None, str | None, Any, Any]
"""Bundle, the bundle it was tied into by the end (None: its own stay), store (None: nobody knows
where), start and end: points in time."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """What some wood went through; fields as `Sums`, for one bundle."""

    hours: float = 0.0
    degree_hours: float = 0.0
    cold_hours: float = 0.0
    deficit_hours: float = 0.0
    without_readings: float = 0.0
    without_humidity: float = 0.0

    def __add__(self, other: "Exposure") -> "Exposure":
        return Exposure(*(getattr(self, name) + getattr(other, name) for name in SUMS))

    def times(self, share: float) -> "Exposure":
        """Return a share of it."""
        return Exposure(*(getattr(self, name) * share for name in SUMS))

    def or_worse(self, other: "Exposure") -> "Exposure":
        """Return the larger of each figure."""
        return Exposure(*(max(getattr(self, name), getattr(other, name)) for name in SUMS))


NOTHING = Exposure()


def stay_sums(stays: Sequence[Stay], curves: Mapping[str, Curve]) -> pd.DataFrame:
    """Return a row for each stay: `bundle`, `tied_into`, `store` and its sums.

    Of a stay in a store without a curve, or nobody knows where, all hours are without readings.
    """
    frame = pd.DataFrame(
        {
            "bundle": [stay[0] for stay in stays],
            "tied_into": [stay[1] or "" for stay in stays],
            "store": [stay[2] or "" for stay in stays],
        },
        dtype=object,
    )
    starts, ends = seconds([stay[3] for stay in stays]), seconds([stay[4] for stay in stays])
    hours = np.maximum(ends - starts, 0.0) / 3600
    nobody_knows = {"hours": hours, "without_readings": hours, "without_humidity": hours}
    sums = {name: np.array(nobody_knows.get(name, hours * 0)) for name in SUMS}
    for store, at in frame.groupby("store", sort=False).indices.items():
        curve = curves.get(str(store))
        if curve is not None:
            found = curve.sums(starts[at], ends[at])
            for name in SUMS:
                sums[name][at] = getattr(found, name)
    return frame.assign(**sums)


def exposures(
    stays: Sequence[Stay],
    curves: Mapping[str, Curve],
    order: Iterable[str] = (),
    shares: Mapping[str, Mapping[str | None, float]] | None = None,
) -> dict[str, tuple[Exposure, Exposure]]:
    """Return of each bundle what its wood went through: the mean by sticks, and the worst.

    Wood tied from other bundles brings what those went through until then: the mean weighs them by
    their `shares` of the sticks; the worst is that of the parent with the largest figure, since a
    few bad sticks are enough to fail.

    Parameters
    ----------
    order : bundles, each after those it was tied from.
    shares : of bundles tied from others, the share that came from each (None: from its own source).
    """
    table = stay_sums(stays, curves).groupby(["bundle", "tied_into"], sort=False)[list(SUMS)].sum()
    sums = {
        key: Exposure(*row)
        for key, row in zip(table.index, table.itertuples(index=False), strict=True)
    }
    brought: dict[str, tuple[Exposure, Exposure]] = {}
    for code in order:
        given = (shares or {}).get(code, {})
        mean, worst = NOTHING, NOTHING
        for parent, share in given.items():
            if parent is not None:
                before = sums.get((parent, code), NOTHING)
                mean_before, worst_before = brought.get(parent, (NOTHING, NOTHING))
                mean += (before + mean_before).times(share)
                worst = worst.or_worse(before + worst_before)
        if given:
            brought[code] = (mean, worst)
    codes = dict.fromkeys([*(stay[0] for stay in stays if stay[1] is None), *brought])
    found = {}
    for code in codes:
        own = sums.get((code, ""), NOTHING)
        mean, worst = brought.get(code, (NOTHING, NOTHING))
        found[code] = (own + mean, own + worst)
    return found


def stays_frame(
    stays: Sequence[Stay],
    order: Iterable[str] = (),
    shares: Mapping[str, Mapping[str | None, float]] | None = None,
) -> pd.DataFrame:
    """Return the stays of each bundle's wood as a table for `touched`, those of its parents too.

    Columns: `bundle`, `store`, `start`, `end`, and `share`: of the bundle's wood that was there.
    """
    own: dict[str, list[tuple[str, Any, Any]]] = {}
    edges: dict[tuple[str, str], list[tuple[str, Any, Any]]] = {}
    for bundle, tied_into, store, start, end in stays:
        if store is not None:
            where = (
                own.setdefault(bundle, [])
                if tied_into is None
                else edges.setdefault((bundle, tied_into), [])
            )
            where.append((store, start, end))
    brought: dict[str, list[tuple[str, Any, Any, float]]] = {}
    for code in order:
        for parent, share in (shares or {}).get(code, {}).items():
            if parent is not None and share > 0:
                found = [(*stay, share) for stay in edges.get((parent, code), ())]
                found += [(*stay[:3], stay[3] * share) for stay in brought.get(parent, ())]
                brought.setdefault(code, []).extend(found)
    rows = [(code, *stay, 1.0) for code, listed in own.items() for stay in listed]
    rows += [(code, *stay) for code, listed in brought.items() for stay in listed]
    frame = pd.DataFrame(rows, columns=["bundle", "store", "start", "end", "share"])
    for name in ("start", "end"):
        frame[name] = pd.to_datetime(frame[name], utc=True)
    return frame
