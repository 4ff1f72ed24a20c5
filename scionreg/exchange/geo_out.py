"""Layers as files for other programs: GeoPackage, GeoJSON (RFC 7946), GPX, CSV."""

import datetime as dt
import math
import os
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from scionreg.records.cells import shield
from scionreg.records.errors import RegistryError

DECIMALS = 7
"""Of a degree, in text files: a centimetre."""


def write_layers(layers: Mapping[str, Any], file: str | os.PathLike[str]) -> None:
    """Write layers (GeoDataFrames in WGS 84, by name) as the file's ending says.

    ``.gpkg`` holds a layer each. ``.geojson`` is one collection, the property ``layer`` naming the
    layer. ``.gpx`` (waypoints) and ``.csv`` (with latitude and longitude) hold the layers whose
    shapes are points. A file that was there is replaced, once the new one is whole.

    Raises
    ------
    RegistryError
        The ending is none of these, no layer can be written so, or the file cannot be.
    """
    path = Path(file)
    write = WRITERS.get(path.suffix.lower())
    if write is None:
        raise RegistryError(f"'{path}' is no map file; let its name end in {', '.join(WRITERS)}")
    plain = {name: _plain(layer) for name, layer in layers.items()}
    try:
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".scionreg-") as folder:
            made = Path(folder) / path.name
            write(plain, made)
            made.replace(path)
    except OSError as fault:
        raise RegistryError(f"'{path}' cannot be written: {fault.strerror or fault}") from fault


def _plain(layer: Any) -> Any:
    """Return a layer with days as text and whole numbers that may be missing as such."""
    plain = layer.copy()
    for name in plain.columns.drop("geometry"):
        column = plain[name]
        if str(column.dtype) in ("object", "str", "string"):
            plain[name] = column.map(_text).astype(object)
    return plain


def _text(value: Any) -> Any:
    if isinstance(value, dt.date):
        return value.isoformat()
    missing = value is None or (isinstance(value, float) and math.isnan(value))
    return None if missing else value


def _geopackage(layers: Mapping[str, Any], path: Path) -> None:
    import pyogrio

    for name, layer in layers.items():
        pyogrio.write_dataframe(layer, path, layer=name, driver="GPKG", append=False)


def _geojson(layers: Mapping[str, Any], path: Path) -> None:
    import orjson

    features = [
        feature for name, layer in layers.items() for feature in _features(layer, {"layer": name})
    ]
    path.write_bytes(orjson.dumps({"type": "FeatureCollection", "features": features}))


def _features(layer: Any, also: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield a layer's shapes as RFC 7946 has them: outer rings counter-clockwise, a centimetre."""
    from shapely import orient_polygons, transform
    from shapely.geometry import mapping

    rounded = transform(layer.geometry.to_numpy(), lambda at: at.round(DECIMALS))
    for told, shape in zip(_properties(layer), orient_polygons(rounded), strict=True):
        yield {"type": "Feature", "properties": {**also, **told}, "geometry": mapping(shape)}


def _properties(layer: Any) -> list[dict[str, Any]]:
    """Return what is told of each shape of a layer; None for what is not known."""
    told = layer.drop(columns="geometry").astype(object)
    return list(told.where(told.notna(), None).to_dict("records"))


def _gpx(layers: Mapping[str, Any], path: Path) -> None:
    import gpxpy.gpx

    gpx = gpxpy.gpx.GPX()
    gpx.creator = "scionreg"
    for layer in _of_points(layers).values():
        for told, at in zip(_properties(layer), layer.geometry, strict=True):
            name, cultivar = str(told["code"]), told.get("cultivar") or told.get("label")
            gpx.waypoints.append(
                gpxpy.gpx.GPXWaypoint(
                    round(at.y, DECIMALS), round(at.x, DECIMALS), name=name, description=cultivar
                )
            )
    path.write_text(gpx.to_xml(version="1.1"), encoding="utf-8")


def _of_points(layers: Mapping[str, Any]) -> dict[str, Any]:
    """Return the layers whose shapes are points; refuse where there are none."""
    points = {
        name: each
        for name, each in layers.items()
        if len(each) and (each.geom_type == "Point").all()
    }
    if not points:
        raise RegistryError("no layer here is of points; write a .gpkg or .geojson file instead")
    return points


def _csv(layers: Mapping[str, Any], path: Path) -> None:
    import pandas as pd

    points = [
        each.drop(columns="geometry").assign(
            latitude=each.geometry.y.round(DECIMALS),
            longitude=each.geometry.x.round(DECIMALS),
            layer=name,
        )
        for name, each in _of_points(layers).items()
    ]
    whole = pd.concat([each.astype(object) for each in points], ignore_index=True)
    shielded = whole.map(lambda value: shield(value) if isinstance(value, str) else value)
    shielded.to_csv(path, index=False, lineterminator="\n")


WRITERS = {".gpkg": _geopackage, ".geojson": _geojson, ".gpx": _gpx, ".csv": _csv}
"""How each kind of file is written, by its ending."""
