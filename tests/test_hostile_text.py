"""Hostile text wherever records may hold text: every page shows it as text, every file holds it."""

import csv
import json
import re
from collections.abc import Callable, Iterator
from copy import deepcopy
from itertools import cycle
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import browser
import gpxpy
import pytest
from full_nursery import RECORDS, Rows, write_folder
from playwright.sync_api import Browser

from scionreg.api import Registry
from scionreg.cartography.page import write_page
from scionreg.documents import off_type_page
from scionreg.documents.map_pictures import draw_map
from scionreg.documents.off_type_picture import draw_chain
from scionreg.documents.season_report import write_season_report
from scionreg.documents.trace_sheet import write_trace_sheet
from scionreg.exchange.geo_out import write_layers
from scionreg.records.cells import Cell, Code, CultivarName, Many, Name, Ref, unshield
from scionreg.records.names import Epithet
from scionreg.records.tables import fields

HOSTILE = (
    "=cmd('hit')!A1",
    "<script>hit('element')</script>",
    "</script><img src=x onerror=hit('end')>",
    "\"'><img src=x onerror=hit('attribute')>",
    "'); drop table mother_trees; --",
    "{{7*7}}${hit()}$x^2$<!--&amp;&#60;",
    "javascript:hit('link')",
    "]]>\u2028hit('line')\u2029//",
)
NAMES = {"Fernhill": "Fern'-hit.all-'!/script", "Oldgate": "Old\\u003cgate\\x3c"}
"""Cultivar names have few signs (Cultivated Plant Code); these are the worst of them."""
WATCH = "window.hits = []; window.hit = (what) => window.hits.push(String(what));"


def hostile(records: Rows) -> Rows:
    """Return records in which every text that may be free is hostile."""
    turns = cycle(range(len(HOSTILE)))
    codes: dict[str, str] = {}

    def code(of: str) -> str:
        """Return a hostile code, the same for the same; codes have no slash and are short."""
        if of not in codes:
            codes[of] = re.sub("[/;\u2028\u2029]", "", f"{HOSTILE[next(turns)]} {of}")
        return codes[of]

    def free(of: str) -> str:
        """Return all that is hostile, each time with another beginning."""
        turn = next(turns)
        return " ".join((*HOSTILE[turn:], *HOSTILE[:turn], of))

    code("AB-1")

    def told(cell: Cell, kind: str, value: Any) -> Any:
        if isinstance(cell, Ref):
            lot, slash, position = value.partition("/")
            return value if cell.kinds == ("people",) else code(lot) + slash + position
        if isinstance(cell, Code):
            return code(value)
        if isinstance(cell, Epithet | CultivarName):
            return NAMES.get(value, value)
        if isinstance(cell, Many) and kind == "cultivars":
            return ";".join(NAMES.get(each) or code(each) for each in value.split(";"))
        if type(cell) is Name:
            return re.sub("[\u2028\u2029]", "", free(value))
        return free(value) if type(cell) is Cell else value

    cells = {kind: {c.name: c.info["cell"] for c in fields(kind)} for kind in records}
    made = {
        kind: [
            {name: told(cells[kind][name], kind, value) for name, value in row.items()}
            for row in rows
        ]
        for kind, rows in records.items()
    }
    alias = code("FH")
    made["dispatches"][0]["label_cultivar"] = made["bundles"][1]["cultivar"] = alias
    return made


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Registry, dict[str, str]]]:
    """A registry of hostile text, and what each code of the full nursery became in it."""
    records = deepcopy(RECORDS)
    tree = records["mother_trees"][0]
    tree["location_private"] = False
    beside = {"tree": "AB-3", "cultivar": "Oldgate", "position": 4, "longitude": 4.00515}
    records["mother_trees"].append({**tree, **beside})
    made = hostile(records)
    folder = tmp_path_factory.mktemp("hostile")
    season = write_folder(folder / "season", made, outline=False)
    with Registry.new(folder / "registry.db", by="P01") as registry:
        registry.import_files(season)
        block = made["blocks"][0]["block"]
        registry.correct("blocks", block, why=HOSTILE[0], outline=json.dumps(SQUARE))
        keys = {"mother_trees": "tree", "collections": "collection", "graft_lots": "graft_lot"}
        became = {
            old[name]: new[name]
            for kind, name in {**keys, "dispatches": "dispatch"}.items()
            for old, new in zip(records[kind], made[kind], strict=True)
        }
        yield registry, became


SQUARE = {
    "type": "Polygon",
    "coordinates": [[[4.0, 45.0], [4.01, 45.0], [4.01, 45.01], [4.0, 45.01], [4.0, 45.0]]],
}
MAPS = {
    "mother-trees": (),
    "trace": ("G-1/7",),
    "recall": ("C-1",),
    "walk": ("AB-1",),
    "confusion": (),
    "rows-by-take": (),
    "rows-by-identity": (),
}


def named(became: dict[str, str], codes: tuple[str, ...]) -> list[str]:
    parts = [each.partition("/") for each in codes]
    return [became[lot] + slash + position for lot, slash, position in parts]


def plain(text: str) -> str:
    """Return text with every run of blanks as one, as a browser shows it."""
    return " ".join(text.split())


# ------------------------------------------------------------------------------ pages


@pytest.mark.parametrize("what", MAPS)
def test_maps_show_it_as_text(
    nursery: tuple[Registry, dict[str, str]], chromium: Browser, tmp_path: Path, what: str
) -> None:
    registry, became = nursery
    page = registry.map_page(what, *named(became, MAPS[what]))
    write_page(page, tmp_path / "map.html")
    with browser.opened(chromium, tmp_path / "map.html", script=WATCH) as seen:
        assert page.codes
        for code in sorted(page.codes):
            seen.page.fill("#find", code)
            assert plain(code) in plain(seen.page.locator("#found").inner_text())
            seen.page.keyboard.press("Enter")
            popup = seen.page.locator(".leaflet-popup-content")
            assert plain(popup.locator("h3").inner_text()) == plain(code)
            box = seen.page.locator(".leaflet-popup-tip").bounding_box()
            assert box is not None
            seen.page.keyboard.press("Escape")
            seen.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"])
        shown = plain(seen.page.locator("#panel").inner_text())
        for table in page.tables:
            for cell in (cell for row in table.rows for cell in row if isinstance(cell, str)):
                assert plain(cell) in shown
        assert seen.page.locator("img, svg, iframe, object").count() == 0
        assert seen.page.evaluate("window.hits") == []
        assert seen.page.locator("script").count() == 3
    assert seen.complaints == []
    assert seen.outside() == []


def off_type(registry: Registry, became: dict[str, str], file: Path) -> list[str]:
    (code,) = named(became, ("G-1/7",))
    answer = registry.off_type(code)
    off_type_page.write_page(answer, registry.timeline(code), file)
    return [code, became["C-1"]]


def trace_sheet(registry: Registry, became: dict[str, str], file: Path) -> list[str]:
    (code,) = named(became, ("G-1/7",))
    write_trace_sheet(registry.trace_sheet(code), file)
    return [code, became["AB-1"]]


def season_report(registry: Registry, became: dict[str, str], file: Path) -> list[str]:
    write_season_report(registry.season_report(2026), file)
    return [became["AB-1"], became["G-2"]]


Writer = Callable[[Registry, dict[str, str], Path], list[str]]


@pytest.mark.parametrize("write", [off_type, trace_sheet, season_report])
def test_papers_show_it_as_text(
    nursery: tuple[Registry, dict[str, str]], chromium: Browser, tmp_path: Path, write: Writer
) -> None:
    wanted = write(*nursery, tmp_path / "page.html")
    with browser.opened(chromium, tmp_path / "page.html", script=WATCH, ready="h1") as seen:
        shown = plain(seen.page.locator("body").inner_text())
        for text in wanted:
            assert plain(text) in shown
        for picture in seen.page.locator("img").all():
            assert (picture.get_attribute("src") or "").startswith("data:image/")
        assert seen.page.locator("script, svg, iframe, object").count() == 0
        assert seen.page.evaluate("window.hits") == []
    assert seen.complaints == []
    assert seen.outside() == []


# ------------------------------------------------------------------------------ files

LAYERS = {what: codes for what, codes in MAPS.items() if not what.startswith("rows")} | {"rows": ()}


@pytest.mark.parametrize("what", LAYERS)
def test_layers_hold_it_unharmed(
    nursery: tuple[Registry, dict[str, str]], tmp_path: Path, what: str
) -> None:
    registry, became = nursery
    layers = registry.layers(what, *named(became, LAYERS[what])).layers
    codes = {
        name: [str(c) for c in each["code"]] for name, each in layers.items() if "code" in each
    }
    write_layers(layers, tmp_path / "map.geojson")
    features = json.loads((tmp_path / "map.geojson").read_text(encoding="utf-8"))["features"]
    for name, expected in codes.items():
        its = [each["properties"] for each in features if each["properties"]["layer"] == name]
        assert [each["code"] for each in its] == expected
    points = [n for n, each in layers.items() if len(each) and set(each.geom_type) == {"Point"}]
    if not points:
        return
    expected = [code for name in points for code in codes[name]]
    write_layers(layers, tmp_path / "map.gpx")
    found = gpxpy.parse((tmp_path / "map.gpx").read_text(encoding="utf-8"))
    assert [plain(each.name or "") for each in found.waypoints] == [plain(c) for c in expected]
    write_layers(layers, tmp_path / "map.csv")
    with (tmp_path / "map.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [unshield(row["code"]) for row in rows] == expected
    for row in rows:
        for name, cell in row.items():
            assert not re.match(r"[=+@\t\r]|-(?![\d.])", cell), name


@pytest.mark.parametrize("what", MAPS)
def test_pictures_of_maps_are_pictures(
    nursery: tuple[Registry, dict[str, str]], tmp_path: Path, what: str
) -> None:
    registry, became = nursery
    draw_map(registry.map_page(what, *named(became, MAPS[what])), tmp_path / "map.svg")
    assert harmless(tmp_path / "map.svg")


def test_a_picture_of_a_chain_is_a_picture(
    nursery: tuple[Registry, dict[str, str]], tmp_path: Path
) -> None:
    registry, became = nursery
    draw_chain(registry.off_type(*named(became, ("G-1/7",))), tmp_path / "chain.svg")
    assert harmless(tmp_path / "chain.svg")


def harmless(file: Path) -> bool:
    """Tell whether a picture is whole, runs nothing and loads nothing."""
    for each in ElementTree.parse(file).iter():
        names = [name.rpartition("}")[2] for name in each.attrib]
        links = [value for name, value in each.attrib.items() if name.endswith("href")]
        if (
            each.tag.rpartition("}")[2] in ("script", "foreignObject", "image")
            or any(name.startswith("on") for name in names)
            or any(not link.startswith("#") for link in links)
        ):
            return False
    return True
