"""Which tree somebody may be standing at: each tree near a fix, with its probability.

A fix at a tree strays by its own accuracy and by that of the place written for the tree
(`geodesy.fixes`). Before the fix every recorded tree is as likely as the next, and so is every
place that no record knows, of which there are some on every hectare; so the answer may be none.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from scionreg.geodesy.fixes import Fix, deviation, log_densities, log_density, together
from scionreg.geodesy.ground import Numbers, Whole, metres_apart, pairs_near
from scionreg.records.starting_values import PlaceValues

if TYPE_CHECKING:
    import pandas as pd

LEAST = 0.005
"""Probability below which a tree is not listed."""
HECTARE_M2 = 10_000
REACH = 9.0
"""Standard deviations within which trees are looked for; beyond, a density is below 3e-18 of its
greatest: nothing beside the fewest unrecorded places that the settings allow."""
Cultivars = tuple[tuple[str, float], ...]
"""Cultivars with the chance of each, the likeliest first."""


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
    cultivars: Cultivars

    @property
    def mixed(self) -> bool:
        """Tell whether more than one cultivar is possible."""
        return len(self.cultivars) > 1

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
    places = _places(stands)
    weights = _weights(log_densities(fix, *places.T), values)
    total = 1 + float(weights.sum())
    chances = weights / total
    metres = metres_apart(fix.latitude, fix.longitude, places[:, 0], places[:, 1])
    listed = [int(i) for i in np.argsort(-chances, kind="stable") if chances[i] >= LEAST]
    by_cultivar: dict[str, float] = {}
    for stand, chance in zip(stands, chances, strict=True):
        by_cultivar[stand.cultivar] = by_cultivar.get(stand.cultivar, 0.0) + float(chance)
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
        none_of_these=1 / total,
        cultivars=_possible(by_cultivar.items(), values),
    )


def cultivars_at(
    fixes: Sequence[Fix], stands: Sequence[Stand], values: PlaceValues | None = None
) -> list[Cultivars]:
    """Return the possible cultivars at each of many fixes, as `where` has them for one.

    Trees beyond `REACH` are passed over, so that each fix is compared with a few.
    """
    values = values or PlaceValues()
    fix, tree, logs = _near(np.array(fixes, dtype=np.float64).reshape(-1, 3), _places(stands))
    weights = _weights(logs, values)
    names, named = np.unique([each.cultivar for each in stands], return_inverse=True)
    groups, group = np.unique(fix * max(len(names), 1) + named[tree], return_inverse=True)
    of, name = np.divmod(groups, max(len(names), 1))
    chances = np.bincount(group, weights) / (1 + np.bincount(fix, weights, len(fixes)))[of]
    found: list[list[tuple[str, float]]] = [[] for _ in fixes]
    for i in np.flatnonzero(chances >= values.possible).tolist():
        found[of[i]].append((str(names[name[i]]), float(chances[i])))
    return [_possible(each, values) for each in found]


def _places(stands: Sequence[Stand]) -> Numbers:
    return np.array([each.place for each in stands], dtype=np.float64).reshape(-1, 3)


def _weights(logs: Numbers, values: PlaceValues) -> Numbers:
    """Return how much likelier each tree is than a place that no record knows."""
    return np.exp(logs - math.log(values.unrecorded_per_ha / HECTARE_M2))


def _possible(chances: Iterable[tuple[str, float]], values: PlaceValues) -> Cultivars:
    possible = [each for each in chances if each[1] >= values.possible]
    return tuple(sorted(possible, key=lambda each: (-each[1], each[0])))


def _near(at: Numbers, places: Numbers) -> tuple[Whole, Whole, Numbers]:
    """Return pairs of fixes and trees within reach of each other: their numbers, log densities.

    Trees are looked for with those placed about as well: a vague place is searched for far off.
    """
    pairs = [(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))]
    size = np.ceil(np.log2(deviation(places[:, 2])))
    for each in np.unique(size):
        its = np.flatnonzero(size == each)
        reach = REACH * together(at[:, 2], places[its, 2].max())
        (north, east), (to_north, to_east) = at[:, :2].T, places[its, :2].T
        fix, near, metres = pairs_near(north, east, to_north, to_east, reach)
        tree = its[near]
        pairs.append((fix, tree, log_density(metres, together(at[fix, 2], places[tree, 2]))))
    fixes, trees, logs = (np.concatenate(part) for part in zip(*pairs, strict=True))
    return fixes, trees, logs
