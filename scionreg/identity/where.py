"""Which tree somebody may be standing at: each tree near a fix, with its probability.

A fix at a tree strays by its own accuracy and by that of the place written for the tree
(`geodesy.fixes`). Before the fix every recorded tree is as likely as the next, and so is every
place that no record knows, of which there are some on every hectare; so the answer may be none.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from scionreg.geodesy.fixes import Fix, log_densities
from scionreg.geodesy.ground import metres_apart
from scionreg.records.starting_values import PlaceValues

if TYPE_CHECKING:
    import pandas as pd

LEAST = 0.005
"""Probability below which a tree is not listed."""
HECTARE_M2 = 10_000


class Stand(NamedTuple):
    """A tree with its place; `private` keeps back how far off it is."""

    tree: str
    cultivar: str
    place: Fix
    private: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A tree one may be standing at; `metres` None where its place is private."""

    tree: str
    cultivar: str
    probability: float
    metres: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """The trees one may be standing at, likeliest first.

    Probabilities of `trees`, of `others` less likely, and of `none_of_these` sum to 1. `cultivars`
    gives those that are possible (setting `place.possible`), likeliest first.
    """

    fix: Fix
    trees: tuple[Candidate, ...]
    others: float
    none_of_these: float
    cultivars: tuple[tuple[str, float], ...]

    @property
    def mixed(self) -> bool:
        """Tell whether more than one cultivar is possible."""
        return len(self.cultivars) > 1

    def other_than(self, cultivar: str) -> tuple[tuple[str, float], ...]:
        """Return the possible cultivars but one."""
        return tuple(each for each in self.cultivars if each[0] != cultivar)

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            **self.fix._asdict(),
            "trees": self.to_rows(),
            "others": self.others,
            "none_of_these": self.none_of_these,
            "cultivars": [{"cultivar": name, "probability": p} for name, p in self.cultivars],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a tree, for CSV."""
        return [asdict(each) for each in self.trees]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows(), columns=list(Candidate.__dataclass_fields__))


def where(fix: Fix, stands: Sequence[Stand], values: PlaceValues | None = None) -> Where:
    """Return which of some trees a fix may have been taken at.

    Parameters
    ----------
    fix : degrees, and the radius that holds it at 68 %, m; None is a phone's.
    stands : every tree whose place is known.
    """
    values = values or PlaceValues()
    places = np.array([each.place for each in stands], dtype=np.float64).reshape(-1, 3)
    logs = log_densities(fix, *places.T)
    nowhere = math.log(values.unrecorded_per_ha / HECTARE_M2)
    top = max(nowhere, float(logs.max(initial=-math.inf)))
    weights = np.exp(logs - top)
    none = math.exp(nowhere - top)
    total = none + float(weights.sum())
    chances = weights / total
    metres = metres_apart(fix.latitude, fix.longitude, places[:, 0], places[:, 1])
    listed = [int(i) for i in np.argsort(-chances, kind="stable") if chances[i] >= LEAST]
    by_cultivar: dict[str, float] = {}
    for stand, chance in zip(stands, chances, strict=True):
        by_cultivar[stand.cultivar] = by_cultivar.get(stand.cultivar, 0.0) + float(chance)
    possible = [each for each in by_cultivar.items() if each[1] >= values.possible]
    return Where(
        fix=fix,
        trees=tuple(
            Candidate(
                tree=stands[i].tree,
                cultivar=stands[i].cultivar,
                probability=float(chances[i]),
                metres=None if stands[i].private else round(float(metres[i]), 2),
            )
            for i in listed
        ),
        others=max(0.0, float(chances.sum() - chances[listed].sum())),
        none_of_these=none / total,
        cultivars=tuple(sorted(possible, key=lambda each: (-each[1], each[0]))),
    )
