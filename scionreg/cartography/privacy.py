"""Keeping private places off maps, pictures and files: left out, or blurred."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

PLACE = ("block", "row", "position")
"""Columns that say where a tree is as well as its coordinates do."""
DEGREE_M = 111_320.0
"""Metres of a degree of latitude, roughly: only the size of a blurred cell hangs on it."""


@dataclass(frozen=True, slots=True)
class Privacy:
    """What becomes of private places: shown, blurred to cells of `blur_m`, or (0) left out."""

    shown: bool = False
    blur_m: float = 0.0

    def keep(self, trees: pd.DataFrame) -> pd.DataFrame:
        """Return the trees with what is private of them left out or blurred.

        A blurred place is the middle of a fixed cell, not a random one nearby, of which many
        answers would give the mean away; its row and position go too.
        """
        private = trees["private"].to_numpy()
        if self.shown or not private.any():
            return trees
        if not self.blur_m:
            return trees[~private]
        blurred = trees.copy()
        tall = self.blur_m / DEGREE_M
        middle = (np.floor(trees.loc[private, "latitude"] / tall) + 0.5) * tall
        wide = tall / np.maximum(np.cos(np.radians(middle)), 0.01)
        blurred.loc[private, "latitude"] = middle
        blurred.loc[private, "longitude"] = (
            np.floor(trees.loc[private, "longitude"] / wide) + 0.5
        ) * wide
        blurred.loc[private, "accuracy_m"] = self.blur_m
        blurred.loc[private, "estimated"] = True
        blurred.loc[private, "fixes"] = 0
        for name in PLACE:
            blurred[name] = blurred[name].mask(private)
        return blurred

    def hides(self, trees: pd.DataFrame) -> int:
        """Return how many of the trees it leaves out or blurs."""
        return 0 if self.shown else int(trees["private"].sum())
