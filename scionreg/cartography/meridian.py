"""The meridian of 180 degrees: what lies on both sides of it is drawn in one piece."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from scionreg.geodesy.ground import run_on


def in_one_piece(frames: Sequence[Any]) -> list[Any]:
    """Return layers whose longitudes run on past 180 degrees, where they lie on both sides of it.

    Only for drawing: elsewhere longitudes end at 180.
    """
    from shapely import get_coordinates, set_coordinates

    corners = [get_coordinates(each.geometry.to_numpy()) for each in frames]
    longitudes = np.concatenate([np.empty(0), *(each[:, 0] for each in corners)])
    turned = run_on(longitudes)
    if np.array_equal(turned, longitudes):
        return list(frames)
    ends = np.cumsum([len(each) for each in corners])[:-1]
    return [
        each.set_geometry(
            set_coordinates(each.geometry.to_numpy().copy(), np.column_stack([east, at[:, 1]])),
            crs=each.crs,
        )
        for each, at, east in zip(frames, corners, np.split(turned, ends), strict=True)
    ]
