"""Layers: a GeoDataFrame each of what is drawn, in WGS 84 (EPSG:4326), with plain columns.

Trees come as `Places.trees` gives them, with private places dealt with (`Privacy.keep`).
"""

from collections.abc import Mapping
from typing import Any

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
    told : for each of ``identity``, ``pressure`` and ``take`` what is known, by tree.
    """
    placed = stands[stands["latitude"].notna()].reset_index(drop=True)
    for name in ("identity", "pressure", "take"):
        placed[name] = placed["code"].map((told or {}).get(name, {}))
    return _points(placed[[*TREE_COLUMNS, "latitude", "longitude"]])


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
