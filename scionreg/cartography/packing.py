"""Features as short JSON: whole numbers for places, words once, runs of the same value once.

Places are steps of 1e-7 degrees (about 1 cm) from the place before. `maps/page.js` unpacks.
"""

from typing import Any

import numpy as np
import pandas as pd
import shapely

from scionreg.records.errors import RegistryError

STEP = 1e7
"""Steps in a degree."""
KINDS = {0: "point", 1: "line", 3: "area"}
"""What a page draws, by the number that shapely has for it."""


def pack_places(shapes: Any) -> dict[str, Any]:
    """Return n shapes, all points, all lines or all polygons, as one list of steps.

    ``lat`` and ``lon`` are those of all corners; ``parts`` says how many of them each shape has,
    points excepted. Of a polygon only the outer ring is kept.

    Raises
    ------
    RegistryError
        Shapes of several kinds, or of a kind that is not drawn.
    """
    found = np.asarray(shapes, dtype=object)
    numbers = set(np.unique(shapely.get_type_id(found)).tolist())
    if len(numbers) > 1 or not numbers <= set(KINDS):
        raise RegistryError("a layer of a map is of points, of lines or of polygons")
    kind = KINDS[numbers.pop()] if numbers else "point"
    if kind == "area":
        found = shapely.get_exterior_ring(found)
    corners = shapely.get_coordinates(found)
    packed: dict[str, Any] = {"kind": kind, "lat": _steps(corners[:, 1])}
    packed["lon"] = _steps(corners[:, 0])
    if kind != "point":
        packed["parts"] = pack_values(pd.Series(shapely.get_num_coordinates(found)))
    return packed


def _steps(degrees: np.ndarray) -> list[int]:
    whole = np.rint(degrees * STEP).astype(np.int64)
    return [int(step) for step in np.diff(whole, prepend=0)]


def pack_values(values: "pd.Series[Any]") -> dict[str, Any]:
    """Return a column as its different values and which of them each place has.

    ``words`` are the values; ``at`` their numbers, -1 for none; or ``runs``: number, how often,
    number, how often. Values that seldom repeat are a plain ``list``.
    """
    numbers, words = pd.factorize(values)
    if len(words) > len(values) / 2:
        return {"list": [_plain(value) for value in values]}
    starts = np.flatnonzero(np.diff(numbers, prepend=-2))
    packed: dict[str, Any] = {"words": [_plain(word) for word in words]}
    if 2 * len(starts) < len(numbers):
        lengths = np.diff(starts, append=len(numbers))
        packed["runs"] = np.column_stack([numbers[starts], lengths]).ravel().tolist()
    else:
        packed["at"] = numbers.tolist()
    return packed


def _plain(value: Any) -> Any:
    """Return what JSON can hold of one value; None for none."""
    if value is None or value is pd.NA or value != value:
        return None
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(f"{value:.6g}")
    return str(value)
