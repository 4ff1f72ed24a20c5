"""Files of places: round trips, the rules of RFC 7946, and one clear refusal a bad file."""

import json
import math
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer
from shapely import MultiPoint, Point, box
from shapely.geometry import shape

from scionreg.api import Registry
from scionreg.exchange.geo_in import MOST_BYTES, read_places
from scionreg.exchange.geo_out import DECIMALS, WRITERS, write_layers
from scionreg.records.errors import RegistryError

HOSTILE = "=cmd('x')<img src=x onerror=alert(1)>&\"';\u2028 \U0001f333"


def points(places: list[tuple[float, float]], **columns: Any) -> gpd.GeoDataFrame:
    """Return points, latitude first, named P0, P1 and so on."""
    named = {"code": [f"P{i}" for i in range(len(places))]} | columns
    shapes = [Point(east, north) for north, east in places]
    return gpd.GeoDataFrame(named, geometry=shapes, crs="EPSG:4326")


def outlines() -> gpd.GeoDataFrame:
    """Return a clockwise square with a hole the wrong way round."""
    square = box(5.0, 45.0, 5.1, 45.1, ccw=False) - box(5.04, 45.04, 5.06, 45.06)
    return gpd.GeoDataFrame({"code": ["B"]}, geometry=[square.normalize()], crs="EPSG:4326")


# Round trips


@settings(max_examples=30)
@given(
    st.lists(st.tuples(st.floats(-90, 90), st.floats(-180, 180)), min_size=1, max_size=5),
    st.sampled_from(sorted(WRITERS)),
)
def test_points_come_back_from_every_format(
    tmp_path: Path, places: list[tuple[float, float]], ending: str
) -> None:
    file = tmp_path / f"trees{ending}"
    write_layers({"trees": points(places)}, file)
    back = read_places(file)
    assert [each.name for each in back.points] == [f"P{i}" for i in range(len(places))]
    tolerance = 0 if ending == ".gpkg" else 10**-DECIMALS
    for (north, east), found in zip(places, back.points, strict=True):
        assert found.fix.latitude == pytest.approx(north, abs=tolerance)
        assert found.fix.longitude == pytest.approx(east, abs=tolerance)
    assert [each.name for each in tmp_path.iterdir()] == [file.name]
    file.unlink()


@pytest.mark.parametrize("ending", sorted(WRITERS))
def test_accuracies_and_hostile_names_come_back(tmp_path: Path, ending: str) -> None:
    file = tmp_path / f"trees{ending}"
    write_layers({"t": points([(45, 5)], code=[HOSTILE], accuracy_m=[2.5])}, file)
    (found,) = read_places(file).points
    assert found.name.lstrip("'").split() == HOSTILE.split()
    assert found.fix.accuracy_m == (None if ending == ".gpx" else 2.5)
    if ending == ".csv":
        assert file.read_text(encoding="utf-8").splitlines()[1].startswith("\"'=")


def test_every_layer_of_the_demo_is_in_the_geopackage_and_equal(demo: str, tmp_path: Path) -> None:
    with Registry.open(demo) as registry:
        for what, of in (("mother-trees", ()), ("rows", ()), ("recall", ("C24-0047-1",))):
            layers = registry.layers(what, *of).layers
            write_layers(layers, tmp_path / "map.gpkg")
            assert [name for name, _ in pyogrio.list_layers(tmp_path / "map.gpkg")] == list(layers)
            for name, layer in layers.items():
                back = pyogrio.read_dataframe(tmp_path / "map.gpkg", layer=name)
                assert back.crs == "EPSG:4326"
                assert back.geometry.geom_equals(layer.geometry).all()
                assert back["code"].tolist() == layer["code"].tolist()


def test_geojson_keeps_to_rfc_7946(demo: str, tmp_path: Path) -> None:
    """Longitude first, outer rings counter-clockwise, closed, no `crs`, seven decimals at most."""
    with Registry.open(demo) as registry:
        layers = registry.layers("mother-trees").layers | {"hole": outlines()}
    write_layers(layers, tmp_path / "map.geojson")
    found = json.loads((tmp_path / "map.geojson").read_bytes())
    assert set(found) == {"type", "features"}
    assert found["type"] == "FeatureCollection"
    assert [each["properties"]["layer"] for each in found["features"]] == [
        name for name, layer in layers.items() for _ in range(len(layer))
    ]
    for feature in found["features"]:
        assert set(feature) == {"type", "properties", "geometry"}
        geometry = shape(feature["geometry"])
        flat = [x for ring in coordinates(feature["geometry"]["coordinates"]) for x in ring]
        assert all(round(x, 7) == x for x in flat)
        west, south, east, north = geometry.bounds
        assert -180 <= west <= east <= 180
        assert -90 <= south <= north <= 90
        if geometry.geom_type == "Polygon":
            outer, *holes = feature["geometry"]["coordinates"]
            assert outer[0] == outer[-1]
            assert shape({"type": "LinearRing", "coordinates": outer}).is_ccw
            assert not any(shape({"type": "LinearRing", "coordinates": h}).is_ccw for h in holes)
    trees = [each for each in found["features"] if each["properties"]["layer"] == "trees"]
    assert {type(each["properties"]["estimated"]) for each in trees} == {bool}
    assert {type(each["properties"]["row"]) for each in trees} == {int}


def coordinates(nested: Any) -> list[list[float]]:
    """Return the places of nested coordinates."""
    if isinstance(nested[0], int | float):
        return [nested]
    return [place for each in nested for place in coordinates(each)]


def test_a_file_is_replaced_and_a_refusal_leaves_it(tmp_path: Path) -> None:
    file = tmp_path / "map.gpkg"
    write_layers({"old": points([(45, 5)])}, file)
    write_layers({"new": points([(46, 6)])}, file)
    assert [name for name, _ in pyogrio.list_layers(file)] == ["new"]
    (tmp_path / "t.csv").write_text("kept")
    with pytest.raises(RegistryError, match="no layer here is of points"):
        write_layers({"blocks": outlines()}, tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_text() == "kept"
    with pytest.raises(RegistryError, match=r"let its name end in .gpkg, .geojson, .gpx, .csv"):
        write_layers({"t": points([(45, 5)])}, tmp_path / "t.kml")
    with pytest.raises(RegistryError, match="cannot be written: No such file"):
        write_layers({"t": points([(45, 5)])}, tmp_path / "no" / "t.csv")


# Any coordinate system


def test_other_coordinate_systems_are_turned_to_wgs_84(tmp_path: Path) -> None:
    frame = points([(36.4187, -95.7709)], accuracy=[1.5])
    frame.to_crs("EPSG:32615").to_file(tmp_path / "utm.gpkg", layer="trees", driver="GPKG")
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True).transform(
        -95.7709, 36.4187
    )
    (tmp_path / "utm.csv").write_text(f"Code,Easting,Northing,accuracy\nP0,{east},{north},1.5\n")
    old = frame.to_crs("EPSG:32615").__geo_interface__
    old["crs"] = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32615"}}
    (tmp_path / "old.geojson").write_text(json.dumps(old))
    for name, crs in (("utm.gpkg", ""), ("utm.csv", "EPSG:32615"), ("old.geojson", "")):
        (found,) = read_places(tmp_path / name, crs=crs).points
        assert found.name == "P0"
        assert found.fix.latitude == pytest.approx(36.4187, abs=1e-7)
        assert found.fix.longitude == pytest.approx(-95.7709, abs=1e-7)
        assert found.fix.accuracy_m == 1.5


@pytest.mark.parametrize("ending", [".gpkg", ".geojson"])
def test_shapes_of_one_point_each_are_points(tmp_path: Path, ending: str) -> None:
    at = [MultiPoint([(5.0, 45.0)]), MultiPoint([(5.0, 45.0), (5.1, 45.0)])]
    frame = gpd.GeoDataFrame({"name": ["T1", "T2"]}, geometry=at, crs="EPSG:4326")
    frame.to_file(tmp_path / f"many{ending}")
    found = read_places(tmp_path / f"many{ending}")
    assert [each.name for each in found.points] == ["T1"]
    assert found.other == 1


def test_heights_lines_and_empty_shapes_do_no_harm(tmp_path: Path) -> None:
    line = {"type": "LineString", "coordinates": [[5, 45], [6, 46]]}
    features: list[dict[str, Any]] = [
        {"geometry": {"type": "Point", "coordinates": [5, 45, 230.5]}, "properties": {"name": 7}},
        {"geometry": line, "properties": {}},
        {"geometry": None, "properties": None},
        {"geometry": {"type": "Point", "coordinates": []}, "properties": {}},
    ]
    whole = {"type": "FeatureCollection", "features": [{"type": "Feature"} | f for f in features]}
    (tmp_path / "t.json").write_text(json.dumps(whole))
    found = read_places(tmp_path / "t.json")
    assert [(each.name, each.fix[:2]) for each in found.points] == [("7", (45, 5))]
    assert found.other == 1
    (tmp_path / "one.json").write_text(json.dumps({"type": "Feature"} | features[0]))
    assert len(read_places(tmp_path / "one.json").points) == 1


# Bad files

GPX = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">{}</gpx>'
BAD: dict[str, tuple[bytes, str]] = {
    "entities.gpx": (
        b'<!DOCTYPE g [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>' + GPX.format("&b;").encode(),
        "it defines entities",
    ),
    "torn.gpx": (GPX.format("<wpt").encode(), "is no GPX file that can be read"),
    "notes.gpx": (b"two rows by the barn", "is no GPX file that can be read"),
    "other.gpx": (GPX.format("").encode().replace(b"gpx", b"kml"), "torn|no GPX|no places"),
    "latin.gpx": (b"\xff\xfe<gpx>", "it is not UTF-8"),
    "empty.gpx": (GPX.format("").encode(), "holds no places"),
    "words.gpx": (GPX.format('<wpt lat="north" lon="5"/>').encode(), "no GPX file|is no place"),
    "far.gpx": (GPX.format('<wpt lat="95" lon="5"><name>A</name></wpt>').encode(), "A: 95"),
    "torn.geojson": (b'{"type": "FeatureCollection", "features": [', "is no GeoJSON file"),
    "list.geojson": (b"[1, 2]", "is no GeoJSON file"),
    "deep.geojson": (b"[" * 200_000, "is no GeoJSON file"),
    "number.geojson": (b"7", "is no GeoJSON file"),
    "shape.geojson": (
        b'{"type":"Feature","properties":{},"geometry":{"type":"Blob","coordinates":[1]}}',
        "is no GeoJSON file",
    ),
    "text.geojson": (
        b'{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":["a","b"]}}',
        "is no GeoJSON file",
    ),
    "crs.geojson": (
        b'{"type":"FeatureCollection","crs":{"properties":{"name":"moon"}},"features":[{"type":'
        b'"Feature","properties":{},"geometry":{"type":"Point","coordinates":[5,45]}}]}',
        "is no GeoJSON file",
    ),
    "far.geojson": (
        b'{"type":"Feature","properties":{"tree":"A"},"geometry":{"type":"Point",'
        b'"coordinates":[5,450]}}',
        "A: 450.0 5.0 is no place",
    ),
    "accuracy.geojson": (
        b'{"type":"Feature","properties":{"tree":"A","accuracy":-3},"geometry":'
        b'{"type":"Point","coordinates":[5,45]}}',
        "A: '-3' is no accuracy",
    ),
    "binary.geojson": (bytes(range(256)), "is no GeoJSON file"),
    "link.gpkg": (b"<OGRVRTDataSource><SrcDataSource>/etc/passwd", "it is no database file"),
    "torn.gpkg": (b"SQLite format 3\x00" + b"\x00" * 300, "is no GeoPackage that can be read"),
    "empty.gpkg": (b"", "it is no database file"),
    "columns.csv": (b"tree,when\nA,today\n", "has no column 'latitude'"),
    "words.csv": (b"tree,lat,lon\nA,north,5\n", "A: north 5 is no place"),
    "swapped.csv": (b"tree,lat,lon\nA,-95.77,36.41\n", "A: -95.77 36.41 is no place"),
    "nan.csv": (b"tree,lat,lon\nA,nan,inf\n", "is no place"),
    "half.csv": (b"tree,lat,lon\nA,45,\n", "A: 45 None is no place"),
    "accuracy.csv": (b"tree,lat,lon,accuracy\nA,45,5,good\n", "A: 'good' is no accuracy"),
    "quotes.csv": (b'tree,lat,lon\n"A"x,45,5\n', "is no CSV file that can be read"),
    "latin.csv": (b"tree,lat,lon\n\xe4,45,5\n", "it is not UTF-8"),
    "nothing.csv": (b"", "has no column 'latitude'"),
    "blank.csv": (b"tree,lat,lon\n,,\n", "holds no places"),
    "table.xlsx": (b"PK", "is none of the files that hold places"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_refused_with_one_sentence(tmp_path: Path, name: str) -> None:
    content, says = BAD[name]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(RegistryError, match=says) as refused:
        read_places(tmp_path / name)
    said = str(refused.value)
    assert name in said
    assert "\n" not in said
    assert len(said) < 400


def test_other_refusals(tmp_path: Path) -> None:
    with pytest.raises(RegistryError, match="cannot be read: No such file"):
        read_places(tmp_path / "gone.gpx")
    (tmp_path / "t.csv").write_text("x,y\n5,45\n")
    with pytest.raises(RegistryError, match="'moon' is no coordinate system"):
        read_places(tmp_path / "t.csv", crs="moon")
    (tmp_path / "w.csv").write_text("x,y\na,b\n")
    with pytest.raises(RegistryError, match="'b' 'a' are no coordinates"):
        read_places(tmp_path / "w.csv", crs="EPSG:32615")
    (tmp_path / "t.gpx").write_text(GPX)
    with pytest.raises(RegistryError, match="--crs is for CSV"):
        read_places(tmp_path / "t.gpx", crs="EPSG:32615")
    with (tmp_path / "large.csv").open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    with pytest.raises(RegistryError, match="larger than 200 MB"):
        read_places(tmp_path / "large.csv")
    frame = points([(45, 5)]).set_crs(None, allow_override=True)
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        pyogrio.write_dataframe(frame, tmp_path / "nowhere.gpkg", driver="GPKG")
    with pytest.raises(RegistryError, match="does not say its coordinate system"):
        read_places(tmp_path / "nowhere.gpkg")


@given(st.binary(max_size=300), st.sampled_from([".gpx", ".geojson", ".csv", ".gpkg"]))
def test_whatever_is_in_a_file_nothing_but_a_refusal_comes_out(
    tmp_path: Path, content: bytes, ending: str
) -> None:
    file = tmp_path / f"any{ending}"
    file.write_bytes(content)
    with suppress(RegistryError):
        found = read_places(file)
        assert all(math.isfinite(each.fix.latitude) for each in found.points)


def test_the_command_writes_nothing_for_a_bad_file(run: Callable[..., Any], demo: str) -> None:
    Path("bad.csv").write_text("tree,lat,lon\nA,-95.77,36.41\n")
    said = run("survey", "bad.csv", "--registry", demo)
    assert said.code == 1
    assert said.err.startswith("refused: bad.csv: A: -95.77 36.41 is no place")
