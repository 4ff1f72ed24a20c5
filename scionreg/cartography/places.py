"""Where every tree, row and position is: surveyed, averaged from fixes, or laid out."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from scionreg.geodesy.fixes import average, deviation, together
from scionreg.geodesy.grid import Grid, among_fixes, fit, lay_out
from scionreg.geodesy.ground import Numbers, metres_apart
from scionreg.lineage.place_books import BlockPlace, PlaceBooks, TreePlace
from scionreg.records.vocabulary import FixMethod

AGREES = 3.0
"""Standard deviations up to which the fix of a cutting is one of the tree that was written."""


@dataclass(frozen=True)
class Places:
    """The ground as the records have it."""

    books: PlaceBooks

    @cached_property
    def trees(self) -> pd.DataFrame:
        """Return a row a tree, in the order they came in.

        Columns ``code, cultivar, kind, status, block, row, position, latitude, longitude,
        accuracy_m, estimated, fixes, private``. A tree without any fix has the place that its row
        and position give it in its block, `estimated`; without those, none (NaN).
        """
        trees = pd.DataFrame(self.books.trees, columns=list(TreePlace._fields))
        trees = trees.rename(columns={"tree": "code"}).astype(
            dict.fromkeys(("latitude", "longitude", "accuracy_m"), "float64")
            | dict.fromkeys(("row", "position"), "Int64")
            | {"private": bool}
        )
        trees["estimated"] = trees.pop("fix_method") == FixMethod.ESTIMATED
        fixes = self._fixes(trees)
        averaged = average(
            fixes["latitude"],
            fixes["longitude"],
            fixes["accuracy_m"],
            of=fixes["tree"],
            places=len(trees),
        )
        for name, values in averaged._asdict().items():
            trees[name] = values
        self._fill_in(trees)
        order = [*trees.columns.drop("private"), "private"]
        return trees[order]

    def grid(self, block: str | None) -> Grid | None:
        """Return how the rows of a block lie; None where nothing tells."""
        return self._grids.get(block)

    def stretches(
        self, block: ArrayLike, row: ArrayLike, first: ArrayLike, last: ArrayLike
    ) -> Numbers:
        """Return both ends of runs of positions as longitude and latitude, shape (n, 2, 2).

        A run begins and ends half a position off its outer trees; NaN where nothing tells how the
        rows of its block lie.
        """
        blocks = np.asarray(block, dtype=object)
        rows, firsts, lasts = (np.asarray(each, dtype=float) for each in (row, first, last))
        ends = np.full((len(blocks), 2, 2), np.nan)
        for code in dict.fromkeys(blocks.tolist()):
            grid, its = self.grid(code), blocks == code
            if grid is None:
                continue
            for end, positions in enumerate((firsts[its] - 0.5, lasts[its] + 0.5)):
                latitude, longitude = grid.degrees(rows[its], positions)
                ends[its, end] = np.stack([longitude, latitude], axis=-1)
        return ends

    @cached_property
    def blocks(self) -> dict[str, BlockPlace]:
        """Return the blocks by code."""
        return {each.block: each for each in self.books.blocks}

    def all_private(self, block: str) -> bool:
        """Tell whether trees stand in a block, and the place of each is private."""
        private = {each.private for each in self.books.trees if each.block == block}
        return private == {True}

    def _fixes(self, trees: pd.DataFrame) -> pd.DataFrame:
        """Return all fixes that are a tree's: its own, and those of cuttings that agree with it."""
        own = trees.loc[trees["latitude"].notna(), ["latitude", "longitude", "accuracy_m"]]
        number = dict(zip(trees["code"], range(len(trees)), strict=True))
        cuts = pd.DataFrame(
            [(number[tree], *fix) for tree, fix in self.books.cut_fixes if tree in number],
            columns=["tree", "latitude", "longitude", "accuracy_m"],
        ).astype({"accuracy_m": "float64"})
        at = cuts["tree"].map(dict(enumerate(trees["latitude"]))).notna().to_numpy()
        stands = trees.iloc[cuts["tree"].to_numpy(dtype=int)]
        apart = np.zeros(len(cuts))
        apart[at] = metres_apart(
            *(cuts.loc[at, name] for name in ("latitude", "longitude")),
            *(stands.loc[at, name] for name in ("latitude", "longitude")),
        )
        spread = together(cuts["accuracy_m"], stands["accuracy_m"])
        agreeing = cuts[~at | (apart <= AGREES * spread)]
        return pd.concat([own.assign(tree=own.index), agreeing], ignore_index=True)

    def _fill_in(self, trees: pd.DataFrame) -> None:
        """Give trees without a fix the place that their row and position have."""
        lacking = trees["latitude"].isna() & trees["row"].notna() & trees["position"].notna()
        for block, group in trees[lacking].groupby("block"):
            grid = self.grid(str(block))
            if grid is not None:
                latitude, longitude = grid.degrees(
                    group["row"].to_numpy(float), group["position"].to_numpy(float)
                )
                trees.loc[group.index, "latitude"] = latitude
                trees.loc[group.index, "longitude"] = longitude
                trees.loc[group.index, "accuracy_m"] = grid.accuracy_m
                trees.loc[group.index, "estimated"] = True

    @cached_property
    def _grids(self) -> dict[str | None, Grid]:
        fixed: dict[str, list[TreePlace]] = {}
        for tree in self.books.trees:
            if (
                tree.block is not None
                and None not in (tree.row, tree.position, tree.latitude, tree.longitude)
                and tree.fix_method != FixMethod.ESTIMATED
            ):
                fixed.setdefault(tree.block, []).append(tree)
        found: dict[str | None, Grid] = {}
        for block in self.books.blocks:
            grid = _grid_of(block, fixed.get(block.block, []))
            if grid is not None:
                found[block.block] = grid
        return found


def _grid_of(block: BlockPlace, trees: list[TreePlace]) -> Grid | None:
    """Return how the rows of a block lie: by outline and trees with fixes, else by these alone."""
    stands = np.array([each[5:10] for each in trees], dtype=np.float64).reshape(-1, 5)
    row, position, latitude, longitude, accuracy_m = stands.T
    spread = deviation(accuracy_m)
    if block.outline is None:
        ends = block.rows, block.positions
        return among_fixes(row, position, latitude, longitude, spread, ends)
    grid = lay_out(
        block.outline,
        block.rows,
        block.positions,
        row_spacing_m=block.row_spacing_m,
        tree_spacing_m=block.tree_spacing_m,
        counted_from=block.counted_from,
    )
    return fit(grid, row, position, grid.plane.metres(latitude, longitude), spread)
