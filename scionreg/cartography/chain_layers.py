"""Layers of a chain: where something came from, and what else shares its source.

`Placed` gives the place of a tree or lot; what has none, or is private, is not drawn, and neither
are lines that would end there.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from scionreg.cartography.layers import WGS84, frame
from scionreg.cartography.places import Places
from scionreg.lineage.place_books import LotPlace
from scionreg.lineage.recall import Recall
from scionreg.lineage.trace import Source, Trace

CHAIN_COLUMNS = (
    "code",
    "kind",
    "label",
    "grade",
    "date",
    "generation",
    "share",
    "estimated",
    "accuracy_m",
)
LINE_COLUMNS = ("code", "to", "grade", "date", "generation", "share")
RECALL_COLUMNS = ("code", "kind", "grade", "share", "estimated", "accuracy_m")


@dataclass(frozen=True)
class Placed:
    """Trees (as `Places.trees`, private ones dealt with) and graft lots that have a place."""

    places: Places
    trees: pd.DataFrame
    lots: Mapping[str, LotPlace]

    def shape(self, code: str, position: int | None = None) -> dict[str, Any] | None:
        """Return the geometry of a tree, lot, or position of a lot, and how sure it is."""
        if code in self._tree:
            tree = self._tree[code]
            return {"geometry": _point(tree["longitude"], tree["latitude"])} | {
                name: tree[name] for name in ("estimated", "accuracy_m")
            }
        lot = self.lots.get(code)
        if lot is None:
            return None
        first, last = (lot.first, lot.last) if position is None else (position, position)
        ends = self.places.stretches([lot.block], [lot.row], [first], [last])[0]
        grid = self.places.grid(lot.block)
        if grid is None:
            return None
        at = ends.mean(axis=0)
        geometry = _line(ends) if position is None else _point(*at)
        return {"geometry": geometry, "estimated": True, "accuracy_m": grid.accuracy_m}

    @cached_property
    def _tree(self) -> dict[str, dict[str, Any]]:
        placed = self.trees[self.trees["latitude"].notna()]
        rows: list[dict[Any, Any]] = placed.to_dict("records")
        return {row["code"]: row for row in rows}


def _point(longitude: float, latitude: float) -> Any:
    from shapely import Point

    return Point(longitude, latitude)


def _line(ends: Any) -> Any:
    from shapely import LineString

    return LineString(np.asarray(ends))


def trace(found: Trace, placed: Placed, cultivars: Mapping[str, str]) -> dict[str, Any]:
    """Return the layers of a trace: ``rows``, ``lines`` and ``places``, the lowest first.

    Columns of places and rows `CHAIN_COLUMNS`, of lines `LINE_COLUMNS`. What was asked about is of
    kind ``asked``, generation 0, a lot on the way ``graft lot``, a source ``mother tree``. A line
    leads from what was grown to the tree that the wood came from.
    """
    lot, _, position = found.code.partition("/")
    asked = placed.shape(lot, int(position) if position else None)
    shapes: list[dict[str, Any]] = []
    lines: list[dict[str, Any]] = []
    if asked is not None:
        shapes.append({"code": found.code, "kind": "asked", "generation": 0, **asked})
    for source in found.sources:
        told = {
            "grade": source.grade.value,
            "date": source.date,
            "generation": source.generation,
            "share": source.share,
        }
        tree = placed.shape(source.tree) if source.tree else None
        start, at = _grown(source, found.code, placed, asked)
        if at is not None:
            shapes.append({"code": start, "kind": "graft lot", **told, **at})
        if tree is None or source.tree is None:
            continue
        known = {"code": source.tree, "label": cultivars.get(source.tree)}
        shapes.append({"kind": "mother tree", **known, **told, **tree})
        if at is not None and start != source.tree:
            ends = [at["geometry"].centroid.coords[0], tree["geometry"].coords[0]]
            lines.append({"code": start, "to": source.tree, **told, "geometry": _line(ends)})
    drawn = _once(shapes)
    return {
        "rows": frame([s for s in drawn if s["geometry"].length > 0], CHAIN_COLUMNS),
        "lines": frame(lines, LINE_COLUMNS),
        "places": frame([s for s in drawn if s["geometry"].length == 0], CHAIN_COLUMNS),
    }


def _grown(
    source: Source, asked: str, placed: Placed, asked_shape: dict[str, Any] | None
) -> tuple[str, dict[str, Any] | None]:
    """Return what was grown from a source's wood, the nearest that has a place, and that place."""
    for code in reversed(source.path[:-1]):
        if code in (asked, asked.partition("/")[0]):
            break
        shape = placed.shape(code)
        if shape is not None:
            return code, shape
    return asked, asked_shape


def _once(shapes: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the shapes with one a code: a tree may be a source on several days."""
    found: dict[str, dict[str, Any]] = {}
    for each in shapes:
        found.setdefault(each["code"], each)
    return list(found.values())


def recall(found: Recall, asked: Sequence[str], placed: Placed) -> dict[str, Any]:
    """Return the layers ``rows`` and ``trees`` of a recall, columns `RECALL_COLUMNS`.

    The trees are those asked about or cut for it (kind ``source``), and those grown from it.
    """
    trees: list[dict[str, Any]] = [{"code": code, "kind": "source"} for code in asked]
    trees += [
        {"code": tree.tree, "kind": "mother tree", "grade": tree.grade.value, "share": tree.share}
        for tree in found.mother_trees
    ]
    return {
        "rows": _recalled_rows(found, placed),
        "trees": frame(_once(_shaped(trees, placed)), RECALL_COLUMNS),
    }


def _recalled_rows(found: Recall, placed: Placed) -> Any:
    import geopandas as gpd
    from shapely import linestrings

    stand = [
        placed.lots[each.graft_lot] for each in found.graft_lots if each.graft_lot in placed.lots
    ]
    reached = {each.graft_lot: each for each in found.graft_lots}
    ends = placed.places.stretches(
        *([getattr(each, name) for each in stand] for name in ("block", "row", "first", "last"))
    )
    drawn = ~np.isnan(ends).any(axis=(1, 2))
    lots = [stand[number] for number in np.flatnonzero(drawn)]
    grids = [placed.places.grid(lot.block) for lot in lots]
    table = pd.DataFrame(
        {
            "code": [lot.lot for lot in lots],
            "kind": "graft lot",
            "grade": [reached[lot.lot].grade.value for lot in lots],
            "share": [reached[lot.lot].share for lot in lots],
            "estimated": True,
            "accuracy_m": [grid.accuracy_m if grid else None for grid in grids],
        },
        columns=list(RECALL_COLUMNS),
    )
    return gpd.GeoDataFrame(table, geometry=linestrings(ends[drawn]), crs=WGS84)


def _shaped(told: Iterable[dict[str, Any]], placed: Placed) -> list[dict[str, Any]]:
    shapes = ((each, placed.shape(each["code"])) for each in told)
    return [each | shape for each, shape in shapes if shape is not None]
