"""Pictures of a cutting plan: what is in them, and that they are the same twice."""

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from scionreg.api import Registry
from scionreg.documents import plan_pictures
from scionreg.documents.plan_pictures import draw_pressure, draw_supply
from scionreg.planning import CuttingSheet
from scionreg.records.errors import RegistryError
from scionreg.rotation.cutting_plan import plan
from scionreg.rotation.demand import Order


@pytest.fixture(scope="module")
def sheet(demo: str) -> CuttingSheet:
    orders = [
        Order(cultivar="Brellan", season=2027, trees=1500),
        Order(cultivar="Oldenfarl", season=2028, trees=60),
    ]
    with Registry.open(demo) as registry:
        return registry.plan(orders, first=2027, seconds=3)


def texts(file: Path) -> str:
    """Return an SVG's text: matplotlib writes each word beside its outlines as a comment."""
    return file.read_text(encoding="utf-8")


def test_supply_against_demand_says_what_is_short(sheet: CuttingSheet, tmp_path: Path) -> None:
    draw_supply(sheet.plan, tmp_path / "a.svg")
    drawn = texts(tmp_path / "a.svg")
    for row in sheet.plan.seasons:
        if row.demand:
            assert f"{row.season}: {row.planned:,} of {row.demand:,}" in drawn
            assert (f", {row.shortfall:,} short" in drawn) == (row.shortfall > 0)
    draw_supply(sheet.plan, tmp_path / "b.svg")
    assert texts(tmp_path / "b.svg") == drawn
    draw_supply(sheet.plan, tmp_path / "a.png")
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def test_long_names_leave_room_for_the_bars(
    sheet: CuttingSheet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    figures: list[Any] = []
    monkeypatch.setattr(plan_pictures, "save_picture", lambda figure, _: figures.append(figure))
    long = {"Brellan": "Late White Keeping Pippin of the Upper Orchard " * 2, "Oldenfarl": "Z" * 60}
    named = [replace(row, cultivar=long[row.cultivar].strip()) for row in sheet.plan.seasons]
    draw_supply(replace(sheet.plan, seasons=tuple(named)), tmp_path / "a.png")
    (figure,) = figures
    figure.draw_without_rendering()
    (axes,) = figure.axes
    names = [each.get_window_extent() for each in axes.get_yticklabels()]
    assert axes.bbox.width > figure.bbox.width / 2
    assert all(each.x0 >= 0 for each in names)
    assert axes.title.get_window_extent().x1 <= figure.bbox.width
    assert not names[0].overlaps(names[1])


def test_pressure_names_the_worn_tree_first_and_says_whose_the_limits_are(
    sheet: CuttingSheet, tmp_path: Path
) -> None:
    draw_pressure(sheet.outlook, sheet.plan, tmp_path / "p.svg")
    drawn = texts(tmp_path / "p.svg")
    assert "Old-7 (bearing)" in drawn
    assert "1.32 R" in drawn
    assert "no published rule" in drawn
    cut = next(row for row in sheet.plan.trees if row.sticks)
    assert re.search(rf"{cut.pressure:.2f}( W)? \({cut.sticks}\)", drawn)
    draw_pressure(sheet.outlook, None, tmp_path / "q.svg")
    before = texts(tmp_path / "q.svg")
    assert "as it was cut" in before
    assert "trees under less pressure are not shown" in before
    assert "sticks to cut" not in before


def test_trees_at_rest_and_trees_never_cut_are_marked_as_such(
    sheet: CuttingSheet, tmp_path: Path
) -> None:
    trees = [
        replace(each, never_cut=each.tree == "Old-3", before=(0.0,) * 3)
        for each in sheet.outlook.trees
        if each.cultivar == "Brellan"
    ]
    draw_pressure(replace(sheet.outlook, trees=tuple(trees)), None, tmp_path / "p.svg")
    drawn = texts(tmp_path / "p.svg")
    assert "Old-7 (bearing) rests, again in 2029" in drawn
    assert drawn.count("<!-- never cut -->") == 3
    assert f"Never cut: 1 of {len(trees)} trees." in drawn
    draw_pressure(sheet.outlook, sheet.plan, tmp_path / "q.svg")
    planned = texts(tmp_path / "q.svg")
    assert planned.count("0.65 R rests") == 1
    assert "never cut" not in planned


def test_what_cannot_be_drawn_is_refused(sheet: CuttingSheet, tmp_path: Path) -> None:
    with pytest.raises(RegistryError, match="no picture file"):
        draw_supply(sheet.plan, tmp_path / "a.jpg")
    with pytest.raises(RegistryError, match="nothing has to be cut"):
        draw_supply(plan([], [], 1), tmp_path / "a.png")
    with pytest.raises(RegistryError, match="cannot be written"):
        draw_pressure(sheet.outlook, None, tmp_path / "no" / "a.png")
