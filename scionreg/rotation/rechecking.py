"""Every rule of a plan, asked again of its whole numbers by code that knows no program."""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence

from scionreg.rotation.supply import WEIGHTS, Cap, TreeSupply

_TOLERANCE = 1e-6
_PART = 0.4


def broken_rules(
    trees: Sequence[TreeSupply],
    demand: Sequence[int],
    cuts: Mapping[tuple[str, int], int],
    waived: Collection[int] = (),
) -> tuple[str, ...]:
    """Return a sentence for each rule that the cuts of one cultivar break; none where all hold.

    Parameters
    ----------
    demand : sticks wanted, by season.
    cuts : sticks by tree and season (the first planned one is 0).
    waived : seasons in which the rules of spread are waived.
    """
    known = {tree.tree: tree for tree in trees}
    strange = [f"{code} is no tree of this cultivar" for code, _ in cuts if code not in known]
    if strange:
        return tuple(strange)
    found = []
    for tree in trees:
        given = [cuts.get((tree.tree, season), 0) for season in range(len(demand))]
        found += list(_of_a_tree(tree, given, demand))
    for season, wanted in enumerate(demand):
        given_by = {code: n for (code, when), n in cuts.items() if when == season and n}
        found += list(_of_owners(trees, given_by, season))
        found += list(_of_surplus(trees, given_by, season, wanted))
        if season not in waived:
            able = [tree for tree in trees if could_be_cut(tree, season, wanted)]
            found += list(_of_spread(given_by, len(able), season, wanted))
    return tuple(found)


def not_spread(
    trees: Sequence[TreeSupply], demand: Sequence[int], cuts: Mapping[tuple[str, int], int]
) -> frozenset[int]:
    """Return the seasons in which the cuts of one cultivar break the rules of spread."""
    found = set()
    for season, wanted in enumerate(demand):
        given_by = {code: n for (code, when), n in cuts.items() if when == season and n}
        able = [tree for tree in trees if could_be_cut(tree, season, wanted)]
        if any(_of_spread(given_by, len(able), season, wanted)):
            found.add(season)
    return frozenset(found)


def broken_caps(
    caps: Sequence[Cap], cuts: Collection[Mapping[tuple[str, int], int]]
) -> tuple[str, ...]:
    """Return a sentence for each cap that the cuts of all cultivars together break."""
    found = []
    for cap in caps:
        given = [n for its in cuts for (_, when), n in its.items() if when == cap.season and n]
        used = cap.a_visit * len(given) + cap.a_stick * sum(given)
        if used > cap.most + _TOLERANCE:
            found.append(f"season {cap.season}: {used:g} {cap.what}, over {cap.most:g}")
    return tuple(found)


def _of_a_tree(tree: TreeSupply, given: Sequence[int], demand: Sequence[int]) -> Iterator[str]:
    limits = tree.limits
    shares = [
        cut / grows if cut and grows else math.inf if cut else 0.0
        for cut, grows in zip(given, tree.capacity, strict=False)
    ]
    shares[0] += tree.done
    history = [*shares[::-1], *tree.past]
    for season, cut in enumerate(given):
        where = f"{tree.tree}, season {season}"
        if cut == 0:
            continue
        if cut != int(cut) or cut < 0:
            yield f"{where}: {cut} is no whole number of sticks"
        if tree.eligible and not tree.eligible[season]:
            yield f"{where}: the tree may not be cut"
        most = tree.shares[season] if tree.shares else limits.share
        if shares[season] > most + _TOLERANCE:
            yield f"{where}: {shares[season]:.3f} of its sticks, over {most}"
        for allowed in tree.allowed:
            if cut > allowed.most[season]:
                yield f"{where}: {cut} sticks, and {allowed.host} allows {allowed.most[season]}"
        if cut < min(limits.least_visit, demand[season]):
            yield f"{where}: {cut} sticks, fewer than the least of a visit"
        since = history[len(given) - 1 - season :]
        pressure = sum(w * share for w, share in zip(WEIGHTS, since, strict=False))
        if pressure > limits.rest + _TOLERANCE:
            yield f"{where}: pressure {pressure:.3f}, over {limits.rest}"
        if any(
            share > limits.heavy_share + _TOLERANCE for share in since[1:][: limits.rest_seasons]
        ):
            yield f"{where}: cut while it rests after a heavy cut"


def _of_owners(trees: Sequence[TreeSupply], given: Mapping[str, int], season: int) -> Iterator[str]:
    for allowed in {each: None for tree in trees for each in tree.allowed}:
        cut = sum(given.get(tree.tree, 0) for tree in trees if allowed in tree.allowed)
        if cut > allowed.most[season]:
            yield f"season {season}: {cut} sticks of {allowed.of}, over {allowed.most[season]}"


def _of_surplus(
    trees: Sequence[TreeSupply], given: Mapping[str, int], season: int, wanted: int
) -> Iterator[str]:
    """More than is wanted is cut only where every visit takes its least."""
    over = sum(given.values()) - wanted
    if over <= 0:
        return
    least = {tree.tree: min(tree.limits.least_visit, wanted) for tree in trees}
    if wanted == 0 or any(cut > least[code] for code, cut in given.items()):
        yield f"season {season}: more sticks than are wanted"
    elif over >= max(least.values()):
        yield f"season {season}: a visit more than is needed"


def could_be_cut(tree: TreeSupply, season: int, wanted: int) -> bool:
    """Say whether the tree could give a visit's least sticks in `season`, were it cut only then."""
    if wanted <= 0:
        return False
    least = max(1, min(tree.limits.least_visit, wanted))
    given = [0] * season + [least]
    return not list(_of_a_tree(tree, given, [wanted] * (season + 1)))


def _of_spread(given: Mapping[str, int], able: int, season: int, wanted: int) -> Iterator[str]:
    if able < 2 or not given:
        return
    if len(given) < 2:
        yield f"season {season}: all from one tree, though {able} can be cut"
    most = math.ceil((_PART if able > 2 else 1 / able) * wanted - _TOLERANCE)
    for code, cut in given.items():
        if cut > most:
            yield f"{code}, season {season}: {cut} of {wanted} wanted, over {most}"
