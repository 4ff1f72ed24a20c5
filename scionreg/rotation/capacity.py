"""How many usable sticks a mother tree grows in a season: its own cuts shrunk toward its kind.

On the natural log of a grown tree's sticks, within trees of one kind and species:

    log(sticks / share cut / share grown at that age) = mean + tree + season, count and share

A tree changes by a random walk from season to season, so its late cuts tell most (the local level
model: Harvey 1989, Forecasting, Structural Time Series Models and the Kalman Filter, ch. 4). The
mean has the usual yield as its prior, the trees' variance is the most likely one under a prior
about its stated value, and all other variances are settings (group ``rotation``). Each tree is then
its own figure and the kind's weighted by what each is worth (empirical Bayes: Efron and Morris
1975, J. Am. Stat. Assoc. 70:311).
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from scionreg.records.starting_values import RotationValues
from scionreg.records.vocabulary import TreeKind

Z90 = 1.6448536269514722
GENERA = {
    "carya": "pecan",
    "juglans": "walnut",
    "malus": "pome",
    "pyrus": "pome",
    "prunus": "stone_fruit",
    "castanea": "chestnut",
    "citrus": "citrus",
}
STEPS = 41
"""Values of the trees' standard deviation that are tried, over six times its freedom."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonCut:
    """What was cut of one tree in one season: `share` None where it was not written down."""

    season: int
    sticks: int
    share: float | None
    counted: bool
    in_leaf: bool = False
    shoot_length_cm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CutTree:
    """A mother tree as capacity needs it; `planted` is the season it was planted in."""

    tree: str
    kind: str
    species: str
    planted: int | None = None
    expected: int | None = None
    cuts: tuple[SeasonCut, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """Sticks that a tree grows in one season: the median, with a 90 % interval.

    `own` is what its own records say alone (None: nothing), `usual` what its kind does, both at its
    age then. `shrunk` is the weight of its kind, 0 to 1, on the log scale. `seasons` is how many
    seasons of cuts it rests on.
    """

    tree: str
    season: int
    sticks: float
    low: float
    high: float
    own: float | None
    usual: float
    shrunk: float
    seasons: int


def genus_word(species: str) -> str:
    """Return the word by which settings call a species."""
    return GENERA.get((species.split() or [""])[0].strip("×").lower(), "other")


def usual_sticks(kind: str, species: str, values: RotationValues) -> float:
    """Return the usable sticks that a grown tree of a kind usually has in a season."""
    word = genus_word(species)
    for name in (f"{kind}_{word}", kind, f"{kind}_other"):
        if hasattr(values, name):
            return max(1.0, float(getattr(values, name)))
    return max(1.0, values.bearing)


def grown(kind: str, planted: int | None, season: int, values: RotationValues) -> float:
    """Return the share of a grown tree's sticks that it has in a season.

    Only bank trees grow into their yield; the usual ones of other kinds are of trees as they are.
    A tree of unknown age is taken to be grown.
    """
    if kind != TreeKind.BANK or planted is None:
        return 1.0
    year = season - planted
    return 0.0 if year < 2 else float(getattr(values, f"grown_{min(year, 6)}"))


def largest_share(
    kind: str, species: str, planted: int | None, season: int, values: RotationValues
) -> float:
    """Return the largest share that may be cut of a tree in a season."""
    if kind != TreeKind.BANK:
        return float(getattr(values, f"share_{kind}", values.share_bearing))
    of_kind = values.share_bank_walnut if genus_word(species) == "walnut" else values.share_bank
    year = 99 if planted is None else season - planted
    if year <= 3:
        return min(of_kind, values.share_bank_year_3)
    return min(of_kind, values.share_bank_year_5) if year <= 5 else of_kind


def capacities(
    trees: Sequence[CutTree], seasons: Iterable[int], values: RotationValues | None = None
) -> dict[str, tuple[Capacity, ...]]:
    """Return what each tree grows in each of `seasons`, in their order.

    Cuts of the first of these seasons, or later, are not counted: that season's wood is asked for.
    """
    values = values or RotationValues()
    asked = tuple(seasons)
    classes: dict[tuple[str, str], list[CutTree]] = {}
    for each in trees:
        classes.setdefault((each.kind, genus_word(each.species)), []).append(each)
    found: dict[str, tuple[Capacity, ...]] = {}
    for alike in classes.values():
        own = {each.tree: _own(each, asked[0], values) for each in alike}
        kind = _kind(usual_sticks(alike[0].kind, alike[0].species, values), own, values)
        for each in alike:
            found[each.tree] = tuple(_told(each, own[each.tree], kind, s, values) for s in asked)
    return found


# ----------------------------------------------------------------------- a tree's own evidence


@dataclass(frozen=True, slots=True)
class _Own:
    """Log of a grown tree's sticks by its own records, and how much that is worth."""

    mean: float
    precision: float
    seasons: int


@dataclass(frozen=True, slots=True)
class _Kind:
    """Trees of one kind: the log of their mean, its variance, and the trees' variance."""

    mean: float
    variance: float
    trees: float


def _own(tree: CutTree, before: int, values: RotationValues) -> _Own:
    """Return what its cuts say, the oldest first: from season to season a tree may have changed."""
    cuts = sorted(
        (each for each in tree.cuts if each.season < before and each.sticks > 0),
        key=lambda each: each.season,
    )
    mean, precision, last = 0.0, 0.0, before
    for cut in cuts:
        precision = _aged(precision, cut.season - last, values)
        told, variance = _grew(tree, cut, values)
        mean, precision = _both(mean, precision, told, 1 / variance)
        last = cut.season
    precision = _aged(precision, before - last, values)
    if tree.expected:
        age = grown(tree.kind, tree.planted, before, values) or values.grown_2
        told = math.log(tree.expected / max(age, 0.01))
        mean, precision = _both(mean, precision, told, values.sd_expected**-2)
    return _Own(mean if precision else math.nan, precision, len(cuts))


def _grew(tree: CutTree, cut: SeasonCut, values: RotationValues) -> tuple[float, float]:
    """Return the log of a grown tree's sticks by one season's cut, and its variance."""
    age = grown(tree.kind, tree.planted, cut.season, values) or values.grown_2
    usual = largest_share(tree.kind, tree.species, tree.planted, cut.season, values)
    variance = (
        values.sd_season**2
        + (values.sd_counted if cut.counted else values.sd_estimated) ** 2
        + (values.sd_share if cut.share else values.sd_no_share) ** 2
    )
    return math.log(cut.sticks / ((cut.share or usual) * max(age, 0.01))), variance


def _aged(precision: float, seasons: int, values: RotationValues) -> float:
    """Return what a figure is worth so many seasons later."""
    return precision / (1 + precision * values.sd_drift**2 * seasons)


def _both(mean: float, precision: float, told: float, worth: float) -> tuple[float, float]:
    """Return the mean of two figures weighted by their precision, and its precision."""
    return (mean * precision + told * worth) / (precision + worth), precision + worth


# ---------------------------------------------------------------------------- the kind, and both


def _kind(usual: float, own: Mapping[str, _Own], values: RotationValues) -> _Kind:
    """Return the kind as its trees show it: over the trees' variance the likeliest is taken."""
    told = [each for each in own.values() if each.precision]
    prior = (math.log(usual), values.sd_usual**2)
    best, chosen = -math.inf, None
    for step in range(STEPS):
        z = 6 * step / (STEPS - 1) - 3
        trees = (values.sd_tree * math.exp(z * values.sd_tree_freedom)) ** 2
        precision, mean, log_density = 1 / prior[1], prior[0], -z * z / 2
        for each in told:
            spread = trees + 1 / each.precision
            apart = 1 / precision + spread
            log_density -= (math.log(apart) + (each.mean - mean) ** 2 / apart) / 2
            mean = (mean * precision + each.mean / spread) / (precision + 1 / spread)
            precision += 1 / spread
        if log_density > best:
            best, chosen = log_density, _Kind(mean, 1 / precision, trees)
    assert chosen is not None
    return chosen


def _told(tree: CutTree, own: _Own, kind: _Kind, season: int, values: RotationValues) -> Capacity:
    shrunk = 1 / (1 + kind.trees * own.precision)
    mean = shrunk * kind.mean + ((1 - shrunk) * own.mean if own.precision else 0.0)
    variance = shrunk * kind.trees + shrunk**2 * kind.variance + values.sd_season**2
    age = grown(tree.kind, tree.planted, season, values)
    off = Z90 * math.sqrt(variance)
    return Capacity(
        tree=tree.tree,
        season=season,
        sticks=age * math.exp(mean),
        low=age * math.exp(mean - off),
        high=age * math.exp(mean + off),
        own=age * math.exp(own.mean) if own.precision else None,
        usual=age * math.exp(kind.mean),
        shrunk=shrunk,
        seasons=own.seasons,
    )
