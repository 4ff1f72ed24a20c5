"""Map pages: what is packed unpacks to the same, nothing is linked to, nothing becomes markup."""

import base64
import datetime as dt
import hashlib
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import orjson
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from page_parts import Page, unpack

from scionreg.cartography.basemaps import basemap, basemaps
from scionreg.cartography.packing import pack_places, pack_values
from scionreg.cartography.page import MapPage, Shown, Table, render, write_page
from scionreg.cartography.symbols import LINES, SHAPES, theme, themes
from scionreg.cartography.tree_lines import MOST_LINES, history
from scionreg.cartography.tree_page import length, mother_trees_page
from scionreg.lineage.stops import Happening
from scionreg.lineage.tree_books import Check, Cut, TreeBook
from scionreg.mapping import MapLayers
from scionreg.records import vocabulary
from scionreg.records.errors import RegistryError

HOSTILE = "<img src=x onerror=alert(1)></script>{{7*7}}'\"&"


def trees(n: int = 3, **columns: Any) -> gpd.GeoDataFrame:
    told = {
        "code": [f"T{i}" for i in range(n)],
        "cultivar": ["Tillowby"] * n,
        "status": (["usable", "resting", None] * n)[:n],
        "take": np.linspace(0.2, 0.9, n),
    }
    at = gpd.points_from_xy(-95.77 + 1e-4 * np.arange(n), 36.41 + 1e-4 * np.arange(n))
    return gpd.GeoDataFrame(told | columns, geometry=at, crs="EPSG:4326")


def page_of(frame: Any, **more: Any) -> MapPage:
    layer = Shown(
        name="mother trees",
        frame=frame,
        themes=("status", "take"),
        filters={"cultivar": "Cultivar"},
        told={"cultivar": "Cultivar", "status": "Status"},
    )
    return MapPage(**{"title": "Trees", "layers": (layer,)} | more)


# ---------------------------------------------------------------------------------- packing


@given(st.lists(st.one_of(st.none(), st.sampled_from("abc"), st.integers(0, 3), st.text())))
def test_a_packed_column_unpacks_to_itself(values: list[Any]) -> None:
    packed = pack_values(pd.Series(values, dtype=object))
    assert unpack(orjson.loads(orjson.dumps(packed))) == values


@given(
    st.lists(
        st.tuples(
            st.floats(-90, 90, allow_nan=False).map(lambda x: round(x, 7)),
            st.floats(-180, 180, allow_nan=False).map(lambda x: round(x, 7)),
        ),
        max_size=20,
    )
)
def test_packed_places_are_within_a_centimetre(corners: list[tuple[float, float]]) -> None:
    packed = pack_places([shapely.Point(lon, lat) for lat, lon in corners])
    for name, k in (("lat", 0), ("lon", 1)):
        degrees = np.cumsum(packed[name]) / 1e7
        assert np.allclose(degrees, [corner[k] for corner in corners], atol=5e-8)


def test_lines_and_polygons_keep_their_corners() -> None:
    lines = [shapely.LineString([(0, 0), (1, 1)]), shapely.LineString([(0, 0), (1, 1), (2, 0)])]
    packed = pack_places(lines)
    assert packed["kind"] == "line"
    assert unpack(packed["parts"]) == [2, 3]
    assert np.cumsum(packed["lon"]).tolist() == [0, 10**7, 0, 10**7, 2 * 10**7]
    areas = pack_places([shapely.box(0, 0, 1, 1)])
    assert (areas["kind"], unpack(areas["parts"])) == ("area", [5])
    assert pack_places([])["kind"] == "point"


def test_a_layer_of_mixed_shapes_is_refused() -> None:
    with pytest.raises(RegistryError, match="of points, of lines or of polygons"):
        pack_places([shapely.Point(0, 0), shapely.LineString([(0, 0), (1, 1)])])


def test_runs_and_words_are_shorter_than_the_column() -> None:
    rows = pd.Series(np.repeat(["row 1", "row 2"], 500))
    assert pack_values(rows) == {"words": ["row 1", "row 2"], "runs": [0, 500, 1, 500]}


# ---------------------------------------------------------------------------------- symbols


def test_no_two_looks_of_a_theme_differ_by_colour_alone() -> None:
    for name, each in themes().items():
        for look in each.looks:
            assert look.shape in SHAPES, name
            assert look.line in LINES, name
            assert re.fullmatch(r"#[0-9A-F]{6}", look.colour), name
        cues = [(look.shape, look.letter) for look in each.looks]
        assert len(set(cues)) == len(cues), name


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("status", vocabulary.TreeStatus),
        ("identity", vocabulary.IdentityStatus),
        ("grade", vocabulary.Grade),
    ],
)
def test_every_word_of_the_vocabulary_has_a_look(name: str, words: Any) -> None:
    looks = theme(name).looks
    found = theme(name).sorted_out(pd.Series([word.value for word in words]))
    assert [looks[i].word for i in found] == [word.value for word in words]


def test_figures_fall_into_steps_and_missing_ones_apart() -> None:
    looks = theme("take").looks
    values = pd.Series([0.0, 0.3999, 0.4, 0.849, 0.85, 1.0, None])
    says = [looks[i].says for i in theme("take").sorted_out(values)]
    assert says[:3] == ["below 40 %", "below 40 %", "40 to 55 %"]
    assert says[3:] == ["70 to 85 %", "85 % and more", "85 % and more", "not counted"]


def test_an_unknown_theme_or_basemap_is_refused() -> None:
    with pytest.raises(RegistryError, match=r"no theme 'x'; the themes are may_be_cut"):
        theme("x")
    with pytest.raises(RegistryError, match=r"no basemap 'x'; there are street"):
        basemap("x")


# ------------------------------------------------------------------------------------- pages


def test_a_page_links_to_nothing_outside_itself() -> None:
    page = Page(render(page_of(trees())))
    assert not [e for e in page.elements if e[0] in ("link", "img", "iframe", "object", "base")]
    for tag, attrs in page.elements:
        assert "src" not in attrs, tag
        assert not str(attrs.get("href") or "#").startswith(("http", "//")), tag
        assert not [name for name in attrs if name.startswith("on")], tag
    assert not re.findall(r"url\((?!data:|#)", "".join(page.inside["style"]))
    assert "sourceMappingURL" not in "".join(page.inside["script"])


def test_the_policy_allows_the_scripts_inside_and_nothing_else() -> None:
    page = Page(render(page_of(trees())))
    policy = page.policy()
    assert policy["default-src"] == "'none'"
    assert policy["img-src"] == "data:"
    for kind, rule in (("script", "script-src"), ("style", "style-src")):
        allowed = set(policy[rule].split())
        texts = page.inside[kind][1:] if kind == "script" else page.inside[kind]
        hashes = {
            f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
            for text in texts
        }
        assert allowed == hashes


def test_a_basemap_opens_the_policy_for_its_own_pictures_only() -> None:
    for chosen in basemaps().values():
        page = Page(render(page_of(trees(), basemap=chosen)))
        assert page.policy()["img-src"] == f"data: {chosen.origin}"
        assert page.policy()["default-src"] == "'none'"
        assert chosen.attribution.encode("ascii", "ignore").decode().strip() in "".join(
            page.inside["script"]
        )
        assert chosen.terms
        assert chosen.terms_page.startswith("https://")


def test_what_records_hold_stays_text() -> None:
    frame = trees(code=["T0", HOSTILE, "T2"], cultivar=[HOSTILE] * 3)
    table = Table(heading=HOSTILE, columns=(HOSTILE,), rows=[(HOSTILE,)], codes=(0,))
    html = render(page_of(frame, title=HOSTILE, says=(HOSTILE,), tables=(table,)))
    page, plain = Page(html), Page(render(page_of(trees())))
    scripts = len(page.inside["script"])
    assert scripts == len(plain.inside["script"])
    assert "img" not in {tag for tag, _ in page.elements}
    assert HOSTILE in page.text
    sheet = page.told()["sheets"][0]
    assert unpack(sheet["columns"]["cultivar"]) == [HOSTILE] * 3
    assert unpack(sheet["columns"]["code"])[1] == HOSTILE


def test_the_same_records_make_the_same_page() -> None:
    assert render(page_of(trees())) == render(page_of(trees()))


def test_a_page_holds_what_it_was_given() -> None:
    layer = Shown(
        name="mother trees",
        frame=trees(),
        history={"T1": ["2024-02-05: cut", "2025-02-05: cut"]},
        links={"T1": [("where it went", "recall-T1.html")]},
    )
    sheet = Page(render(MapPage(title="Trees", layers=(layer,)))).told()["sheets"][0]
    assert unpack(sheet["history"]["counts"]) == [0, 2, 0]
    assert unpack(sheet["history"]["lines"]) == ["2024-02-05: cut", "2025-02-05: cut"]
    assert sheet["links"] == {"T1": [["where it went", "recall-T1.html"]]}
    assert [theme["name"] for theme in sheet["themes"]] == ["plain"]


def test_a_map_of_nothing_says_so() -> None:
    page = Page(render(page_of(trees(0))))
    assert "No place is recorded" in page.text
    assert "No place is recorded" not in Page(render(page_of(trees()))).text


def test_a_history_is_told_newest_first_the_undated_last_and_not_for_ever() -> None:
    book = TreeBook(
        tree="T1",
        cultivar="Tillowby",
        kind="bank",
        planted=dt.date(2010, 3, 1),
        status="usable",
        origin=None,
        events=(Happening("T1", None, "limb_removed", "north limb", "storm"),),
        checks=(
            Check("K1", "T1", None, dt.date(2020, 9, 1), "fruit", 1, 0, None),
            Check("K2", "T1", "east limb", dt.date(2021, 9, 1), "dna", 1, 1, "Pendrake"),
        ),
        cuts=(Cut("C1", None, dt.date(2022, 2, 3), 40),),
    )
    told = [
        "2022-02-03: cut, 40 sticks",
        "2021-09-01: looked at by marker profile (east limb): not as named, Pendrake",
        "2020-09-01: looked at by fruit: as named",
        "2010-03-01: planted",
        "day not recorded: limb removed (north limb)",
    ]
    assert history(book) == told
    cuts = tuple(Cut(f"C{i}", None, dt.date(2000 + i, 2, 1), i) for i in range(20))
    long = history(replace(book, cuts=cuts, events=(), checks=()))
    assert len(long) == MOST_LINES + 1
    assert long[0] == "2019-02-01: cut, 19 sticks"
    assert long[-1] == f"and {21 - MOST_LINES} earlier"


def test_trees_without_blocks_or_a_known_place_in_one_are_drawn_too() -> None:
    frame = trees(
        identity=["on_paper", None, "wrong"],
        eligible=[True, None, False],
        why=["", None, "it is not what it is named"],
        pressure=[0.2, None, 1.3],
        block=["AB", "AB", None],
        row=pd.array([3, None, None], dtype="Int64"),
        position=pd.array([4, None, None], dtype="Int64"),
        estimated=[True, False, False],
        accuracy_m=[2.0, None, 4.0],
        fixes=[0, 0, 1],
    )
    page = mother_trees_page(MapLayers(what="mother trees", layers={"trees": frame}))
    sheet = Page(render(page)).told()["sheets"][0]
    told = {name: unpack(column) for name, column in sheet["columns"].items()}
    assert told["stands"] == ["AB, row 3, position 4", "AB", None]
    assert told["fix"] == [
        "laid out, not measured, within 2 m (68 %)",
        None,
        "1 fix, within 4 m (68 %)",
    ]
    assert told["may_said"] == ["may be cut", None, "may not be cut"]
    assert told["why"] == [None, None, "it is not what it is named"]
    assert told["identity_said"] == ["on paper", None, "not what it is named"]


@pytest.mark.parametrize(
    ("metres", "si", "us"),
    [
        (6e-7, "0 m", "0 ft"),
        (0.25, "0.25 m", "0.82 ft"),
        (3.0, "3 m", "9.8 ft"),
        (356.4, "356 m", "1,169 ft"),
    ],
)
def test_lengths_are_told_as_the_nursery_sets(metres: float, si: str, us: str) -> None:
    assert length(metres) == si
    assert length(metres, "US") == us


def test_only_html_files_are_written_and_a_missing_folder_is_said(tmp_path: Path) -> None:
    write_page(page_of(trees()), tmp_path / "map.html")
    assert (tmp_path / "map.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    with pytest.raises(RegistryError, match=r"let its name end in \.html"):
        write_page(page_of(trees()), tmp_path / "map.pdf")
    with pytest.raises(RegistryError, match="cannot be written"):
        write_page(page_of(trees()), tmp_path / "none" / "map.html")
