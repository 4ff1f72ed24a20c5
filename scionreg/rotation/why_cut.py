"""Why a tree is cut as it is: the limit that binds, and what would change."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from scionreg.rotation.goals import Served, improve, pressure, serve, shortfalls
from scionreg.rotation.program import LARGEST_PART
from scionreg.rotation.supply import (
    LOOK_BACK,
    WEIGHTS,
    TreeSupply,
    most_sticks,
    past_strain,
    rests_from_before,
)

MORE = 0.1
"""How much more a tree is tried to grow, as a share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How a cultivar's plan changes: sticks short by season, visits and their differences."""

    shortfall: tuple[int, ...]
    shortfall_change: int
    visits: int
    visits_change: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WhyCut:
    """Why a tree gives what it gives.

    `binding` is by planned season; `without` and `with_more` are the plans without the tree and
    with a tenth more sticks of it.
    """

    tree: str
    cultivar: str
    sticks: tuple[int, ...]
    binding: tuple[str, ...]
    without: Change
    with_more: Change

    def to_dict(self) -> dict[str, Any]:
        """Return the answer as plain data for JSON."""
        found = {name: getattr(self, name) for name in self.__slots__}
        for name in ("without", "with_more"):
            change = found[name]
            found[name] = {each: getattr(change, each) for each in change.__slots__}
        return found


def why_cut(tree: str, cultivar: str, served: Served, seconds: float) -> WhyCut:
    """Return why, with the cultivar planned anew twice in at most `seconds` each."""
    place = next(at for at, each in enumerate(served.trees) if each.tree == tree)
    seasons = range(len(served.demand))
    its = served.trees[place]
    more = replace(its, capacity=tuple(grows * (1 + MORE) for grows in its.capacity))
    others = served.trees[:place], served.trees[place + 1 :]
    return WhyCut(
        tree=tree,
        cultivar=cultivar,
        sticks=tuple(served.cuts.get((place, season), 0) for season in seasons),
        binding=tuple(binding_limit(place, season, served) for season in seasons),
        without=changes_without(cultivar, served, (*others[0], *others[1]), seconds),
        with_more=changes_without(cultivar, served, (*others[0], more, *others[1]), seconds),
    )


def changes_without(
    cultivar: str, served: Served, trees: tuple[TreeSupply, ...], seconds: float
) -> Change:
    """Return how the cultivar's plan changes if `trees` are all it has."""
    again = improve(serve(cultivar, trees, served.demand, seconds / 2), cultivar, seconds / 2)
    short = shortfalls(again.demand, again.cuts)
    return Change(
        shortfall=short,
        shortfall_change=sum(short) - sum(shortfalls(served.demand, served.cuts)),
        visits=len(again.cuts),
        visits_change=len(again.cuts) - len(served.cuts),
    )


def binding_limit(place: int, season: int, served: Served) -> str:
    """Return the limit that keeps the tree from giving one stick more, in a sentence's words."""
    return next(_limits(place, season, served), "no limit binds; the others suffice")


def _limits(place: int, season: int, served: Served) -> Iterator[str]:
    tree, wanted = served.trees[place], served.demand[season]
    limits, grows = tree.limits, tree.capacity[season]
    sticks = [served.cuts.get((place, when), 0) for when in range(len(served.demand))]
    cut = sticks[season]
    if tree.eligible and not tree.eligible[season]:
        yield "; ".join(dict.fromkeys(why for why in tree.why_not if why)) or "it may not be cut"
    if wanted == 0:
        yield "none is wanted"
    if rests_from_before(tree, season):
        yield "it rests after a heavy cut"
    if past_strain(tree, season) >= limits.rest:
        yield f"its past pressure is over the rest level {limits.rest:g}"
    if not most_sticks(tree, season, wanted):
        yield f"it may give fewer than the {limits.least_visit} sticks of a visit"
    heavy = [
        s / c + tree.done * (when == 0) > limits.heavy_share if s else False
        for when, (s, c) in enumerate(zip(sticks, tree.capacity, strict=False))
    ]
    if not cut and any(heavy[max(0, season - limits.rest_seasons) : season]):
        yield "it rests after a heavy planned cut"
    if not cut:
        if shortfalls(served.demand, served.cuts)[season]:
            yield "cut in other seasons, which leaves less than a visit's sticks here"
        return
    if cut + 1 > tree.share_left(season) * grows + 1e-9:
        yield f"the largest share cut in a season, {tree.share(season):g}"
    for later in range(season, min(len(sticks), season + LOOK_BACK)):
        if not sticks[later]:
            continue
        strain = pressure(tree, sticks, later)
        if strain + WEIGHTS[later - season] / grows > limits.rest + 1e-9:
            yield f"the pressure above which it rests, {limits.rest:g}"
    able = sum(most_sticks(each, season, wanted) > 0 for each in served.trees)
    part = LARGEST_PART if able > 2 else 1 / able
    if able > 1 and season not in served.waived and cut + 1 > math.ceil(part * wanted - 1e-9):
        yield f"the largest part of the order from one tree, {part:.0%}"
    share = (cut + 1) / grows + tree.done * (season == 0)
    if share > limits.heavy_share and any(sticks[season + 1 :]):
        yield "one more would be a heavy cut, after which it rests"
