"""Layers: what they hold, whether shapes lie where things stand, and what privacy keeps back."""

import json
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import pytest
from nursery import actions, add, faults_of, furnish
from shapely import Point
from shapely.geometry import shape

from scionreg import mapping
from scionreg.api import Registry
from scionreg.cartography import layers
from scionreg.cartography.places import Places
from scionreg.cartography.privacy import Privacy
from scionreg.geodesy.fixes import Fix, average
from scionreg.geodesy.ground import Plane, metres_apart
from scionreg.lineage.place_books import BlockPlace, PlaceBooks, TreePlace
from scionreg.records.errors import NoRecorderError, RegistryError
from scionreg.registry.store import Store


@pytest.fixture(scope="module")
def nursery(demo: str) -> Iterator[Registry]:
    with Registry.open(demo) as registry:
        yield registry


def apart(one: Any, other: Any) -> float:
    """Return the metres between two points of layers."""
    return float(metres_apart(one.y, one.x, other.y, other.x))


SQUARE = {
    "type": "Polygon",
    "coordinates": [[[5.0, 45.0], [5.001, 45.0], [5.001, 45.001], [5.0, 45.001], [5.0, 45.0]]],
}


def block(code: str, outline: dict[str, Any] | None = SQUARE) -> BlockPlace:
    return BlockPlace(code, "bank", 10.0, 8.0, "N", outline, 4, 6)


def tree(code: str, place: tuple[int, int] | None, fix: Fix | None, **known: Any) -> TreePlace:
    """Return a tree of block B."""
    row, position = place or (None, None)
    at = fix or (None, None, None)
    told = {"cultivar": "Amber", "status": "usable", "private": False, "fix_method": None} | known
    return TreePlace(
        tree=code, kind="bank", block="B" if place else None, row=row, position=position,
        latitude=at[0], longitude=at[1], accuracy_m=at[2], **told,
    )  # fmt: skip


# Places


def test_a_tree_without_a_fix_stands_where_its_row_and_position_are() -> None:
    laid_out = Places(PlaceBooks((tree("T1", (1, 1), None), tree("T2", (2, 1), None),
                                  tree("T3", (1, 2), None)), (block("B"),)))  # fmt: skip
    table = laid_out.trees.set_index("code")
    assert table["estimated"].all()
    assert (table["fixes"] == 0).all()
    at = [Point(row.longitude, row.latitude) for row in table.itertuples()]
    assert apart(at[0], at[1]) == pytest.approx(10, abs=0.01)
    assert apart(at[0], at[2]) == pytest.approx(8, abs=0.01)
    assert at[1].x > at[0].x  # rows are counted from the west
    assert at[2].y < at[0].y  # positions from the north
    assert all(shape(SQUARE).covers(each) for each in at)


def test_without_an_outline_fixes_of_other_trees_give_a_place(store: Store) -> None:
    furnish(store)
    add(store, "blocks", block="Hill", row_spacing_m=5, tree_spacing_m=4, counted_from="N")
    plane = Plane(45.0, 5.0)
    off = {(1, 1): 0.4, (1, 6): -0.3, (4, 1): 0.2, (4, 6): -0.3, (2, 3): 0.0}
    for (row, position), north in off.items():
        latitude, longitude = plane.degrees((5.2 * row, -4.1 * position + north))
        fix = {"latitude": float(latitude), "longitude": float(longitude), "accuracy_m": 1}
        at = {"block": "Hill", "row": row, "position": position}
        add(store, "mother_trees", tree=f"H-{row}-{position}", cultivar="Fernhill", **at, **fix)
    add(store, "mother_trees", tree="H-3-5", cultivar="Oldgate", block="Hill", row=3, position=5)
    found = Registry(store).layers("mother-trees", tell=())
    (laid_out,) = found.layers["trees"].query("code == 'H-3-5'").itertuples()
    assert laid_out.estimated
    expected = plane.degrees((5.2 * 3, -4.1 * 5))
    at = laid_out.geometry
    assert float(metres_apart(at.y, at.x, *expected)) < laid_out.accuracy_m < 2
    (note,) = (each for each in found.notes if "Hill" in each)
    assert re.fullmatch(
        r"block Hill has no outline: its rows are laid out by the fixes of its trees, "
        r"0\.\d+ m off them, within 1\.\d m \(68 %\)",
        note,
    )
    measured = Registry(store).layers("mother-trees", cultivar="Fernhill", tell=())
    assert not [each for each in measured.notes if "Hill" in each]


def test_a_tree_without_anything_has_no_place_and_no_shape() -> None:
    nowhere = (tree("T1", None, None), tree("T2", (1, 1), None))
    places = Places(PlaceBooks(nowhere, (block("B", None),)))
    assert places.trees["latitude"].isna().all()
    assert layers.trees(places.trees).empty
    assert places.grid("B") is None
    assert layers.blocks(places, Privacy()).empty


def test_fixes_of_cuttings_that_agree_are_averaged_in_and_others_left_out() -> None:
    own, near, far = Fix(45.0, 5.0, 3.0), Fix(45.00002, 5.0, 5.0), Fix(45.001, 5.0, 5.0)
    books = PlaceBooks(
        (tree("T1", None, own), tree("T2", None, None)),
        cut_fixes=(("T1", near), ("T1", far), ("T2", near), ("T2", far), ("gone", near)),
    )
    table = Places(books).trees.set_index("code")
    expected = average([45.0, 45.00002], [5.0, 5.0], [3.0, 5.0])
    assert table.loc["T1", "latitude"] == expected.latitude[0]
    assert table.loc["T1", "accuracy_m"] == expected.accuracy_m[0]
    assert table["fixes"].tolist() == [2, 2]
    assert table.loc["T2", "latitude"] == pytest.approx((45.00002 + 45.001) / 2)


def test_a_fix_that_was_itself_laid_out_is_an_estimate() -> None:
    books = PlaceBooks((tree("T1", None, Fix(45, 5, 1.0), fix_method="estimated"),))
    assert Places(books).trees["estimated"].tolist() == [True]


# Privacy


@pytest.fixture
def private() -> pd.DataFrame:
    fix = Fix(45.0004321, 5.0004321, 2.0)
    trees = (tree("T1", (1, 1), fix), tree("T2", (1, 2), fix, private=True))
    return Places(PlaceBooks(trees, (block("B"),))).trees


def test_private_places_are_left_out_unless_they_are_asked_for(private: pd.DataFrame) -> None:
    assert Privacy().keep(private)["code"].tolist() == ["T1"]
    assert Privacy(shown=True).keep(private) is private
    assert (Privacy().hides(private), Privacy(shown=True).hides(private)) == (1, 0)


@pytest.mark.parametrize("blur", [30.0, 500.0])
def test_a_blurred_place_says_no_more_than_its_cell(private: pd.DataFrame, blur: float) -> None:
    kept = Privacy(blur_m=blur).keep(private).set_index("code")
    hidden = kept.loc["T2"]
    assert hidden[["block", "row", "position"]].isna().all()
    assert hidden["estimated"]
    off = metres_apart(hidden["latitude"], hidden["longitude"], 45.0004321, 5.0004321)
    assert float(off) <= blur
    # Another tree of the cell has the same place, however often it is asked for.
    other = private.assign(latitude=private["latitude"] + 1e-6)
    assert (
        Privacy(blur_m=blur).keep(other).set_index("code").loc["T2", "latitude"]
        == (hidden["latitude"])
    )
    assert kept.loc["T1", "latitude"] == 45.0004321


def test_the_outline_of_a_block_of_private_trees_only_is_private() -> None:
    fix = Fix(45, 5, 2.0)
    hidden = Places(PlaceBooks((tree("T1", (1, 1), fix, private=True),), (block("B"),)))
    assert layers.blocks(hidden, Privacy()).empty
    assert layers.blocks(hidden, Privacy(shown=True))["code"].tolist() == ["B"]


def test_showing_private_places_is_a_line_of_the_journal(store: Store) -> None:
    furnish(store)
    place = {"latitude": 45.0, "longitude": 5.0, "accuracy_m": 2.0}
    add(store, "mother_trees", tree="Open", cultivar="Fernhill", **place)
    add(store, "mother_trees", tree="Secret", cultivar="Oldgate", location_private=True, **place)
    registry = Registry(store)
    left_out = registry.layers("mother-trees", tell=())
    assert left_out.layers["trees"]["code"].tolist() == ["Open"]
    assert "1 private place is left out" in left_out.notes
    before = actions(store)
    with pytest.raises(NoRecorderError):
        registry.layers("mother-trees", show_private=True)
    shown = registry.layers("mother-trees", show_private=True, recorder="P02", tell=())
    assert shown.layers["trees"]["code"].tolist() == ["Open", "Secret"]
    assert actions(store) == [*before, "locations_shown"]
    assert faults_of(store) == []
    registry.change_settings(recorder="P01", **{"place.private_blur_m": "200"})
    blurred = registry.layers("mother-trees", tell=())
    at = blurred.layers["trees"].set_index("code").geometry
    assert 0 < apart(at["Open"], at["Secret"]) < 200
    assert "1 private place is blurred" in blurred.notes


# The demo nursery


def test_mother_trees_carry_what_is_known_of_them(nursery: Registry) -> None:
    found = nursery.layers("mother-trees")
    trees = found.layers["trees"]
    assert tuple(trees.columns) == (*layers.TREE_COLUMNS, "geometry")
    assert trees.crs == "EPSG:4326"
    with_identity = {each.tree: each.status.value for each in nursery.status().trees}
    assert trees["identity"].tolist() == [with_identity[code] for code in trees["code"]]
    rates = {each.item: each.rate for each in nursery.take("mother_tree").suspects}
    told = trees.set_index("code")["take"].dropna()
    assert told.to_dict() == pytest.approx({code: rates[code] for code in told.index}, abs=1e-4)
    assert trees["pressure"].notna().all()
    blocks = found.layers["blocks"].set_index("code").geometry
    assert all(blocks[row.block].buffer(1e-4).covers(row.geometry) for row in trees.itertuples())
    hidden = {each["tree"] for each in nursery.records("mother_trees", location_private=True)}
    assert hidden
    assert not hidden & set(trees["code"])
    assert any("private places are left out" in note for note in found.notes)


def test_only_trees_of_a_cultivar_by_any_of_its_names(nursery: Registry) -> None:
    found = nursery.layers("mother-trees", cultivar="BREL", tell=()).layers["trees"]
    assert set(found["cultivar"]) == {"Brellan"}
    with pytest.raises(RegistryError, match="no such tree has a place"):
        nursery.layers("mother-trees", cultivar="Nothing", tell=())


def test_rows_are_as_long_as_their_positions(nursery: Registry) -> None:
    found = nursery.layers("rows", block="N25", season=2025, each_position=True)
    rows, points = found.layers["rows"], found.layers["positions"]
    assert tuple(rows.columns) == (*layers.ROW_COLUMNS, "geometry")
    for row in rows.head(30).itertuples():
        ends = [Point(at) for at in row.geometry.coords]
        assert apart(*ends) == pytest.approx(0.35 * (row.last - row.first + 1), abs=0.01)
    lots = {each["graft_lot"]: each for each in nursery.records("graft_lots")}
    one = rows[rows["take"].notna()].iloc[0]
    assert lots[one["code"]]["row"] == one["row"]
    mapped = {each.graft_lot: each.rate for each in nursery.row_map("N25", season=2025).stretches}
    assert one["take"] == pytest.approx(mapped[one["code"]], abs=1e-4)
    assert found.layers["blocks"]["code"].tolist() == ["N25"]
    # One point a position of the ground, a regraft's where there is one.
    assert not points.duplicated(["block", "row", "position"]).any()
    regrafts = rows.dropna(subset=["regraft_of"])
    assert len(regrafts)
    regraft = regrafts.iloc[0]
    there = points[(points["row"] == regraft["row"]) & (points["position"] == regraft["first"])]
    assert there["lot"].tolist() == [regraft["code"]]
    on_line = points[points["lot"] == one["code"]].geometry
    assert all(each.distance(one.geometry) < 1e-9 for each in on_line)


def test_a_position_is_of_the_last_regraft_whatever_the_codes(nursery: Registry) -> None:
    with nursery.store.reading() as connection:
        lots, _ = mapping._lots(connection, None)
        ground = mapping.Ground.read(connection)
    first = lots[lots["block"] == "N26"].head(1)
    regrafts = [("ZZ", first["code"].item()), ("AA", "ZZ"), ("MM", "AA")]
    again = [first.assign(code=code, regraft_of=of) for code, of in regrafts]
    stacked = pd.concat([again[2], first, *again[:2]], ignore_index=True)
    points = layers.positions(ground.places, stacked, {})
    assert set(points["lot"]) == {"MM"}


def test_positions_found_off_are_told_apart(nursery: Registry) -> None:
    with nursery.store.reading() as connection:
        lots, off = mapping._lots(connection, None)
    wrong = {f"{lot}/{position}" for lot, its in off.items() for position in its}
    points = nursery.layers("rows", each_position=True).layers["positions"]
    marked = set(points.loc[points["identity"] == "off", "code"])
    assert wrong & set(points["code"])
    assert wrong & set(points["code"]) <= marked
    assert set(lots["identity"]) == {"off", "true where looked", "not looked at"}


def test_a_block_in_which_nothing_stands_is_refused(nursery: Registry) -> None:
    for asked in ({"block": "PB"}, {"block": "N25", "season": 1999}):
        with pytest.raises(RegistryError, match="no graft lot stands there"):
            nursery.layers("rows", **asked)


def test_a_trace_is_drawn_from_the_row_to_the_tree(nursery: Registry) -> None:
    found = nursery.layers("trace", "G24-0029-6/6")
    (line,) = found.layers["lines"].itertuples()
    (source,) = nursery.trace("G24-0029-6/6").sources
    assert (line.code, line.to, line.date) == ("G24-0029-6/6", source.tree, source.date)
    places = found.layers["places"].set_index("code")
    assert line.geometry.coords[0] == places.geometry["G24-0029-6/6"].coords[0]
    assert line.geometry.coords[-1] == places.geometry[source.tree].coords[0]
    assert places.loc[source.tree, "label"] == source.cultivar
    points = nursery.layers("rows", block="N24", each_position=True).layers["positions"]
    asked = points.set_index("code").geometry["G24-0029-6/6"]
    assert apart(asked, places.geometry["G24-0029-6/6"]) < 0.01


def test_a_trace_over_generations_leads_from_tree_to_row_to_tree(nursery: Registry) -> None:
    lots = [each["graft_lot"] for each in nursery.records("graft_lots")]
    deep = next(
        code for code in reversed(lots)
        if max((s.generation for s in nursery.trace(code).sources), default=0) > 1
    )  # fmt: skip
    found = nursery.layers("trace", deep).layers
    lines = found["lines"]
    assert set(lines["generation"]) == {1, 2}
    assert set(found["rows"]["kind"]) == {"asked", "graft lot"}
    second = lines[lines["generation"] == 2].iloc[0]
    assert second["code"] in set(found["rows"]["code"]) - {deep}


def test_a_trace_to_a_private_tree_has_no_line(nursery: Registry) -> None:
    hidden = {each["tree"] for each in nursery.records("mother_trees", location_private=True)}
    lot = next(
        each["graft_lot"] for each in nursery.records("graft_lots")
        if {s.tree for s in nursery.trace(each["graft_lot"]).sources} <= hidden
    )  # fmt: skip
    found = nursery.layers("trace", lot)
    assert found.layers["lines"].empty
    assert found.layers["places"].empty
    assert any("private" in note for note in found.notes)


def test_a_recall_draws_what_it_reaches(nursery: Registry) -> None:
    reached = nursery.recall("B24-0107-3")
    found = nursery.layers("recall", "B24-0107-3")
    grades = {each.graft_lot: each.grade.value for each in reached.graft_lots}
    rows = found.layers["rows"]
    assert rows.set_index("code")["grade"].to_dict() == {
        code: grades[code] for code in rows["code"]
    }
    assert len(rows) == len(grades)
    trees = found.layers["trees"]
    assert trees.loc[trees["kind"] == "source", "code"].tolist() == [
        each.tree for each in nursery.trace("B24-0107-3").sources
    ]


def test_a_recall_of_a_tree_holds_the_tree_itself(nursery: Registry) -> None:
    found = nursery.layers("recall", "T24-0044-7").layers["trees"].set_index("code")
    assert found.loc["T24-0044-7", "kind"] == "source"
    assert found.loc["T25-0001-9", "kind"] == "mother tree"


def test_what_cannot_be_mapped_is_refused(nursery: Registry) -> None:
    for what, of, says in (
        ("moon", (), "there is no map of 'moon'; there are mother-trees"),
        ("trace", (), "name one code to trace"),
        ("recall", (), "name what to recall"),
        ("trace", ("G24-0000-0",), "G24-0000-0"),
    ):
        with pytest.raises(RegistryError, match=says):
            nursery.layers(what, *of)


def test_layers_of_an_empty_registry(store: Store) -> None:
    with pytest.raises(RegistryError, match="no such tree has a place"):
        Registry(store).layers("mother-trees")


def test_take_is_empty_where_nothing_was_counted(store: Store) -> None:
    furnish(store)
    add(store, "mother_trees", tree="A", cultivar="Fernhill", latitude=45, longitude=5)
    found = Registry(store).layers("mother-trees", tell=("take",))
    assert found.layers["trees"]["take"].isna().all()
    assert any("1 tree is without a place" in note for note in found.notes)


def test_outlines_survive_as_json() -> None:
    places = Places(PlaceBooks((), (block("B"),)))
    drawn = layers.blocks(places, Privacy())
    assert np.allclose(
        json.loads(drawn.to_json())["features"][0]["geometry"]["coordinates"],
        SQUARE["coordinates"],
    )
