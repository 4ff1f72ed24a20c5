"""Places: layers from a registry's books, which tree one stands at, trees that may be mistaken.

    python -m benchmarks.places [--trees 10000] [--rounds 5]

Trees stand in blocks of 200, two of three with a fix of their own, with two fixes of cuttings a
tree. CPU seconds, the least of the rounds, everything imported before. Beside the layers: the same
points read from a GeoPackage by geopandas.
"""

import argparse
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np

from benchmarks.maps import outline
from scionreg.cartography import layers, walk_layers
from scionreg.cartography.places import Places
from scionreg.cartography.privacy import Privacy
from scionreg.exchange.geo_out import write_layers
from scionreg.geodesy.fixes import Fix
from scionreg.identity.where import cultivars_at, where
from scionreg.lineage.place_books import BlockPlace, PlaceBooks, TreePlace
from scionreg.locating import standing_in
from scionreg.rotation.beside import neighbours
from scionreg.walking import standing

ROWS, IN_ROW, ROW_M, TREE_M = 10, 20, 9.0, 4.5


def orchard(trees: int) -> PlaceBooks:
    """Return trees of eight cultivars, a run of 15 of each, in blocks of 200."""
    dice = np.random.default_rng(1)
    blocks = [
        BlockPlace(
            f"B{number}", "bank", ROW_M, TREE_M, "N",
            outline(number, ROW_M * (ROWS + 1), TREE_M * (IN_ROW + 1)), ROWS, IN_ROW,
        )
        for number in range(-(-trees // (ROWS * IN_ROW)))
    ]  # fmt: skip
    laid_out = Places(PlaceBooks(blocks=tuple(blocks)))
    planted, fixes = [], []
    for number in range(trees):
        block, place = divmod(number, ROWS * IN_ROW)
        row, position = divmod(place, IN_ROW)
        code, grid = f"T{number}", laid_out.grid(f"B{block}")
        assert grid is not None
        latitude, longitude = (float(each) for each in grid.degrees(row + 1, position + 1))
        off = dice.normal(0, 1e-5, (3, 2))
        at = [(latitude + north, longitude + east) for north, east in off]
        own = (*at[0], 1.5, "receiver") if number % 3 else (None, None, None, None)
        cultivar = f"C{number // 15 % 8}"
        planted.append(
            TreePlace(
                code, cultivar, "bank", "usable", f"B{block}", row + 1, position + 1, *own, False
            )
        )
        fixes += [(code, Fix(*each, 5.0)) for each in at[1:]]
    return PlaceBooks(tuple(planted), tuple(blocks), tuple(fixes))


def least(rounds: int, work: Callable[[], object]) -> float:
    """Return the least CPU seconds of some rounds; one before them warms up."""
    taken = []
    for _ in range(rounds + 1):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return min(taken[1:])


def main(words: Sequence[str] | None = None) -> None:
    """Measure, and print a table."""
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--trees", type=int, default=10_000)
    reader.add_argument("--rounds", type=int, default=5)
    asked = reader.parse_args(words)
    books = orchard(asked.trees)
    told = {"identity": {each.tree: "on_paper" for each in books.trees}}

    def drawn() -> dict[str, gpd.GeoDataFrame]:
        places = Places(books)
        return {
            "blocks": layers.blocks(places, Privacy()),
            "trees": layers.trees(Privacy().keep(places.trees), told),
        }

    stands, known = standing_in(books), standing(books)
    middle = stands[len(stands) // 2].place
    near, cuts = neighbours(known, known), [fix for _, fix in books.cut_fixes]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "map.gpkg"
        found = drawn()
        write_layers(found, file)
        work: dict[str, Callable[[], object]] = {
            "layers of blocks and trees": drawn,
            "  the same points from a GeoPackage, by geopandas": lambda: gpd.read_file(
                file, layer="trees"
            ),
            "written as GeoPackage": lambda: write_layers(found, file),
            "written as GeoJSON": lambda: write_layers(found, Path(folder) / "map.geojson"),
            "where": lambda: where(Fix(*middle[:2], 5.0), stands),
            "where, for a hundred cuttings one by one": lambda: [
                where(fix, stands) for fix in cuts[:100]
            ],
            "cultivars at the fix of each cutting": lambda: cultivars_at(cuts, stands),
            "neighbours of every tree": lambda: neighbours(known, known),
            "layer of pairs": lambda: walk_layers.confusion(near, known),
        }
        print(f"{asked.trees:,} trees, {len(books.cut_fixes):,} fixes of cuttings")
        for name, doing in work.items():
            print(f"{name:50} {least(asked.rounds, doing):8.3f} s CPU")
    print(f"pairs of two cultivars: {len(walk_layers.confusion(near, known)):,}")


if __name__ == "__main__":
    main()
