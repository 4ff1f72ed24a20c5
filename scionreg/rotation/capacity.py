"""How many usable sticks a mother tree grows in a season: its own cuts shrunk toward its kind.

On the natural log of a grown tree's sticks, within trees of one kind and species:

    log(sticks / share cut / share grown at that age) = mean + tree + season, count and share

A tree changes by a random walk from season to season, so its late cuts tell most (the local level
model: Harvey 1989, Forecasting, Structural Time Series Models and the Kalman Filter, ch. 4), or it
falls off and has lost so much after each of its last cuts: how likely that is, its sticks and its
shoots tell, and both accounts are weighted by it. The mean has the usual yield as its prior, the
trees' variance is the most likely one under a prior about its stated value, and all other variances
are settings (group ``rotation``). Each tree is then its own figure and the kind's weighted by what
each is worth (empirical Bayes: Efron and Morris 1975, J. Am. Stat. Assoc. 70:311).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from scionreg.records.starting_values import RotationValues
from scionreg.records.vocabulary import TreeKind
from scionreg.rotation.supply import WEIGHTS

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
MOST_FALLS = 5
"""Falls in a row that are looked for; a tree that fell before that has been low since."""
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
    seasons of cuts it rests on. `falling` is how likely it is that it
    falls off with its cuts.
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
    falling: float = 0.0


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
        steady = [accounts[0] for accounts in own.values()]
        kind = _kind(usual_sticks(alike[0].kind, alike[0].species, values), steady, values)
        for each in alike:
            found[each.tree] = tuple(_told(each, own[each.tree], kind, s, values) for s in asked)
    return found


# ----------------------------------------------------------------------- a tree's own evidence


@dataclass(frozen=True, slots=True)
class _Own:
    """Log of a grown tree's sticks by its own records, and how much that is worth.

    `weight` is how likely its records are were it so, `fell` the fall that is part of it.
    """

    mean: float
    precision: float
    seasons: int
    weight: float = 1.0
    fell: float = 0.0


@dataclass(frozen=True, slots=True)
class _Kind:
    """Trees of one kind: the log of their mean, its variance, and the trees' variance."""

    mean: float
    variance: float
    trees: float


@dataclass(frozen=True, slots=True)
class _Grew:
    """What one season's cut says a grown tree grew (log), its variance, and its shoots (log)."""

    season: int
    told: float
    variance: float
    shoots: float | None


def _own(tree: CutTree, before: int, values: RotationValues) -> tuple[_Own, ...]:
    """Return what its cuts say: were it much the same all along, and did it fall off of late."""
    cuts = sorted(
        (each for each in tree.cuts if each.season < before and each.sticks > 0),
        key=lambda each: each.season,
    )
    grew = [_grew(tree, cut, values) for cut in cuts]
    most = max(0, min(MOST_FALLS, len(grew) - 1))
    found = [_followed(tree, grew, falls, before, values) for falls in range(most + 1)]
    falling = values.falling_over if _cut_hard(tree, cuts, values) else values.falling
    prior = [1 - falling, *(falling / most for _ in range(most))]
    top = max(each.weight for each in found)
    weights = [p * math.exp(each.weight - top) for p, each in zip(prior, found, strict=True)]
    return tuple(
        replace(each, weight=weight / sum(weights))
        for each, weight in zip(found, weights, strict=True)
    )


def _cut_hard(tree: CutTree, cuts: Sequence[SeasonCut], values: RotationValues) -> bool:
    """Tell whether its last cuts put it above the level at which its kind is watched."""
    watch = float(getattr(values, f"watch_{tree.kind}", math.inf))
    pressure = 0.0
    for cut in cuts[-len(WEIGHTS) :]:
        ago = cuts[-1].season - cut.season
        share = cut.share or largest_share(
            tree.kind, tree.species, tree.planted, cut.season, values
        )
        pressure += share * WEIGHTS[ago] if ago < len(WEIGHTS) else 0.0
    return pressure > watch


def _followed(
    tree: CutTree, grew: Sequence[_Grew], falls: int, before: int, values: RotationValues
) -> _Own:
    """Return what its cuts say, the oldest first, had it fallen after each of the last `falls`.

    Its `weight` is the log of how likely they are then, but for what all such have in common.
    """
    mean, precision, weight = 0.0, 0.0, 0.0
    by = -math.log(1 - values.falls_by)
    steady = len(grew) - 1 - falls
    for at, now in enumerate(grew):
        if at:
            fell = at > steady
            precision = _aged(precision, now.season - grew[at - 1].season, fell, values)
            mean -= by * fell
            apart = 1 / precision + now.variance
            weight -= (math.log(apart) + (now.told - mean) ** 2 / apart) / 2
            weight += _shoots(grew[at - 1], now, by * fell, values)
        mean, precision = _both(mean, precision, now.told, 1 / now.variance)
    if grew:
        fell = falls > 0 and before == grew[-1].season + 1
        precision = _aged(precision, before - grew[-1].season, fell, values)
        mean -= by * fell
    if tree.expected:
        age = grown(tree.kind, tree.planted, before, values) or values.grown_2
        told = math.log(tree.expected / max(age, 0.01))
        mean, precision = _both(mean, precision, told, values.sd_expected**-2)
    return _Own(mean if precision else math.nan, precision, len(grew), weight, by * falls)


def _grew(tree: CutTree, cut: SeasonCut, values: RotationValues) -> _Grew:
    age = grown(tree.kind, tree.planted, cut.season, values) or values.grown_2
    usual = largest_share(tree.kind, tree.species, tree.planted, cut.season, values)
    variance = (
        values.sd_season**2
        + (values.sd_counted if cut.counted else values.sd_estimated) ** 2
        + (values.sd_share if cut.share else values.sd_no_share) ** 2
    )
    told = math.log(cut.sticks / ((cut.share or usual) * max(age, 0.01)))
    shoots = math.log(cut.shoot_length_cm) if cut.shoot_length_cm else None
    return _Grew(cut.season, told, variance, shoots)


def _shoots(before: _Grew, now: _Grew, by: float, values: RotationValues) -> float:
    """Return the log of how likely the change of its shoots' length is; they fall half as much."""
    if before.shoots is None or now.shoots is None:
        return 0.0
    return -((now.shoots - before.shoots + by / 2) ** 2) / values.sd_shoots**2 / 2


def _aged(precision: float, seasons: int, fell: bool, values: RotationValues) -> float:
    """Return what a figure is worth so many seasons later."""
    more = values.sd_drift**2 * seasons + (values.sd_falls**2 if fell else 0.0)
    return precision / (1 + precision * more)


def _both(mean: float, precision: float, told: float, worth: float) -> tuple[float, float]:
    """Return the mean of two figures weighted by their precision, and its precision."""
    return (mean * precision + told * worth) / (precision + worth), precision + worth


# ---------------------------------------------------------------------------- the kind, and both


def _kind(usual: float, own: Sequence[_Own], values: RotationValues) -> _Kind:
    """Return the kind as its trees show it: over the trees' variance the likeliest is taken."""
    told = [each for each in own if each.precision]
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


def _told(
    tree: CutTree, own: Sequence[_Own], kind: _Kind, season: int, values: RotationValues
) -> Capacity:
    """Return the figure by each account of its records, weighted by how likely it is."""
    shrunk, weighed, told = 0.0, 0.0, []
    for each in own:
        # A tree that fell off differs from its kind by that fall as well.
        trees = kind.trees + each.fell**2
        share = 1 / (1 + trees * each.precision)
        mean = share * kind.mean + ((1 - share) * each.mean if each.precision else 0.0)
        variance = share * trees + share**2 * kind.variance + values.sd_season**2
        told.append((each.weight, mean, variance))
        shrunk += each.weight * share
        weighed += each.weight * (1 - share) * each.mean if each.precision else 0.0
    mean = math.fsum(weight * its for weight, its, _ in told)
    variance = math.fsum(w * (its_own + (its - mean) ** 2) for w, its, its_own in told)
    age = grown(tree.kind, tree.planted, season, values)
    off = Z90 * math.sqrt(variance)
    return Capacity(
        tree=tree.tree,
        season=season,
        sticks=age * math.exp(mean),
        low=age * math.exp(mean - off),
        high=age * math.exp(mean + off),
        own=age * math.exp(weighed / (1 - shrunk)) if shrunk < 1 else None,
        usual=age * math.exp(kind.mean),
        shrunk=shrunk,
        seasons=own[0].seasons,
        falling=math.fsum(each.weight for each in own[1:]),
    )
