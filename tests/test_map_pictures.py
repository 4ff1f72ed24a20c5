"""Maps on paper: what is drawn, said and counted, and that nothing covers anything else."""

import html
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nursery import add
from shapely import LineString, Point, box

from scionreg.api import Registry
from scionreg.cartography.page import MapPage, Shown
from scionreg.cartography.symbols import LINES, SHAPES
from scionreg.documents import map_pictures
from scionreg.documents.map_pictures import EDGE, LONG, draw_map
from scionreg.geodesy.ground import Plane
from scionreg.records.errors import RegistryError
from scionreg.registry.store import Store

PLANE = Plane(36.4, -95.8)
HOSTILE = "$x^2$ <b>&\"'"


@pytest.fixture(scope="module")
def nursery(demo: str) -> Iterator[Registry]:
    with Registry.open(demo) as registry:
        yield registry


def texts(file: Path) -> str:
    """Return what stands in a picture's comments: matplotlib writes each text there."""
    tree = ET.parse(file, ET.XMLParser(target=ET.TreeBuilder(insert_comments=True)))
    return "\n".join(
        html.unescape(each.text or "").strip()
        for each in tree.iter()
        if not isinstance(each.tag, str)
    )


def page(shapes: list[Any], **columns: Any) -> MapPage:
    """Return a page of shapes given in metres, and a block around them."""
    turned = []
    for each in shapes:
        north, east = PLANE.degrees(list(each.coords))
        turned.append(type(each)(zip(east, north, strict=True)))
    frame = gpd.GeoDataFrame(
        {"code": [f"T{i}" for i in range(len(shapes))]} | columns,
        geometry=turned,
        crs="EPSG:4326",
    )
    ground = gpd.GeoDataFrame({"code": [HOSTILE]}, geometry=[box(-95.81, 36.39, -95.79, 36.41)])
    return MapPage(
        title=f"Trees {HOSTILE}",
        says=("Two trees. A click on one says more.",),
        cautions=("Mind the knife.",),
        layers=(
            Shown(name="blocks", frame=ground.set_crs("EPSG:4326"), background=True),
            Shown(name="trees", frame=frame, themes=("status", "plain"), label="code"),
        ),
    )


@pytest.mark.parametrize(
    ("what", "of"),
    [
        ("mother-trees", ()),
        ("rows-by-take", ()),
        ("trace", ("G24-0029-6/6",)),
        ("recall", ("C24-0047-1",)),
        ("walk", ("T24-0001-5", "T24-0010-6")),
        ("confusion", ()),
    ],
)
def test_every_map_is_drawn_with_title_legend_and_what_is_said(
    nursery: Registry, tmp_path: Path, what: str, of: tuple[str, ...]
) -> None:
    options = {"tell": ("identity",)} if what == "mother-trees" else {}
    found = nursery.map_page(what, *of, **options)
    draw_map(found, tmp_path / "map.svg")
    said = texts(tmp_path / "map.svg")
    assert found.title in said
    assert "N ▲" in said
    assert all(caution.split(". ")[0].split(":")[0][:40] in said for caution in found.cautions)
    for layer in found.layers:
        if not layer.background and not layer.frame.empty and not layer.from_m:
            assert f"({len(layer.frame):,})" in said or len(layer.themes) > 0
    draw_map(found, tmp_path / "map.png")
    assert (tmp_path / "map.png").read_bytes().startswith(b"\x89PNG")


def test_the_legend_counts_every_tree(nursery: Registry, tmp_path: Path) -> None:
    found = nursery.map_page("mother-trees", tell=("identity",))
    draw_map(found, tmp_path / "map.svg", by="identity")
    said = texts(tmp_path / "map.svg")
    trees = nursery.layers("mother-trees", tell=("identity",)).layers["trees"]
    for status, number in trees["identity"].value_counts().items():
        says = next(
            each.says for each in map_pictures.theme("identity").looks if each.word == status
        )
        assert f"{says} ({number:,})" in said
    assert "private places are left out" in said
    assert "click" not in said


def test_the_legend_is_within_the_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    figures: list[Any] = []
    monkeypatch.setattr(map_pictures, "save_picture", lambda figure, _: figures.append(figure))
    words = ["leave", "stop", "start", "finish", "gate"]
    upright = [Point(0, 9 * number) for number in range(len(words))]
    told = page(upright, status="usable", stop=words, estimated=True)
    stops = [replace(each, themes=("stop",)) for each in told.layers if not each.background]
    draw_map(replace(told, layers=(*stops, *stops)), tmp_path / "map.png")
    (figure,) = figures
    (legend,) = figure.legends
    around = legend.get_window_extent()
    assert len(legend.get_texts()) == 2 * (len(words) + 1)
    assert 0 <= around.x0 < around.x1 <= figure.bbox.width
    assert around.y1 <= figure.axes[0].bbox.y0 + 1
    assert figure.texts[-1].get_window_extent().y1 <= around.y0


def test_names_are_text_and_estimates_are_marked(tmp_path: Path) -> None:
    shapes = [Point(0, 0), Point(12, 5)]
    found = page(shapes, status=["usable", "retired"], estimated=[False, True])
    draw_map(found, tmp_path / "map.svg")
    said = texts(tmp_path / "map.svg")
    assert f"Trees {HOSTILE}" in said
    assert HOSTILE in said.splitlines()
    assert {"T0", "T1", "recorded as usable (1)", "retired (1)"} <= set(said.splitlines())
    assert "place laid out, not measured (1)" in said
    assert "Two trees." in said
    assert "Mind the knife." in said


def test_the_same_map_is_the_same_file(tmp_path: Path) -> None:
    found = page([Point(0, 0), Point(12, 5)], status=["usable", None])
    for name in ("a.svg", "b.svg", "a.png", "b.png"):
        draw_map(found, tmp_path / name)
    for ending in ("svg", "png"):
        assert (tmp_path / f"a.{ending}").read_bytes() == (tmp_path / f"b.{ending}").read_bytes()


def test_lengths_are_shown_in_the_nurserys_units(tmp_path: Path) -> None:
    found = page([Point(0, 0), Point(100, 5)], status=["usable", "dead"])
    draw_map(found, tmp_path / "si.svg")
    draw_map(replace(found, units="US"), tmp_path / "us.svg")
    assert "20 m" in texts(tmp_path / "si.svg").splitlines()
    assert "50 ft" in texts(tmp_path / "us.svg").splitlines()


def test_what_cannot_be_drawn_is_refused(tmp_path: Path) -> None:
    found = page([Point(0, 0)], status=["usable"])
    nothing = replace(found, layers=found.layers[:1])
    for drawn, file, by, says in (
        (nothing, "map.svg", "", "there is nothing to draw"),
        (found, "map.svg", "moon", "not coloured by 'moon'; there are status, plain"),
        (found, "map.kml", "", "is no picture file"),
        (found, "no/map.svg", "", "cannot be written"),
    ):
        with pytest.raises(RegistryError, match=says):
            draw_map(drawn, tmp_path / file, by=by)


def test_a_nursery_across_the_date_line_is_drawn_in_one_piece(store: Store, tmp_path: Path) -> None:
    for number, (cultivar, east) in enumerate((("Amber", 179.99998), ("Beryl", -179.99998))):
        add(store, "cultivars", cultivar=cultivar, species="Malus domestica")
        place = {"latitude": -17.2, "longitude": east, "accuracy_m": 5.0}
        add(store, "mother_trees", tree=f"T{number}", cultivar=cultivar, kind="bank", **place)
    found = Registry(store).map_page("confusion")
    bounds = [each.frame.total_bounds for each in found.layers if len(each.frame)]
    assert max(each[2] - each[0] for each in bounds) < 0.001
    draw_map(found, tmp_path / "map.png")
    held = Registry(store).layers("confusion").layers["pairs"]
    assert abs(held.total_bounds[::2]).max() <= 180


def test_lines_and_far_layers(tmp_path: Path) -> None:
    lines = page([LineString([(0, 0), (300, 40)])])
    near = replace(lines.layers[1], from_m=0.01, name="only from near", label="")
    draw_map(replace(lines, layers=(*lines.layers, near)), tmp_path / "map.svg")
    said = texts(tmp_path / "map.svg").splitlines()
    assert "not recorded (1)" in said
    assert "T0" in said
    assert not any("only from near" in each for each in said)


def test_every_shape_and_line_of_the_symbols_can_be_drawn() -> None:
    assert set(map_pictures.MARKERS) == SHAPES
    assert set(map_pictures.LINES) == LINES


@given(st.floats(5, 3000), st.floats(5, 3000), st.floats(0.5, 2))
def test_the_ground_keeps_its_shape_and_fits_the_sheet(
    wide: float, tall: float, foot: float
) -> None:
    sheet = map_pictures.Sheet(PLANE, 0, 0, wide, tall, foot)
    left, bottom, width, height = sheet.map_box
    sides = sheet.sides
    assert max(sides) <= LONG + 1e-6
    assert width * sides[0] / wide == pytest.approx(height * sides[1] / tall)
    assert min(left * sides[0], sides[0] * (1 - left - width)) >= EDGE - 1e-9
    assert bottom * sides[1] == pytest.approx(foot)


@given(st.floats(0.5, 5000), st.booleans())
def test_a_scale_bar_is_a_round_length_that_fits(most: float, feet: bool) -> None:
    length = map_pictures._round_length(most, feet=feet)
    metres = length * (0.3048 if feet else 1)
    assert most / 2.6 < metres <= most * (1 + 1e-9)
    assert f"{length:.0e}"[0] in "125"


@given(st.lists(st.tuples(st.floats(0, 60), st.floats(0, 60)), min_size=1, max_size=25))
def test_labels_cover_no_other_and_no_symbol(places: list[tuple[float, float]]) -> None:
    sheet = map_pictures.Sheet(PLANE, 0, 0, 60, 60, 1.0)
    shown = page([Point(*each) for each in places]).layers[1]
    labels = map_pictures._Labels(sheet, [shown])
    symbols = list(labels._taken)
    for east, north in places:
        labels._room(east, north, 8, 4.0)
    boxes = labels._taken[len(symbols) :]
    for number, each in enumerate(boxes):
        assert not any(map_pictures._overlap(each, other) for other in boxes[:number])
        assert not any(map_pictures._overlap(each, symbol) for symbol in symbols)


def test_labels_keep_off_the_codes_of_blocks() -> None:
    sheet = map_pictures.Sheet(PLANE, 0, 0, 60, 60, 1.0)
    labels = map_pictures._Labels(sheet, [])
    at = 20.0, 20.0
    assert labels._room(*at, 4, 4.0) == (0.0, 9.5)
    over = map_pictures._Labels(sheet, [])
    over.keep_clear(20.0, 20.0, 6, above=True)
    assert over._room(*at, 4, 4.0) != (0.0, 9.5)


@pytest.mark.parametrize(("wide", "whole"), [(100, True), (5000, False)])
def test_blocks_are_drawn_whole_unless_that_makes_all_else_small(wide: float, whole: bool) -> None:
    found = page([Point(0, 0), Point(70, 20)])
    north, east = PLANE.degrees([(-30, -40), (wide - 30, 60)])
    ground = gpd.GeoDataFrame({"code": ["B"]}, geometry=[box(east[0], north[0], east[1], north[1])])
    blocks = replace(found.layers[0], frame=ground.set_crs("EPSG:4326"))
    sheet = map_pictures._sheet([found.layers[1]], [blocks], 1.0)
    assert (sheet.wide > wide) == whole
    assert sheet.wide > 70


def test_pictures_and_layers_on_the_command_line(
    run: Callable[..., Any], demo: str, tmp_path: Path
) -> None:
    here = ("--registry", demo)
    done = run("map", "confusion", "--into", "pairs.png", "--colour-by", "reason", *here)
    assert (done.code, done.out) == (0, "pairs.png\n")
    done = run("map", "confusion", "--into", "pairs.gpkg", *here)
    assert done.code == 0
    assert "4 private places are left out" in done.err
    assert "worth keeping to oneself" in done.err
    assert len(gpd.read_file("pairs.gpkg", layer="pairs")) == len(
        gpd.read_file("pairs.gpkg", layer="pairs").dropna(subset="reason")
    )
    rows = run("map", "rows-by-take", "--block", "N25", "--into", "rows.geojson", *here)
    assert (rows.code, rows.err) == (0, "")
    refused = run("map", "rows-by-take", "--into", "rows.csv", *here)
    assert refused.code == 1
    assert "write a .gpkg or .geojson file instead" in refused.err
    refused = run("map", "confusion", "--into", "c.html", "--colour-by", "reason", *here)
    assert "--colour-by is for pictures" in refused.err
