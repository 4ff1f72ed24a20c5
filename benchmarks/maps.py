"""Map pages, beside a map of folium's own markers.

    python -m benchmarks.maps [--trees 10000] [--positions 100000] [--rounds 5] [--quick]

* trees: a page of so many mother trees with what is told of each and five lines of history, from
  places and books to HTML. Beside it folium's circle markers with a tool tip that says the same
  but the history, on its canvas, the same Leaflet inside.
* positions: a page of so many positions of nursery rows, with their lots as lines.

CPU seconds are the least of the rounds, everything imported before. Drawn is the time from opening
the page in Chromium, its network cut off, until everything is on the screen, wall seconds, the
least of three.
"""

import argparse
import datetime as dt
import random
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import folium
import numpy as np
import pandas as pd
from branca.element import Element

from scionreg.cartography import layers
from scionreg.cartography.page import leaflet_css, leaflet_js, render
from scionreg.cartography.places import Places
from scionreg.cartography.privacy import Privacy
from scionreg.cartography.row_pages import rows_page
from scionreg.cartography.tree_lines import histories
from scionreg.cartography.tree_page import mother_trees_page
from scionreg.lineage.place_books import BlockPlace, PlaceBooks, TreePlace
from scionreg.lineage.tree_books import Cut, TreeBook
from scionreg.mapping import MapLayers
from scionreg.records.vocabulary import IdentityStatus, TreeStatus

CULTIVARS = [f"Cultivar {letter}{number}" for letter in "ABCD" for number in range(10)]
IN_BLOCK, IN_ROW, IN_LOT = 400, 20, 50
LATITUDE, LONGITUDE = 36.4, -95.8
DEGREE_M = 111_320.0
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def outline(number: int, wide: float, tall: float) -> dict[str, Any]:
    """Return the outline of a block, metres wide and tall, ten blocks side by side."""
    south = LATITUDE + number // 10 * (tall + 30) / DEGREE_M
    east_m = DEGREE_M * np.cos(np.radians(LATITUDE))
    west = LONGITUDE + number % 10 * (wide + 30) / east_m
    north, east = south + tall / DEGREE_M, west + wide / east_m
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {"type": "Polygon", "coordinates": [ring]}


def orchard(trees: int) -> tuple[PlaceBooks, list[TreeBook], dict[str, dict[str, Any]]]:
    """Return trees in blocks of 20 rows, half of them with a fix; their books; what is told."""
    draw = random.Random(9)
    blocks = [
        BlockPlace(f"B{i}", "bank", 6.0, 4.0, "N", outline(i, 120, 80), IN_ROW, IN_ROW)
        for i in range(-(-trees // IN_BLOCK))
    ]
    stands, books = [], []
    told: dict[str, dict[str, Any]] = {"identity": {}, "pressure": {}, "take": {}}
    for i in range(trees):
        code, cultivar = f"T26-{i:05d}-{i % 10}", draw.choice(CULTIVARS)
        block, place = blocks[i // IN_BLOCK], i % IN_BLOCK
        row, position = place // IN_ROW + 1, place % IN_ROW + 1
        status = draw.choice([*[TreeStatus.USABLE] * 8, TreeStatus.RESTING, TreeStatus.DEAD])
        ring = (block.outline or {})["coordinates"][0]
        fix = (
            (
                ring[0][1] + position * 4 / DEGREE_M + draw.gauss(0, 1e-5),
                ring[0][0] + row * 6 / 9e4 + draw.gauss(0, 1e-5),
                draw.uniform(1, 5),
            )
            if i % 2
            else (None, None, None)
        )
        method = "receiver" if i % 2 else None
        stands.append(
            TreePlace(
                code, cultivar, "bank", status, block.block, row, position, *fix, method, False
            )
        )
        cuts = tuple(
            Cut(f"C{year}-{i}", None, dt.date(year, 2, 1 + draw.randrange(27)), draw.randrange(120))
            for year in range(2022, 2026)
        )
        books.append(
            TreeBook(
                tree=code,
                cultivar=cultivar,
                kind="bank",
                planted=dt.date(2005 + i % 15, 3, 1 + i % 28),
                status=status,
                origin=None,
                cuts=cuts,
            )
        )
        told["identity"][code] = draw.choice(list(IdentityStatus)).value
        told["pressure"][code] = round(draw.uniform(0, 1.2), 3)
        told["take"][code] = round(draw.uniform(0.3, 0.95), 4)
    return PlaceBooks(trees=tuple(stands), blocks=tuple(blocks)), books, told


def tree_page(orchard: tuple[PlaceBooks, list[TreeBook], dict[str, dict[str, Any]]]) -> str:
    """Make the page of mother trees from places, books and what is told."""
    places, books, told = orchard
    ground = Places(places)
    drawn = {
        "blocks": layers.blocks(ground, Privacy()),
        "trees": layers.trees(Privacy().keep(ground.trees), told),
    }
    found = MapLayers(what="mother trees", layers=drawn)
    return render(mother_trees_page(found, history=histories(books)))


def nursery(positions: int) -> tuple[PlaceBooks, pd.DataFrame]:
    """Return lots of 50 grafts in blocks of 40 rows of 250 positions."""
    draw = random.Random(11)
    wide, tall = 40 * 1.2, 250 * 0.3
    number = positions // IN_LOT
    blocks = tuple(
        BlockPlace(f"N{i}", "nursery", 1.2, 0.3, "N", outline(i, wide, tall), 40, 250)
        for i in range(-(-number // 200))
    )
    lots = [
        {
            "code": f"G26-{i:04d}-{i % 10}",
            "block": f"N{i // 200}",
            "row": i % 200 // 5 + 1,
            "first": i % 5 * IN_LOT + 1,
            "last": (i % 5 + 1) * IN_LOT,
            "season": 2026,
            "cultivar": draw.choice(CULTIVARS),
            "regraft_of": None,
            "grafts": IN_LOT,
            "take": round(draw.uniform(0.2, 0.98), 4),
            "identity": draw.choice(["not looked at"] * 6 + ["true where looked", "off"]),
            "looked_at": 0,
            "off": 0,
        }
        for i in range(number)
    ]
    return PlaceBooks(blocks=blocks), pd.DataFrame(lots)


def rows(nursery: tuple[PlaceBooks, pd.DataFrame]) -> str:
    """Make the page of nursery rows with every position."""
    places, lots = nursery
    ground = Places(places)
    drawn = {
        "blocks": layers.blocks(ground, Privacy()),
        "rows": layers.rows(ground, lots),
        "positions": layers.positions(ground, lots, {}),
    }
    return render(rows_page(MapLayers(what="rows", layers=drawn), "take"))


def folium_markers(orchard: tuple[PlaceBooks, list[TreeBook], dict[str, dict[str, Any]]]) -> str:
    """Make the same map of folium's own circle markers, on its canvas, Leaflet inside."""
    places, _, told = orchard
    trees = layers.trees(Places(places).trees, told)
    ground = folium.Map(tiles=None, prefer_canvas=True, location=(LATITUDE, LONGITUDE))
    ground.default_js = ground.default_css = []
    ground.fit_bounds([trees.total_bounds[[1, 0]].tolist(), trees.total_bounds[[3, 2]].tolist()])
    head = ground.get_root().header
    head.add_child(Element(f"<style>{leaflet_css()}</style><script>{leaflet_js()}</script>"))
    colours = {"usable": "green", "resting": "blue", "dead": "black"}
    columns = ("code", "cultivar", "status", "identity", "pressure", "take")
    for point, *values in zip(trees.geometry, *(trees[name] for name in columns), strict=True):
        folium.CircleMarker(
            (point.y, point.x),
            radius=4,
            color=colours[values[2]],
            tooltip="<br>".join(map(str, values)),
        ).add_to(ground)
    return ground.get_root().render()


def least(work: Callable[[], str], rounds: int) -> tuple[float, str]:
    """Return the least CPU seconds of some rounds, after one that is not counted, and the page."""
    made, taken = work(), []
    for _ in range(rounds):
        begun = time.process_time()
        made = work()
        taken.append(time.process_time() - begun)
    return min(taken), made


def drawn_in(html: str, tries: int = 3) -> float | None:
    """Return seconds until Chromium has drawn a page, the least of some tries; None without it."""
    program = next(filter(None, map(shutil.which, BROWSERS)), None)
    if program is None:
        return None
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        file = Path(folder) / "page.html"
        file.write_text(html, encoding="utf-8")
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = browser.new_context(offline=True, viewport={"width": 1200, "height": 800}).new_page()
        page.set_default_timeout(120_000)
        taken = []
        for _ in range(tries):
            page.goto(file.as_uri(), wait_until="load")
            taken.append(
                page.evaluate(
                    """() => new Promise((done) => requestAnimationFrame(() =>
                        setTimeout(() => done(performance.now() / 1000), 0)))"""
                )
            )
        browser.close()
    return min(taken)


def report(name: str, made: Callable[[], str], rounds: int) -> None:
    """Print one line of the table."""
    seconds, html = least(made, rounds)
    shown = drawn_in(html)
    drawn = "no browser" if shown is None else f"{shown:.2f}"
    print(f"{name:<34}{seconds:>9.2f}{len(html.encode()) / 1e6:>10.2f}{drawn:>12}")


def main(words: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="benchmarks.maps", description="Print speed and size.")
    parser.add_argument("--trees", type=int, default=10_000)
    parser.add_argument("--positions", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--quick", action="store_true", help="a tenth of the trees and positions")
    asked = parser.parse_args(words)
    part = 10 if asked.quick else 1
    trees, positions = orchard(asked.trees // part), nursery(asked.positions // part)
    number, places = asked.trees // part, asked.positions // part
    print(f"{'map pages':<34}{'CPU, s':>9}{'size, MB':>10}{'drawn, s':>12}")
    report(f"{number:,} mother trees", lambda: tree_page(trees), asked.rounds)
    report(f"{places:,} positions", lambda: rows(positions), asked.rounds)
    report(f"folium: {number:,} circle markers", lambda: folium_markers(trees), 1)


if __name__ == "__main__":
    main()
