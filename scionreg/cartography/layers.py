"""Layers: a GeoDataFrame each of what is drawn, in WGS 84 (EPSG:4326), with plain columns.

Trees come as `Places.trees` gives them, with private places dealt with (`Privacy.keep`).
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from scionreg.cartography.places import Places
from scionreg.cartography.privacy import Privacy

WGS84 = "EPSG:4326"

TREE_COLUMNS = (
    "code",
    "cultivar",
    "kind",
    "status",
    "identity",
    "pressure",
    "take",
    "eligible",
    "why",
    "block",
    "row",
    "position",
    "estimated",
    "accuracy_m",
    "fixes",
    "private",
)


def trees(stands: pd.DataFrame, told: Mapping[str, Mapping[str, Any]] | None = None) -> Any:
    """Return mother trees as points, columns `TREE_COLUMNS`; a tree without a place is left out.

    Parameters
    ----------
    stands : trees as `Places.trees`.
    told : for each of ``identity``, ``pressure``, ``take``, ``eligible`` (whether it may be cut)
        and ``why`` (not, or what is to be minded) what is known, by tree.
    """
    placed = stands[stands["latitude"].notna()].reset_index(drop=True)
    for name in ("identity", "pressure", "take", "eligible", "why"):
        placed[name] = placed["code"].map((told or {}).get(name, {}))
    return _points(placed[[*TREE_COLUMNS, "latitude", "longitude"]])


ROW_COLUMNS = (
    "code",
    "block",
    "row",
    "first",
    "last",
    "season",
    "cultivar",
    "regraft_of",
    "grafts",
    "take",
    "identity",
    "looked_at",
    "off",
    "estimated",
    "accuracy_m",
)


def rows(places: Places, lots: pd.DataFrame) -> Any:
    """Return graft lots as lines along their rows, columns `ROW_COLUMNS`.

    Parameters
    ----------
    lots : a row a lot: ``code, block, row, first, last, season, cultivar, regraft_of, grafts,
        take, identity, looked_at, off``. One whose place is not known is left out.
    """
    import geopandas as gpd
    from shapely import linestrings

    ends = places.stretches(*(lots[name] for name in ("block", "row", "first", "last")))
    drawn = ~np.isnan(ends).any(axis=(1, 2))
    table = lots[drawn].reset_index(drop=True)
    table["estimated"] = True
    grids = {code: places.grid(code) for code in table["block"].unique()}
    table["accuracy_m"] = table["block"].map({k: g.accuracy_m for k, g in grids.items() if g})
    return gpd.GeoDataFrame(table[list(ROW_COLUMNS)], geometry=linestrings(ends[drawn]), crs=WGS84)


POSITION_COLUMNS = ("code", "lot", "block", "row", "position", "cultivar", "take", "identity")


def positions(places: Places, lots: pd.DataFrame, off: Mapping[str, Collection[int]]) -> Any:
    """Return every position of graft lots as a point, columns `POSITION_COLUMNS`.

    Where a regraft covers a position, it is the regraft's: of several of one lot the newest's, one
    of an unknown day last, as for `lineage.standing.now_at`.

    Parameters
    ----------
    lots : as `rows`, with ``date``.
    off : positions found off, by lot.
    """
    count = (lots["last"] - lots["first"] + 1).to_numpy(dtype=int)
    each = lots.assign(turn=_turns(lots)).loc[lots.index.repeat(count)]
    each = each.assign(
        position=each["first"].to_numpy() + each.groupby(level=0).cumcount().to_numpy()
    ).rename(columns={"code": "lot"})
    each = each.sort_values(["turn", "date"], kind="stable").drop_duplicates(
        ["block", "row", "position", "season"], keep="last"
    )
    number = each["position"].astype(int)
    each = each.assign(code=each["lot"] + "/" + number.astype(str), position=number)
    wrong = {f"{lot}/{position}" for lot, its in off.items() for position in its}
    each.loc[each["code"].isin(wrong), "identity"] = "off"
    ends = places.stretches(each["block"], each["row"], number, number)
    at = ends.mean(axis=1)
    each = each.assign(longitude=at[:, 0], latitude=at[:, 1])
    each = each[each["latitude"].notna()].reset_index(drop=True)
    return _points(each[[*POSITION_COLUMNS, "latitude", "longitude"]])


def _turns(lots: pd.DataFrame) -> list[int]:
    """Return how many lots each regrafts, one after the other."""
    regrafts = lots[lots["regraft_of"].notna()]
    before = dict(zip(regrafts["code"], regrafts["regraft_of"], strict=True))

    def turn(code: str) -> int:
        found = 0
        while code in before and found < len(before):
            code, found = before[code], found + 1
        return found

    return [turn(code) for code in lots["code"]]


def _points(table: pd.DataFrame) -> Any:
    """Return a table as points, its latitude and longitude as their geometry."""
    import geopandas as gpd

    at = gpd.points_from_xy(table["longitude"], table["latitude"])
    return gpd.GeoDataFrame(table.drop(columns=["latitude", "longitude"]), geometry=at, crs=WGS84)


def blocks(places: Places, privacy: Privacy) -> Any:
    """Return the outlines of blocks, columns ``code, kind``.

    One without an outline is left out, and one in which every tree's place is private.
    """
    import geopandas as gpd
    from shapely.geometry import shape

    drawn = [
        each
        for each in places.books.blocks
        if each.outline is not None and (privacy.shown or not places.all_private(each.block))
    ]
    return gpd.GeoDataFrame(
        {"code": [each.block for each in drawn], "kind": [each.kind for each in drawn]},
        geometry=[shape(each.outline) for each in drawn],
        crs=WGS84,
    )


def frame(told: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> Any:
    """Return a layer of what is told of each shape, ``geometry`` among it; it may be empty."""
    import geopandas as gpd

    table = pd.DataFrame(told, columns=[*columns, "geometry"])
    return gpd.GeoDataFrame(table, geometry="geometry", crs=WGS84)
