"""Places from other programs: GPX, GeoJSON, GeoPackage and CSV, brought to WGS 84."""

import csv
import json
import math
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scionreg.geodesy.fixes import Fix
from scionreg.records.errors import RegistryError

NAMES = ("tree", "code", "block", "name", "title", "label", "id")
"""Columns that a place's name is looked for in, the first that is there and filled."""
LATITUDES, LONGITUDES = ("latitude", "lat", "y"), ("longitude", "lon", "lng", "long", "x")
NORTHINGS, EASTINGS = ("northing", "y", "latitude"), ("easting", "x", "longitude")
ACCURACIES = ("accuracy_m", "accuracy", "horizontal_accuracy", "hacc")
MOST_BYTES = 200_000_000
WGS84 = "EPSG:4326"


@dataclass(frozen=True, slots=True, kw_only=True)
class Waypoint:
    """A place by the name that somebody gave it."""

    name: str
    fix: Fix


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveyed:
    """What a file holds: points, and outlines (GeoJSON geometries) by name; `other` shapes."""

    points: tuple[Waypoint, ...]
    outlines: tuple[tuple[str, dict[str, Any]], ...] = ()
    other: int = 0


def read_places(path: Path, *, crs: str = "") -> Surveyed:
    """Read points and outlines from a file.

    Parameters
    ----------
    path : ``.gpx`` (waypoints), ``.geojson`` or ``.json``, ``.gpkg``, ``.csv``.
    crs : coordinate system of a CSV file's coordinates, as ``EPSG:32614``; else WGS 84. The other
        formats say theirs.

    Raises
    ------
    RegistryError
        The file cannot be read, or a place in it is off the globe; the message names it.
    """
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        raise RegistryError(f"'{path}' is none of the files that hold places: {', '.join(READERS)}")
    if crs and reader is not _read_csv:
        raise RegistryError(f"{path.name} says its own coordinate system; --crs is for CSV files")
    try:
        if path.stat().st_size > MOST_BYTES:
            raise RegistryError(f"{path.name} is larger than {MOST_BYTES // 1_000_000} MB")
        found = _read_csv(path, crs or WGS84) if reader is _read_csv else reader(path)
    except OSError as fault:
        raise RegistryError(f"{path} cannot be read: {fault.strerror or fault}") from fault
    if not found.points and not found.outlines:
        raise RegistryError(f"{path.name} holds no places: no points, and no outlines")
    return found


def _unreadable(path: Path, what: str, why: object) -> RegistryError:
    said = " ".join(str(why).split())[:200]
    return RegistryError(f"{path.name} is no {what} that can be read ({said})")


def _waypoint(path: Path, name: str, latitude: Any, longitude: Any, accuracy: Any) -> Waypoint:
    """Return a waypoint; refuse coordinates that are none, naming where they stand."""
    try:
        north, east = float(latitude), float(longitude)
    except (TypeError, ValueError):
        north = east = math.nan
    if not (abs(north) <= 90 and abs(east) <= 180):
        raise RegistryError(
            f"{path.name}: {name or 'a place without a name'}: {latitude} {longitude} is no place; "
            "degrees north are from -90 to 90, degrees east from -180 to 180"
        )
    return Waypoint(name=name, fix=Fix(north, east, _metres(path, name, accuracy)))


def _metres(path: Path, name: str, accuracy: Any) -> float | None:
    if accuracy is None or str(accuracy).strip() in ("", "nan"):
        return None
    try:
        metres = float(accuracy)
    except ValueError:
        metres = math.nan
    if not 0 < metres <= 100_000:
        raise RegistryError(
            f"{path.name}: {name or 'a place without a name'}: '{accuracy}' is no accuracy; write "
            "the radius that holds the place at 68 %, in metres"
        )
    return metres


def _first(told: Mapping[str, Any], names: Sequence[str]) -> Any:
    """Return the first filled value under any of some names, whatever their case."""
    by_name = {str(name).strip().lower(): value for name, value in told.items()}
    for name in names:
        value = by_name.get(name)
        if value is not None and str(value).strip() not in ("", "nan", "None"):
            return value
    return None


def _name(told: Mapping[str, Any]) -> str:
    value = _first(told, NAMES)
    if isinstance(value, float) and value.is_integer():
        value = int(value)  # a column of numbers with gaps in it
    return "" if value is None else str(value).strip()


# GPX


def _read_gpx(path: Path) -> Surveyed:
    import gpxpy
    from gpxpy.gpx import GPXException

    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as fault:
        raise _unreadable(path, "GPX file", "it is not UTF-8") from fault
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise _unreadable(path, "GPX file", "it defines entities, which GPX has no use for")
    try:
        gpx = gpxpy.parse(text)
    except (GPXException, ValueError, TypeError, AttributeError, RecursionError) as fault:
        raise _unreadable(path, "GPX file", fault) from fault
    return Surveyed(
        points=tuple(
            _waypoint(path, (each.name or "").strip(), each.latitude, each.longitude, None)
            for each in gpx.waypoints
        ),
        other=len(gpx.tracks) + len(gpx.routes),
    )


# GeoJSON and GeoPackage


def _read_geojson(path: Path) -> Surveyed:
    import geopandas as gpd
    from pyproj.exceptions import CRSError
    from shapely.errors import ShapelyError

    try:
        said = json.loads(path.read_text(encoding="utf-8-sig"))
        features = said["features"] if said["type"] == "FeatureCollection" else [said]
        # RFC 7946 knows WGS 84 only; files from before it may name another.
        named = (said.get("crs") or {}).get("properties", {}).get("name", WGS84)
        frame = gpd.GeoDataFrame.from_features(
            [each for each in features if each.get("geometry")], columns=None, crs=named
        )
    except UnicodeDecodeError as fault:
        raise _unreadable(path, "GeoJSON file", "it is not UTF-8") from fault
    except (
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        IndexError,
        RecursionError,
        CRSError,
        ShapelyError,
    ) as fault:
        raise _unreadable(path, "GeoJSON file", fault or type(fault).__name__) from fault
    return _of_frames(path, [frame])


def _read_geopackage(path: Path) -> Surveyed:
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, GeometryError

    # What is no database would be opened as whatever else it looks like, links to elsewhere too.
    with path.open("rb") as file:
        if file.read(16) != b"SQLite format 3\x00":
            raise _unreadable(path, "GeoPackage", "it is no database file")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            layers = [name for name, kind in pyogrio.list_layers(path) if kind is not None]
            frames = [pyogrio.read_dataframe(path, layer=name) for name in layers]
    except (DataSourceError, DataLayerError, FeatureError, GeometryError, ValueError) as fault:
        raise _unreadable(path, "GeoPackage", fault) from fault
    return _of_frames(path, frames)


def _of_frames(path: Path, frames: Sequence[Any]) -> Surveyed:
    """Return the points and outlines of GeoDataFrames, whatever their coordinate system."""
    points: list[Waypoint] = []
    outlines: list[tuple[str, dict[str, Any]]] = []
    other = 0
    for frame in frames:
        for told, shape in _shapes(path, frame):
            if shape.geom_type == "Point":
                accuracy = _first(told, ACCURACIES)
                points.append(_waypoint(path, _name(told), shape.y, shape.x, accuracy))
            elif shape.geom_type in ("Polygon", "MultiPolygon"):
                outlines.append((_name(told), shape.__geo_interface__))
            else:
                other += 1
    return Surveyed(points=tuple(points), outlines=tuple(outlines), other=other)


def _shapes(path: Path, frame: Any) -> Iterator[tuple[dict[str, Any], Any]]:
    from shapely import force_2d

    if not len(frame):
        return
    frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    if frame.crs is None:
        raise RegistryError(f"{path.name} does not say its coordinate system")
    turned = frame.to_crs(WGS84)
    told = turned.drop(columns=turned.geometry.name).to_dict("records")
    yield from zip(told, map(_one_of, force_2d(turned.geometry.to_numpy())), strict=True)


def _one_of(shape: Any) -> Any:
    """Return the point that a shape of several consists of: programs write all points as such."""
    return shape.geoms[0] if shape.geom_type == "MultiPoint" and len(shape.geoms) == 1 else shape


# CSV


def _read_csv(path: Path, crs: str = WGS84) -> Surveyed:
    plane = _plane(crs) if crs != WGS84 else None
    norths, easts = (NORTHINGS, EASTINGS) if plane else (LATITUDES, LONGITUDES)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            header = {str(name).strip().lower() for name in reader.fieldnames or ()}
            for names, what in ((norths, norths[0]), (easts, easts[0])):
                if not header & set(names):
                    raise RegistryError(f"{path.name} has no column '{what}' ({', '.join(names)})")
            points = []
            for row in reader:
                north, east = _first(row, norths), _first(row, easts)
                if north is None and east is None:
                    continue
                if plane is not None:
                    north, east = _turned(plane, path, north, east)
                name = _name(row) or f"line {reader.line_num}"
                points.append(_waypoint(path, name, north, east, _first(row, ACCURACIES)))
    except UnicodeDecodeError as fault:
        raise _unreadable(path, "CSV file", "it is not UTF-8") from fault
    except csv.Error as fault:
        raise _unreadable(path, "CSV file", fault) from fault
    return Surveyed(points=tuple(points))


def _plane(crs: str) -> Any:
    from pyproj import Transformer
    from pyproj.exceptions import CRSError

    try:
        return Transformer.from_crs(crs, WGS84, always_xy=True)
    except CRSError as fault:
        raise RegistryError(
            f"'{crs}' is no coordinate system; write it as EPSG:32614, say"
        ) from fault


def _turned(plane: Any, path: Path, north: Any, east: Any) -> tuple[Any, Any]:
    try:
        longitude, latitude = plane.transform(float(east), float(north))
    except (TypeError, ValueError):
        raise RegistryError(f"{path.name}: '{north}' '{east}' are no coordinates") from None
    return latitude, longitude


READERS = {
    ".gpx": _read_gpx,
    ".geojson": _read_geojson,
    ".json": _read_geojson,
    ".gpkg": _read_geopackage,
    ".csv": _read_csv,
}
"""How each kind of file is read, by its ending."""
