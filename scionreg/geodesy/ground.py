"""Distances on the ellipsoid, and metres on a plane that is true around one place.

Everything is WGS 84, latitude and longitude in degrees; metres are the ellipsoid's.
"""

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Numbers = NDArray[np.float64]
Whole = NDArray[np.int64]


@lru_cache(maxsize=1)
def _ellipsoid() -> Any:
    from pyproj import Geod

    return Geod(ellps="WGS84")


def metres_apart(
    latitude: ArrayLike, longitude: ArrayLike, to_latitude: ArrayLike, to_longitude: ArrayLike
) -> Numbers:
    """Return the geodesic distance between places, in metres; arrays are paired, numbers repeated.

    C. F. F. Karney 2013, Algorithms for geodesics, Journal of Geodesy 87:43-55, in PROJ.
    """
    ends = np.broadcast_arrays(longitude, latitude, to_longitude, to_latitude)
    flat = [np.ascontiguousarray(each, dtype=np.float64).ravel() for each in ends]
    *_, metres = _ellipsoid().inv(*flat)
    return np.asarray(metres, dtype=np.float64).reshape(ends[0].shape)


def run_on(longitude: ArrayLike) -> Numbers:
    """Return longitudes counted on past 180 degrees, if that makes what lies there narrower."""
    degrees = np.asarray(longitude, dtype=np.float64)
    turned = np.where(degrees < 0, degrees + 360, degrees)
    return turned if degrees.size and np.ptp(turned) < np.ptp(degrees) else degrees


class Plane:
    """Metres east and north of a place: the azimuthal equidistant projection about it.

    Distances from the middle are exact; between others they are right to 1 in 10^7 within 5 km.
    """

    def __init__(self, latitude: float, longitude: float) -> None:
        from pyproj import Proj

        self._turned = Proj(proj="aeqd", lat_0=latitude, lon_0=longitude, ellps="WGS84", units="m")

    def metres(self, latitude: ArrayLike, longitude: ArrayLike) -> Numbers:
        """Return metres east and north, with a last axis of 2."""
        east, north = self._turned(np.asarray(longitude), np.asarray(latitude))
        return np.stack([np.asarray(east), np.asarray(north)], axis=-1)

    def degrees(self, metres: ArrayLike) -> tuple[Numbers, Numbers]:
        """Return latitude and longitude of places in metres east and north (last axis of 2)."""
        places = np.asarray(metres, dtype=np.float64)
        longitude, latitude = self._turned(places[..., 0], places[..., 1], inverse=True)
        return np.asarray(latitude), np.asarray(longitude)


def nearby(
    latitude: ArrayLike,
    longitude: ArrayLike,
    to_latitude: ArrayLike,
    to_longitude: ArrayLike,
    most_m: ArrayLike,
) -> list[Whole]:
    """Return, for each place, the numbers of those places to which it is no further than `most_m`.

    Parameters
    ----------
    most_m : metres, one for all or one for each place; as `pairs_near`.
    """
    one, other, _ = pairs_near(latitude, longitude, to_latitude, to_longitude, most_m)
    ends = np.searchsorted(one, np.arange(1, np.size(latitude)))
    return np.split(other, ends) if np.size(latitude) else []


def pairs_near(
    latitude: ArrayLike,
    longitude: ArrayLike,
    to_latitude: ArrayLike,
    to_longitude: ArrayLike,
    most_m: ArrayLike,
) -> tuple[Whole, Whole, Numbers]:
    """Return pairs of places no further apart than `most_m`: both numbers, and the metres.

    Metres are straight through the ground, which within a kilometre is the geodesic to a thousandth
    of a millimetre. The pairs are in the order of their numbers.
    """
    from scipy.spatial import KDTree

    here, there = _straight(latitude, longitude), _straight(to_latitude, to_longitude)
    most = np.asarray(most_m, dtype=np.float64)
    found = KDTree(there).query_ball_point(here, most, return_sorted=True)
    one = np.repeat(np.arange(len(here)), [len(each) for each in found])
    other = np.array([number for each in found for number in each], dtype=np.int64)
    return one, other, np.linalg.norm(here[one] - there[other], axis=1)


def _straight(latitude: ArrayLike, longitude: ArrayLike) -> Numbers:
    """Return places in metres from the middle of the earth, shape (n, 3)."""
    from pyproj import Transformer

    turned = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    north, east = np.atleast_1d(np.asarray(latitude, float), np.asarray(longitude, float))
    return np.stack(turned.transform(east, north, np.zeros_like(north)), axis=-1)


def metres_outside(outline: Mapping[str, Any], latitude: float, longitude: float) -> float:
    """Return how far a place is outside a GeoJSON outline, in metres; 0 within it."""
    from shapely import Point, transform
    from shapely.geometry import shape

    block = shape(outline)
    if block.covers(Point(longitude, latitude)):
        return 0.0
    plane = Plane(latitude, longitude)
    flat = transform(block, lambda at: plane.metres(at[:, 1], at[:, 0]))
    return float(flat.distance(Point(0, 0)))
