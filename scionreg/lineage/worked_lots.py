"""Graft lots as take is judged by: what was worked, with whose wood, by whom, and what stood there.

Tables of plain columns, so that whoever reasons over them needs no registry.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import (
    BUNDLE_COLUMNS,
    Bundle,
    Parents,
    Query,
    as_day,
    make_bundle,
    rows,
)
from scionreg.lineage.mixing import mixed_from
from scionreg.registry.settings import Settings

LOT_COLUMNS = (
    "graft_lot",
    "bundle",
    "date",
    "grafter",
    "method",
    "rootstock_lot",
    "stock_mm",
    "grafts",
    "block",
    "row",
    "first",
    "last",
    "regraft_of",
)
SOURCE_COLUMNS = (
    "lot",
    "mother_tree",
    "limb",
    "collection",
    "cutting_day",
    "cutter",
    "share",
    "share_cut",
    "shoot_length_cm",
    "tree_kind",
)
COUNT_COLUMNS = (
    "lot",
    "date",
    "age",
    "pushing",
    "green",
    "dead",
    "stock_only",
    "missing",
    "broken",
)
LOTS = Query(f"SELECT {', '.join(LOT_COLUMNS)} FROM graft_lots ORDER BY graft_lot")
COUNTS = Query(
    "SELECT graft_lot, date, pushing, green, dead, stock_only, missing, broken "
    "FROM take_counts ORDER BY graft_lot, date"
)
BUNDLES = Query(f"SELECT {BUNDLE_COLUMNS} FROM bundles b")
PARENTS = Query("SELECT bundle, parent, sticks FROM bundle_parents")
CUTTINGS = Query(
    "SELECT c.collection, c.tree, c.limb, c.date, c.cutter, c.share_cut, c.shoot_length_cm, "
    "t.cultivar, t.kind FROM collections c LEFT JOIN mother_trees t ON t.tree = c.tree"
)
SPECIES = Query("SELECT cultivar, species FROM cultivars")

Cutting = tuple[Any, ...]
"""A row of `CUTTINGS`."""


@dataclass(frozen=True, eq=False)
class WorkedLots:
    """Graft lots, the sources of their wood, and their counts.

    `lots` has a row a lot: the columns of the record (`date` as datetime64), and `season` (of the
    graft day, -1 unknown), `cultivar` (as claimed, of the larger part of its wood), `species`,
    `days_in_store` (cutting to grafting, NaN unknown), `store` (where its bundle was packed into).

    `sources` has a row for each collection that gave wood: `lot` (row number in `lots`),
    `mother_tree`, `limb`, `collection`, `cutting_day`, `cutter`, `share` of the lot's wood, of the
    cutting `share_cut` and `shoot_length_cm`, and `tree_kind`. Received wood has no row; shares may
    sum to less than 1.

    `counts` has a row a count: `lot`, `date`, `age` in days since grafting (NaN unknown), and the
    classes; an unknown number is NaN.
    """

    lots: pd.DataFrame
    sources: pd.DataFrame
    counts: pd.DataFrame


def read_worked_lots(connection: Connection, settings: Settings) -> WorkedLots:
    """Return every graft lot of the registry, sorted by code."""
    lots = pd.DataFrame(rows(connection, LOTS, ()), columns=list(LOT_COLUMNS))
    lots = lots.astype({"grafts": "int64", **dict.fromkeys(("row", "first", "last"), "float64")})
    lots["date"] = _days(lots["date"])
    lots["season"] = _seasons(lots["date"], settings)
    bundles = {row[0]: make_bundle(row) for row in rows(connection, BUNDLES, ())}
    cuttings = {row[0]: row for row in rows(connection, CUTTINGS, ())}
    parents: Parents = {}
    for bundle, parent, sticks in rows(connection, PARENTS, ()):
        parents.setdefault(bundle, {})[parent] = sticks
    shares = mixed_from(bundles, parents, set(lots["bundle"]), lambda each: each.collection)
    sources = _sources(lots["bundle"], shares, cuttings)
    claimed = _claimed(bundles, shares, cuttings)
    names = resolve_names(connection, {name for name in claimed.values() if name})
    lots["cultivar"] = [names.get(claimed[each] or "") for each in lots["bundle"]]
    lots["species"] = lots["cultivar"].map(dict(rows(connection, SPECIES, ())))
    lots["store"] = [bundles[each].store for each in lots["bundle"]]
    lots["days_in_store"] = _days_in_store(lots, sources)
    return WorkedLots(lots, sources, _counts(connection, lots))


def _sources(
    bundle_of: "pd.Series[Any]",
    shares: Mapping[str, Mapping[str, float]],
    cuttings: Mapping[str, Cutting],
) -> pd.DataFrame:
    found = []
    for lot, bundle in enumerate(bundle_of):
        for collection, share in shares[bundle].items():
            _, tree, limb, day, cutter, share_cut, length, _, kind = cuttings[collection]
            found.append((lot, tree, limb, collection, day, cutter, share, share_cut, length, kind))
    sources = pd.DataFrame(found, columns=list(SOURCE_COLUMNS))
    sources["cutting_day"] = _days(sources["cutting_day"])
    numbers = ["share", "share_cut", "shoot_length_cm"]
    return sources.astype({"lot": "int64", **dict.fromkeys(numbers, "float64")})


def _claimed(
    bundles: Mapping[str, Bundle],
    shares: Mapping[str, Mapping[str, float]],
    cuttings: Mapping[str, Cutting],
) -> dict[str, str | None]:
    """Return the cultivar that most of a bundle's wood is claimed to be."""
    found: dict[str, str | None] = {}
    for code, gave in shares.items():
        weights: dict[str, float] = {}
        for collection, share in gave.items():
            name = cuttings[collection][7]
            weights[name] = weights.get(name, 0.0) + share
        most = max(weights, key=lambda name: weights[name]) if weights else None
        found[code] = most or bundles[code].claimed
    return found


def _days_in_store(lots: pd.DataFrame, sources: pd.DataFrame) -> "pd.Series[Any]":
    """Return the days from cutting to grafting, weighted by share."""
    known = sources.dropna(subset=["cutting_day"])
    kept = lots["date"].to_numpy()[known["lot"]] - known["cutting_day"].to_numpy()
    days = kept / np.timedelta64(1, "D")
    known = known.assign(weighed=days * known["share"])[~np.isnan(days)]
    sums = known.groupby("lot")[["weighed", "share"]].sum()
    means: pd.Series[Any] = sums["weighed"] / sums["share"]
    return means.reindex(range(len(lots)))


def _counts(connection: Connection, lots: pd.DataFrame) -> pd.DataFrame:
    position = {code: lot for lot, code in enumerate(lots["graft_lot"])}
    found = [(position[row[0]], row[1], *row[2:]) for row in rows(connection, COUNTS, ())]
    columns = [name for name in COUNT_COLUMNS if name != "age"]
    counts = pd.DataFrame(found, columns=columns)
    counts["date"] = _days(counts["date"])
    grafted = lots["date"].to_numpy()[counts["lot"].to_numpy(dtype="int64")]
    counts["age"] = (counts["date"].to_numpy() - grafted) / np.timedelta64(1, "D")
    return counts.astype(dict.fromkeys(COUNT_COLUMNS[3:], "float64"))[list(COUNT_COLUMNS)]


def _days(values: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return days as either database gives them as datetime64; NaT where unknown."""
    known = {each: np.datetime64(str(each), "s") for each in set(values.dropna())}
    return pd.Series(
        [known.get(each, np.datetime64("NaT")) for each in values], dtype="datetime64[s]"
    )


def _seasons(days: "pd.Series[Any]", settings: Settings) -> "pd.Series[Any]":
    known = {each: settings.season(each.date()) for each in set(days.dropna())}
    return pd.Series([known.get(each, -1) for each in days], dtype="int64")


def day_of(value: Any) -> dt.date | None:
    """Return a day of these tables as a date; None where it is unknown."""
    return None if pd.isna(value) else as_day(pd.Timestamp(value).date())
