"""What things look like: themes, each a list of looks, read from `maps/symbols.toml`."""

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from scionreg.records.errors import RegistryError
from scionreg.resources import resource

SHAPES = frozenset(
    ["circle", "ring", "square", "diamond", "triangle", "wedge", "cross", "plus", "star", "hexagon"]
)
LINES = frozenset({"solid", "long", "dots", "dashdot"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How one thing is drawn: a colour, and a shape, letter or line as the second cue.

    It is for a `word`, or for figures `below` a bound or `above` all bounds; else for what is not
    known.
    """

    says: str
    colour: str
    shape: str
    letter: str = ""
    line: str = "solid"
    word: str | None = None
    below: float | None = None
    above: bool = False

    def drawn(self) -> dict[str, str]:
        """Return what a page needs to draw it and name it."""
        named = ("says", "colour", "shape", "letter", "line")
        return {name: value for name, value in asdict(self).items() if name in named}


@dataclass(frozen=True, slots=True, kw_only=True)
class Theme:
    """One way to tell features apart, and its looks in the order of the legend."""

    name: str
    heading: str
    looks: tuple[Look, ...]

    def sorted_out(self, values: "pd.Series[Any]") -> np.ndarray:
        """Return for each of n values the number of its look, shape (n,).

        A value that no look is for has the last look.
        """
        unknown = len(self.looks) - 1
        words = {look.word: i for i, look in enumerate(self.looks) if look.word is not None}
        if words:
            return values.map(words).fillna(unknown).to_numpy(dtype=int)
        bounds = [look.below for look in self.looks if look.below is not None]
        figures = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        found = np.searchsorted(np.array(bounds), figures, side="right")
        return np.where(np.isnan(figures), unknown, found)


def theme(name: str) -> Theme:
    """Return a theme by name.

    Raises
    ------
    RegistryError
        There is none of that name.
    """
    if name not in themes():
        raise RegistryError(f"there is no theme '{name}'; the themes are {', '.join(themes())}")
    return themes()[name]


@cache
def themes() -> Mapping[str, Theme]:
    """Return every theme by name."""
    text = (resource("maps") / "symbols.toml").read_text(encoding="utf-8")
    return {
        name: Theme(
            name=name,
            heading=told["heading"],
            looks=tuple(Look(**look) for look in told["looks"]),
        )
        for name, told in tomllib.loads(text).items()
    }
