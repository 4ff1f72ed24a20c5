"""Twenty seasons of cutting by the plan and by simple rules, in an invented orchard.

    python -m benchmarks.rotation_seasons [--seeds 10] [--seasons 20] [--workers 2] [--quick]

The orchard and what cutting does to it (benchmarks/orchard.py) share nothing with the plan, which
sees records only. Beside it the plan without look-ahead, the plan to which bank trees have no watch
level, and three simple rules that fill each season's orders as they come: the trees cut longest ago
first, the best trees every year, the same share of every tree. All reckon what a tree grows alike,
and all keep the plan's limits, or none. docs/rotation_seasons.md says what is assumed and what came
out.
"""

import argparse
import math
import os
import statistics
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

from benchmarks.orchard import (
    BEFORE,
    HARSH,
    MILD,
    WORN,
    Cut,
    Orchard,
    OrchardTree,
    Standing,
    VigourModel,
    draw_orchard,
)
from scionreg.records.starting_values import RotationValues
from scionreg.rotation.capacity import CutTree, SeasonCut, capacities, largest_share
from scionreg.rotation.cutting_plan import plan
from scionreg.rotation.pressure import NO_LIMIT, cut_status, limits_of
from scionreg.rotation.program import LARGEST_PART
from scionreg.rotation.supply import LOOK_BACK, TreeSupply, Wanted, least_sticks, most_sticks

SETTINGS = RotationValues()
HORIZON = 3
YEAR = 2001
"""What the first planned season is named by."""
SECONDS = 20.0
"""Time that the plan of a cultivar may take, far more than it needs: a busy machine plans alike."""
USED_BEFORE = 0.4
"""Share of each tree's limit that was cut in the seasons before the first planned one."""

Asked = dict[str, int]
Chooser = Callable[[Sequence[TreeSupply], Sequence[int]], Asked]
"""From the trees of a cultivar and the sticks wanted by season, what to cut now."""


# ---------------------------------------------------------------------- what the records tell


def cut_tree(tree: OrchardTree, season: int, cuts: Iterable[Cut]) -> CutTree:
    """Return a tree as its records show it before `season`."""
    return CutTree(
        tree=tree.tree,
        kind=tree.kind(season),
        species=tree.species,
        planted=YEAR + tree.planted,
        cuts=tuple(
            SeasonCut(
                season=YEAR + cut.season,
                sticks=cut.sticks,
                share=cut.share_noted,
                counted=True,
                shoot_length_cm=cut.shoots_noted,
            )
            for cut in cuts
        ),
    )


def supplies(
    orchard: Orchard,
    season: int,
    books: Mapping[str, list[Cut]],
    limited: bool,
    values: RotationValues = SETTINGS,
) -> list[TreeSupply]:
    """Return the trees as `scionreg plan` would take them from the same records."""
    ahead = range(YEAR + season, YEAR + season + HORIZON)
    standing = {each.tree: each for each in orchard.trees if each.stands(season)}
    trees = [cut_tree(each, season, books.get(each.tree, ())) for each in standing.values()]
    grows = capacities(trees, ahead, values)
    found = []
    for tree in trees:
        grown = tuple(each.sticks for each in grows[tree.tree])
        status = cut_status(tree, YEAR + season, grown[0], values=values)
        limits = limits_of(tree, YEAR + season, values)
        shares = tuple(
            largest_share(tree.kind, tree.species, tree.planted, year, values) for year in ahead
        )
        rests_to = status.until if limited and status.until else YEAR + season
        its = standing[tree.tree]
        goes = YEAR + its.leaves if its.grubbed else math.inf
        if not limited:
            limits = replace(limits, share=0.95, rest=NO_LIMIT, heavy_share=1.0, rest_seasons=0)
            shares = ()
        found.append(
            TreeSupply(
                tree=tree.tree,
                cultivar=its.cultivar,
                kind=tree.kind,
                capacity=grown,
                limits=limits,
                past=status.past[: LOOK_BACK - 1],
                shares=shares,
                eligible=tuple(rests_to <= year < goes for year in ahead),
            )
        )
    return found


# -------------------------------------------------------------------------------------- rules


def by_plan(trees: Sequence[TreeSupply], wanted: Sequence[int]) -> Asked:
    """Cut what the plan says for its first season."""
    cultivar = trees[0].cultivar
    orders = [Wanted(cultivar=cultivar, season=s, sticks=n) for s, n in enumerate(wanted)]
    made = plan(trees, orders, len(wanted), seconds=SECONDS)
    return {row.tree: row.sticks for row in made.trees if row.season == 0 and row.sticks}


def by_plan_of_one_season(trees: Sequence[TreeSupply], wanted: Sequence[int]) -> Asked:
    """Cut what the plan says that knows of no later season."""
    return by_plan(trees, wanted[:1])


def by_plan_sparing_no_bank(trees: Sequence[TreeSupply], wanted: Sequence[int]) -> Asked:
    """Cut what the plan says were it all one how often a bank tree is cut whole."""
    careless = [
        replace(tree, limits=replace(tree.limits, watch=NO_LIMIT)) if tree.kind == "bank" else tree
        for tree in trees
    ]
    return by_plan(careless, wanted)


def longest_uncut(trees: Sequence[TreeSupply], wanted: Sequence[int]) -> Asked:
    """Cut the trees first that were cut longest ago, or of which least was cut last."""
    return filled(sorted(trees, key=lambda tree: tree.past), wanted[0])


def best_trees(trees: Sequence[TreeSupply], wanted: Sequence[int]) -> Asked:
    """Cut the trees first that give most."""
    return filled(sorted(trees, key=lambda tree: -tree.capacity[0] * tree.share(0)), wanted[0])


def equal_shares(trees: Sequence[TreeSupply], wanted: Sequence[int]) -> Asked:
    """Cut the same share of every tree that can be cut."""
    most = rooms(trees, wanted[0])
    while True:
        able = [tree for tree in trees if most[tree.tree]]
        share = _share(able, most, wanted[0])
        small = [t for t in able if share * t.capacity[0] < least_sticks(t, wanted[0])]
        if not small:
            break
        most[min(small, key=lambda tree: tree.capacity[0]).tree] = 0
    given: Asked = {}
    carried = 0.0
    for tree in able:
        carried += min(most[tree.tree], share * tree.capacity[0])
        sticks = min(most[tree.tree], round(carried))
        carried -= sticks
        if sticks >= least_sticks(tree, wanted[0]):
            given[tree.tree] = sticks
    return given


def _share(trees: Sequence[TreeSupply], most: Asked, wanted: int) -> float:
    low, high = 0.0, 1.0
    for _ in range(40):
        share = (low + high) / 2
        gives = sum(min(most[tree.tree], share * tree.capacity[0]) for tree in trees)
        low, high = (low, share) if gives >= wanted else (share, high)
    return high


def rooms(trees: Sequence[TreeSupply], wanted: int, spread: bool = True) -> Asked:
    """Return the most that each tree may give now: the plan's limits, and the spread's part."""
    most = {tree.tree: most_sticks(tree, 0, wanted) for tree in trees}
    able = sum(room > 0 for room in most.values())
    if spread and able > 1:
        part = math.ceil((LARGEST_PART if able > 2 else 1 / able) * wanted - 1e-9)
        most = {tree: min(room, part) for tree, room in most.items()}
    return most


def filled(order: Sequence[TreeSupply], wanted: int) -> Asked:
    """Fill an order tree by tree, each to its room; beyond the spread's part only if it must be."""
    given = _filled(order, wanted, rooms(order, wanted))
    if sum(given.values()) < wanted:
        return _filled(order, wanted, rooms(order, wanted, spread=False))
    return given


def _filled(order: Sequence[TreeSupply], wanted: int, most: Asked) -> Asked:
    given: Asked = {}
    left, before = wanted, None
    for tree in order:
        least = least_sticks(tree, wanted)
        if not left or not most[tree.tree]:
            continue
        if left < least:
            # A visit for a few sticks is not worth it: the tree before leaves some to this one.
            if before is None or given[before.tree] - (least - left) < least_sticks(before, wanted):
                continue
            given[before.tree] -= least - left
            left = least
        given[tree.tree] = min(left, most[tree.tree])
        left -= given[tree.tree]
        before = tree
    return given


RULES: dict[str, Chooser] = {
    "plan": by_plan,
    "plan of one season": by_plan_of_one_season,
    "plan sparing no bank tree": by_plan_sparing_no_bank,
    "longest uncut first": longest_uncut,
    "best trees every year": best_trees,
    "equal shares": equal_shares,
}
VARIANTS = ("plan of one season", "plan sparing no bank tree")
"""What the plan would be without a part of it; tried with the limits only."""


# -------------------------------------------------------------------------------- the seasons


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of the seasons: shares of 1, counts, and mean vigour at the end."""

    met: float
    must_met: float
    worn: int
    visits: int
    sticks: int
    vigour: float

    @property
    def sticks_a_visit(self) -> float:
        """Return the sticks that one visit brings."""
        return self.sticks / max(1, self.visits)


def run(
    orchard: Orchard,
    model: VigourModel,
    rule: Chooser,
    limited: bool,
    values: RotationValues = SETTINGS,
) -> Outcome:
    """Cut an orchard season after season by one rule."""
    standing = Standing(orchard, model)
    books: dict[str, list[Cut]] = defaultdict(list)
    given: dict[tuple[str, int], int] = defaultdict(int)
    worn: set[str] = set()
    visits = 0
    for season in range(-BEFORE, 0):
        _note(books, standing.cut(season, _before(orchard, season, books, standing)))
    for season in range(orchard.seasons):
        there = standing.there(season)
        supply = supplies(orchard, season, books, limited, values)
        sticks: Asked = {}
        for trees, wanted in _wishes(orchard, season, supply):
            sticks |= cut_in_turn(trees, wanted[0], rule(trees, wanted), there)
        cuts = standing.cut(season, sticks)
        visits += len(cuts)
        _note(books, cuts)
        for cut in cuts:
            given[cut.tree[0], season] += cut.sticks
        worn |= {tree for tree, vigour in standing.vigour.items() if vigour < WORN}
    orders = orchard.orders
    last = [tree.tree for tree in orchard.trees if tree.stands(orchard.seasons - 1)]
    return Outcome(
        met=sum(given.values()) / sum(order.sticks for order in orders.values()),
        must_met=sum(min(given[key], order.must) for key, order in orders.items())
        / sum(order.must for order in orders.values()),
        worn=len(worn),
        visits=visits,
        sticks=sum(given.values()),
        vigour=statistics.fmean(standing.vigour[tree] for tree in last),
    )


def _note(books: dict[str, list[Cut]], cuts: Iterable[Cut]) -> None:
    for cut in cuts:
        books[cut.tree].append(cut)


def _before(
    orchard: Orchard, season: int, books: Mapping[str, list[Cut]], standing: Standing
) -> Asked:
    """Return the cuts of the seasons before the first: every tree lightly, whatever the rule."""
    there = standing.there(season)
    return {
        tree.tree: min(there[tree.tree], round(USED_BEFORE * tree.share(0) * tree.capacity[0]))
        for tree in supplies(orchard, season, books, limited=True)
    }


def _wishes(
    orchard: Orchard, season: int, supply: Iterable[TreeSupply]
) -> Iterator[tuple[list[TreeSupply], list[int]]]:
    """Yield each cultivar's trees with the sticks wanted of them, by season, as far as foreseen."""
    by_cultivar = defaultdict(list)
    for tree in supply:
        by_cultivar[tree.cultivar].append(tree)
    for cultivar, trees in by_cultivar.items():
        now = orchard.orders[cultivar, season]
        wanted = [now.sticks]
        for later in range(season + 1, season + HORIZON):
            # After the last season the orchard goes on as it was.
            wanted.append(orchard.orders.get((cultivar, later), now).foreseen)
        yield trees, wanted


def cut_in_turn(
    trees: Sequence[TreeSupply], wanted: int, asked: Asked, there: Mapping[str, int]
) -> Asked:
    """Return what comes of going round: what a tree does not have is looked for on others.

    First on those of the list, then on those off it, each to its room; the same for every rule.
    """
    sticks = {tree: min(number, there[tree]) for tree, number in asked.items() if there[tree]}
    lacks = sum(asked.values()) - sum(sticks.values())
    room = {
        tree: min(most - asked.get(tree, 0), there[tree] - sticks.get(tree, 0))
        for tree, most in rooms(trees, wanted, spread=False).items()
    }
    for tree in sorted(room, key=lambda tree: (tree not in asked, -room[tree])):
        more = min(lacks, room[tree])
        if more > 0:
            sticks[tree] = sticks.get(tree, 0) + more
            lacks -= more
    return sticks


# ---------------------------------------------------------------------------------- the table

MODELS = {model.name: model for model in (MILD, HARSH)}
COLUMNS = ("met", "must_met", "worn", "visits", "sticks_a_visit", "vigour")
Key = tuple[str, bool, str, int]


def one(
    key: Key, seasons: int, demand: float, values: RotationValues
) -> tuple[Key, Outcome, float]:
    """Run one rule in one orchard; also return the CPU seconds it took."""
    model, limited, rule, seed = key
    began = time.process_time()
    orchard = draw_orchard(seed, seasons, demand)
    outcome = run(orchard, MODELS[model], RULES[rule], limited, values)
    return key, outcome, time.process_time() - began


def interval(differences: Sequence[float]) -> tuple[float, float]:
    """Return the mean of paired differences and half its 95 % interval (Student's t)."""
    from scipy.stats import t

    mean = statistics.fmean(differences)
    if len(differences) < 2:
        return mean, math.inf
    error = statistics.stdev(differences) / math.sqrt(len(differences))
    return mean, float(t.ppf(0.975, len(differences) - 1)) * error


SHOWN: dict[str, tuple[str, float, str]] = {
    "met": ("met %", 100, ".1f"),
    "must_met": ("must %", 100, ".1f"),
    "worn": ("worn", 1, ".1f"),
    "visits": ("visits", 1, ".0f"),
    "sticks_a_visit": ("a visit", 1, ".1f"),
    "vigour": ("vigour", 1, ".2f"),
}


def table(outcomes: Mapping[Key, Outcome], seeds: Sequence[int]) -> list[str]:
    """Return the lines of the table: means, and below them what differs from the plan."""
    head = [SHOWN[column][0] for column in COLUMNS]
    lines = [f"{'':32}" + "".join(f"{name:>16}" for name in head)]
    for model, limited in sorted({key[:2] for key in outcomes}, key=lambda k: (k[0], not k[1])):
        lines.append(f"{model} vigour, {'the same limits' if limited else 'no limits'}")
        for rule in (each for each in RULES if (model, limited, each, seeds[0]) in outcomes):
            cells, against = [], []
            for column in COLUMNS:
                _, times, form = SHOWN[column]
                its = [getattr(outcomes[model, limited, rule, s], column) * times for s in seeds]
                plans = [
                    getattr(outcomes[model, limited, "plan", s], column) * times for s in seeds
                ]
                spread = statistics.stdev(its) if len(its) > 1 else 0.0
                cells.append(f"{statistics.fmean(its):{form}} ({spread:{form}})")
                mean, half = interval([a - b for a, b in zip(its, plans, strict=True)])
                against.append(f"{mean:+{form}} ± {half:{form}}")
            lines.append(f"  {rule:30}" + "".join(f"{cell:>16}" for cell in cells))
            if rule != "plan":
                lines.append(f"    {'less the plan':28}" + "".join(f"{c:>16}" for c in against))
    return lines


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="benchmarks.rotation_seasons", description=__doc__)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--seasons", type=int, default=20)
    parser.add_argument("--demand", type=float, default=0.7, help="times what trees give lightly")
    parser.add_argument("--models", nargs="+", choices=MODELS, default=list(MODELS))
    parser.add_argument(
        "--set", nargs="+", default=[], metavar="NAME=VALUE", help="settings of the group rotation"
    )
    parser.add_argument("--workers", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--quick", action="store_true", help="2 seeds of 6 seasons")
    asked = parser.parse_args(arguments)
    if asked.quick:
        asked.seeds, asked.seasons = 2, 6
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    values = RotationValues(**{k: float(v) for k, v in (each.split("=") for each in asked.set)})
    seeds = range(1, asked.seeds + 1)
    keys: list[Key] = [
        (model, limited, rule, seed)
        for seed in seeds
        for model in asked.models
        for limited in (True, False)
        for rule in RULES
        if limited or rule not in VARIANTS
    ]
    outcomes: dict[Key, Outcome] = {}
    took = 0.0
    with ProcessPoolExecutor(asked.workers) as pool:
        same = (asked.seasons, asked.demand, values)
        waiting = pool.map(one, keys, *([each] * len(keys) for each in same))
        for done, (key, outcome, seconds) in enumerate(waiting, start=1):
            outcomes[key] = outcome
            took += seconds
            print(f"\r{done} of {len(keys)} runs", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print(
        f"{asked.seasons} seasons, {asked.seeds} orchards, demand {asked.demand:g}"
        f"{''.join(', ' + each for each in asked.set)}: means "
        f"(standard deviation); differences from the plan with 95 % intervals; {took:.0f} s of CPU"
    )
    print("\n".join(table(outcomes, list(seeds))))


if __name__ == "__main__":
    main()
