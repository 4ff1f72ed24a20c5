"""Why a tree is cut as it is: the limit that binds, and what would change."""

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

from scionreg.rotation.goals import Served, improve, pressure, serve, shortfalls
from scionreg.rotation.program import LARGEST_PART
from scionreg.rotation.supply import (
    LOOK_BACK,
    WEIGHTS,
    TreeSupply,
    Used,
    allowances,
    least_sticks,
    most_sticks,
    past_strain,
    rests_from_before,
)

NOTHING_BINDS = "nothing: it gives what is wanted of it"
MORE = 0.1
"""How much more of a tree's sticks, or of what is wanted, is tried, as a share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherTree:
    """A tree that is cut otherwise, by so many sticks in a season (the first planned one is 0)."""

    tree: str
    season: int
    change: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How a cultivar's plan changes: sticks short by season, visits, and who is cut otherwise.

    `sticks` are the asked tree's own, by season; `others` the other trees', most changed first.
    """

    shortfall: tuple[int, ...]
    shortfall_change: int
    visits: int
    visits_change: int
    sticks: tuple[int, ...]
    others: tuple[OtherTree, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WhyCut:
    """Why a tree gives what it gives.

    `binding` is by planned season. The cultivar is planned anew without the tree, with a tenth more
    sticks of it, and with a tenth more wanted.
    """

    tree: str
    cultivar: str
    first_season: int
    sticks: tuple[int, ...]
    capacity: tuple[float, ...]
    binding: tuple[str, ...]
    without: Change
    with_more: Change
    with_demand: Change

    def to_dict(self) -> dict[str, Any]:
        """Return the answer as plain data for JSON."""
        return asdict(self)


def why_cut(
    tree: str, cultivar: str, served: Served, seconds: float, first_season: int = 0
) -> WhyCut:
    """Return why, with the cultivar planned anew three times in at most `seconds` each."""
    place = next(at for at, each in enumerate(served.trees) if each.tree == tree)
    seasons = range(len(served.demand))
    its, trees, demand = served.trees[place], served.trees, served.demand
    more = replace(its, capacity=tuple(grows * (1 + MORE) for grows in its.capacity))

    def changed(trees: tuple[TreeSupply, ...], demand: tuple[int, ...]) -> Change:
        again = serve(cultivar, trees, demand, seconds / 2, served.caps)
        return _change(tree, served, improve(again, cultivar, seconds / 2))

    return WhyCut(
        tree=tree,
        cultivar=cultivar,
        first_season=first_season,
        sticks=tuple(served.cuts.get((place, season), 0) for season in seasons),
        capacity=its.capacity,
        binding=tuple(binding_limit(place, season, served) for season in seasons),
        without=changed((*trees[:place], *trees[place + 1 :]), demand),
        with_more=changed((*trees[:place], more, *trees[place + 1 :]), demand),
        with_demand=changed(trees, tuple(math.ceil(n * (1 + MORE) - 1e-9) for n in demand)),
    )


def _change(tree: str, before: Served, after: Served) -> Change:
    was, now = _by_code(before), _by_code(after)
    short = shortfalls(after.demand, after.cuts)
    others = [
        OtherTree(tree=code, season=season, change=now.get(key, 0) - was.get(key, 0))
        for key in dict.fromkeys([*was, *now])
        for code, season in [key]
        if code != tree and now.get(key, 0) != was.get(key, 0)
    ]
    return Change(
        shortfall=short,
        shortfall_change=sum(short) - sum(shortfalls(before.demand, before.cuts)),
        visits=len(after.cuts),
        visits_change=len(after.cuts) - len(before.cuts),
        sticks=tuple(now.get((tree, season), 0) for season in range(len(after.demand))),
        others=tuple(sorted(others, key=lambda each: (each.season, -abs(each.change)))),
    )


def _by_code(served: Served) -> dict[tuple[str, int], int]:
    return {(served.trees[place].tree, season): n for (place, season), n in served.cuts.items()}


def binding_limit(place: int, season: int, served: Served) -> str:
    """Return the limit that keeps the tree from giving one stick more, in a sentence's words."""
    return next(_limits(place, season, served), NOTHING_BINDS)


def _caps(place: int, season: int, served: Served) -> Iterator[str]:
    """Yield the caps that let no more be cut of a tree."""
    cut = served.cuts.get((place, season), 0)
    used = Used.of(served.cuts, season)
    least = least_sticks(served.trees[place], served.demand[season])
    one_more = Used(used.visits + (not cut), used.sticks + (1 if cut else least))
    for cap in served.caps:
        if cap.season == season and one_more.under(cap) > cap.most + 1e-9:
            yield f"the cap on {cap.what} that all cultivars share"


def _owners(place: int, season: int, served: Served) -> Iterator[str]:
    """Yield the owners who let no more be cut of a tree, or of the block that it is in."""
    tree = served.trees[place]
    step = 1 if served.cuts.get((place, season)) else least_sticks(tree, served.demand[season])
    for allowed, places in allowances(served.trees).items():
        cut = sum(served.cuts.get((each, season), 0) for each in places)
        if allowed in tree.allowed and cut + step > allowed.most[season]:
            yield (
                f"{allowed.host} lets no more than {allowed.most[season]:,} sticks of {allowed.of} "
                "be cut a season"
            )


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
    yield from _owners(place, season, served)
    if not most_sticks(tree, season, wanted):
        yield f"it may give fewer than the {limits.least_visit} sticks of a visit"
    heavy = [
        s / c + tree.done * (when == 0) > limits.heavy_share if s else False
        for when, (s, c) in enumerate(zip(sticks, tree.capacity, strict=False))
    ]
    if not cut and any(heavy[max(0, season - limits.rest_seasons) : season]):
        yield "it rests after a heavy planned cut"
    yield from _caps(place, season, served)
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
