"""Taking in places: which tree a fix belongs to, what is recorded of it, and what is not."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from nursery import add, faults_of, furnish, value

from scionreg.api import Registry
from scionreg.exchange.geo_out import write_layers
from scionreg.geodesy.fixes import average
from scionreg.geodesy.ground import Plane
from scionreg.identity.surveyed import By, spelled
from scionreg.records.errors import RegistryError
from scionreg.registry.store import Store

PLANE = Plane(45.0, 5.0)
OUTLINE = {
    "type": "Polygon",
    "coordinates": [[[5.0, 45.0], [5.001, 45.0], [5.001, 45.001], [5.0, 45.001], [5.0, 45.0]]],
}


def at(east: float, north: float = 0.0) -> tuple[float, float]:
    latitude, longitude = PLANE.degrees((east, north))
    return round(float(latitude), 7), round(float(longitude), 7)


@pytest.fixture
def planted(store: Store) -> Store:
    """Trees without a fix, with a poor one, with a good one, and a private one."""
    furnish(store)
    add(store, "blocks", block="PB")
    add(store, "mother_trees", tree="Bare", cultivar="Fernhill", block="PB", row=1, position=3)
    for tree, east, accuracy, more in (
        ("Poor", 0.0, 6.0, {"fix_method": "phone"}),
        ("Good", 20.0, 0.2, {"cultivar": "Oldgate"}),
        ("Secret", 40.0, 2.0, {"location_private": True}),
    ):
        north, longitude = at(east)
        place = {"latitude": north, "longitude": longitude, "accuracy_m": accuracy}
        add(store, "mother_trees", **({"tree": tree, "cultivar": "Fernhill"} | place | more))
    return store


def write(file: Path, *places: tuple[str, tuple[float, float], float | str]) -> Path:
    lines = [f"{name},{where[0]},{where[1]},{accuracy}" for name, where, accuracy in places]
    file.write_text("\n".join(["tree,latitude,longitude,accuracy_m", *lines]) + "\n")
    return file


@pytest.mark.parametrize(
    ("written", "means"),
    [
        ("pb 1 / 03", "PB-1-3"),
        ("T26-0001-7", "t26-001-7"),
        ("Old_4", "old-4"),
        ("PB-10-0", "PB 10 00"),
    ],
)
def test_names_are_compared_whatever_stands_between_their_parts(written: str, means: str) -> None:
    assert spelled(written) == spelled(means)
    assert spelled("PB-1-30") != spelled("PB-1-3")


def test_a_fix_belongs_to_its_name_else_to_the_tree_it_lies_at(
    planted: Store, tmp_path: Path
) -> None:
    file = write(
        tmp_path / "w.csv",
        ("poor", at(0.5), 1.0),
        ("pb 1-3", at(90.0), 1.0),
        ("big tree", at(19.5), 1.0),
        ("nowhere", at(500.0), 1.0),
        ("Good", at(0.0), 1.0),
        ("Secret", at(40.0), 1.0),
    )
    found = Registry(planted).survey(file)
    told = {each.name: each for each in found.proposals}
    assert {name: (each.tree, each.by) for name, each in told.items()} == {
        "poor": ("Poor", By.NAME),
        "pb 1-3": ("Bare", By.NAME),
        "big tree": ("Good", By.PLACE),
        "nowhere": (None, By.NOTHING),
        "Good": ("Good", By.NAME),
        "Secret": ("Secret", By.NAME),
    }
    assert told["Good"].doubt == "20 m off the place recorded for Good, beside Poor"
    assert told["Secret"].metres is None
    assert told["pb 1-3"].probability is None
    assert told["big tree"].metres == pytest.approx(0.5, abs=0.02)
    assert found.recorded == ()
    assert found.to_frame()["tree"].isna().sum() == 1


def test_fixes_are_averaged_and_recorded_where_they_better_what_is_known(
    planted: Store, tmp_path: Path
) -> None:
    registry = Registry(planted)
    file = write(
        tmp_path / "w.csv",
        ("Bare", at(90.0), ""),
        ("Bare", at(91.0), 2.0),
        ("Poor", at(1.0), 1.5),
        ("Good", at(20.1), 3.0),
        ("Secret", at(80.0), 0.5),
        ("big tree", at(20.0), 0.1),
    )
    found = registry.survey(
        file, accuracy_m=4.0, fix_method="receiver", record=True, recorder="P02"
    )
    assert found.recorded == ("Bare", "Poor")
    assert found.better == ("Good",)
    expected = average([at(90)[0], at(91)[0]], [at(90)[1], at(91)[1]], [4.0, 2.0])
    assert value(planted, "mother_trees", "Bare", "latitude") == pytest.approx(
        expected.latitude[0], abs=1e-7
    )
    assert value(planted, "mother_trees", "Bare", "accuracy_m") == round(
        float(expected.accuracy_m[0]), 2
    )
    assert value(planted, "mother_trees", "Poor", "fix_method") == "receiver"
    assert value(planted, "mother_trees", "Secret", "longitude") == at(40.0)[1]
    last = registry.history("mother_trees", "Poor")[-1]
    assert "surveyed: w.csv" in str(last)
    assert faults_of(planted) == []
    # The same file again changes nothing.
    again = registry.survey(file, accuracy_m=4.0, record=True, recorder="P02")
    assert again.recorded == ()
    assert again.better == ("Bare", "Good", "Poor")


def test_a_name_that_means_two_trees_means_none(store: Store, tmp_path: Path) -> None:
    furnish(store)
    add(store, "mother_trees", tree="A-1", cultivar="Fernhill")
    add(store, "mother_trees", tree="A-01", cultivar="Oldgate")
    (found,) = Registry(store).survey(write(tmp_path / "w.csv", ("A 1", at(0), 1))).proposals
    assert (found.tree, found.by) == (None, By.NOTHING)


def test_outlines_named_like_a_block_become_its_outline(planted: Store, tmp_path: Path) -> None:
    registry = Registry(planted)
    features = [
        {"type": "Feature", "properties": {"name": name}, "geometry": OUTLINE}
        for name in ("pb", "field")
    ]
    file = tmp_path / "blocks.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    found = registry.survey(file, record=True, recorder="P01")
    assert [(each.name, each.block) for each in found.outlines] == [("pb", "PB"), ("field", None)]
    assert found.recorded == ("PB",)
    kept = json.loads(value(planted, "blocks", "PB", "outline"))
    assert kept["type"] == "Polygon"
    assert registry.survey(file, record=True, recorder="P01").recorded == ()
    # Now that the block is mapped, the tree without a fix has a place in it.
    assert registry.layers("mother-trees", tell=()).layers["trees"]["estimated"].any()


def test_the_command_tells_and_records(
    run: Callable[..., Any], planted: Store, store_url: str, tmp_path: Path
) -> None:
    file = write(tmp_path / "w.csv", ("Bare", at(90.0), 1.0), ("big tree", at(10.0), 8.0))
    here = ("--registry", store_url)
    told = run("survey", str(file), *here)
    assert told.code == 3
    assert "another cultivar is possible there" in told.out
    assert "--record corrects the trees that names go with" in told.err
    done = run("survey", str(file), "--record", "--by", "P01", *here)
    assert "recorded: Bare" in done.err
    again = run("survey", str(file), "--record", "--by", "P01", *here)
    assert "recorded: nothing" in again.err
    assert "the fix recorded is as good: Bare" in again.err
    plain = json.loads(run("survey", str(file), "--json", *here).out)
    assert [each["by"] for each in plain["proposals"]] == ["its name", "where it lies"]
    assert run("survey", str(file), "--csv", *here).out.startswith("name,latitude,longitude")
    outline = tmp_path / "b.geojson"
    track = {"type": "LineString", "coordinates": [[5, 45], [6, 46]]}
    outline.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "features": [
                    {"type": "Feature", "properties": {}, "geometry": geometry}
                    for geometry in (OUTLINE, track)
                ],
            }
        )
    )
    told = run("survey", str(outline), *here)
    assert "an outline without a name: no block of that code" in told.out
    assert "1 tracks, routes or lines are passed over" in told.err


def test_an_outline_that_cannot_be_kept_is_refused(planted: Store, tmp_path: Path) -> None:
    bow = {"type": "Polygon", "coordinates": [[[5, 45], [200, 45], [200, 46], [5, 45]]]}
    file = tmp_path / "b.geojson"
    file.write_text(json.dumps({"type": "Feature", "properties": {"block": "PB"}, "geometry": bow}))
    with pytest.raises(RegistryError, match="PB: the outline is off the globe"):
        Registry(planted).survey(file)


def test_what_a_map_wrote_is_nothing_new_until_somebody_moves_it(
    planted: Store, tmp_path: Path
) -> None:
    registry = Registry(planted)
    near = at(0.4)
    add(
        planted, "collections", tree="Poor", date="2026-02-01", sticks=5,
        latitude=near[0], longitude=near[1], accuracy_m=1.0,
    )  # fmt: skip
    layers = registry.layers("mother-trees", tell=()).layers
    assert layers["trees"].set_index("code").loc["Poor", "accuracy_m"] < 1.0
    for name in ("map.gpkg", "map.geojson", "map.csv"):
        write_layers(layers, tmp_path / name)
        came_back = registry.survey(tmp_path / name, record=True, recorder="P01")
        assert came_back.recorded == ()
        assert "Poor" in came_back.better
    moved = layers["trees"].translate(xoff=1e-6)
    write_layers({"trees": layers["trees"].set_geometry(moved)}, tmp_path / "moved.gpkg")
    found = registry.survey(tmp_path / "moved.gpkg", record=True, recorder="P01")
    assert "Poor" in found.recorded


def test_what_is_no_accuracy_is_refused(planted: Store, tmp_path: Path) -> None:
    file = write(tmp_path / "w.csv", ("Bare", at(90.0), ""))
    with pytest.raises(RegistryError, match="-3 is no accuracy"):
        Registry(planted).survey(file, accuracy_m=-3)
