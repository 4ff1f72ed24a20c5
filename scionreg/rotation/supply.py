"""What a plan starts from: the trees with what they may give, and the sticks that are wanted."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from scionreg.records.errors import RegistryError
from scionreg.records.fixed_values import PLAN
from scionreg.records.starting_values import RotationValues

LOOK_BACK = 3
"""Seasons over which cutting wears a tree."""
WEIGHTS = PLAN.weights
"""Weights of the share cut in this season and the two before (common practice, no source)."""
_ROUNDING = 1e-9


class Bar(StrEnum):
    """What keeps a tree from being cut, by what would end it."""

    IDENTITY = "identity"
    STOPPED = "stopped"
    GONE = "gone"
    RESTING = "resting"
    RANK = "rank"
    LICENCE = "licence"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a nursery lets be cut of a tree of some kind.

    `share` is the largest share of its sticks in one season; `watch` and `rest` are pressures:
    above the first a tree is watched, above the second it is not cut. After more than `heavy_share`
    in a season it rests for `rest_seasons`. `least_visit` is the fewest sticks worth a visit.
    """

    share: float
    watch: float
    rest: float
    heavy_share: float
    rest_seasons: int
    least_visit: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """The most sticks that an owner lets be cut `of` a tree or block, by planned season."""

    of: str
    host: str
    most: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeSupply:
    """A mother tree as the plan sees it.

    Attributes
    ----------
    capacity : sticks that it grows, by planned season (first season first).
    past : shares cut in the last seasons, newest first, cuts in leaf counted 1.5 times; at most
        `LOOK_BACK` - 1 of them bear on the first planned season.
    done : share cut in the first planned season already, as `past`.
    shares : by planned season the largest share of its sticks, of a tree that grows into its limit;
        none where it is `limits.share` in all.
    eligible : by planned season, whether it may be cut at all.
    why_not : why it may not be, where it may not.
    bars : by planned season, what kinds of reasons those are.
    allowed : what its owner allows, of it alone or of all trees that have the same.
    """

    tree: str
    cultivar: str
    kind: str
    capacity: tuple[float, ...]
    limits: Limits
    past: tuple[float, ...] = ()
    done: float = 0.0
    shares: tuple[float, ...] = ()
    eligible: tuple[bool, ...] = ()
    why_not: tuple[str, ...] = ()
    bars: tuple[frozenset[Bar], ...] = ()
    allowed: tuple[Allowed, ...] = ()

    def share(self, season: int) -> float:
        """Return the largest share of its sticks that may be cut in a planned season."""
        return self.shares[season] if self.shares else self.limits.share

    def share_left(self, season: int) -> float:
        """Return the largest share that may still be cut in a planned season."""
        return self.share(season) - (self.done if season == 0 else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Sticks wanted of a cultivar in a season (the first planned one is 0).

    `must` of them are for orders that must be filled.
    """

    cultivar: str
    season: int
    sticks: int
    must: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cap:
    """The most that all cultivars together may use of something in a planned season.

    `what` is visits, sticks or days; a visit and a stick use so much of it.
    """

    what: str
    season: int
    most: float
    a_visit: float
    a_stick: float


@dataclass(frozen=True, slots=True)
class Labour:
    """Days of one person's work that a visit and a stick take."""

    a_visit: float
    a_stick: float

    @classmethod
    def of(cls, values: RotationValues) -> "Labour":
        """Return what the settings say."""
        minutes = 60 * values.hours_a_day
        return cls(values.visit_minutes / minutes, 60 / values.sticks_an_hour / minutes)


def cap_of(what: str, season: int, most: float, labour: Labour) -> Cap:
    """Return a cap on visits, sticks or days in a planned season.

    Raises
    ------
    RegistryError
        There is no such cap, or less than nothing is allowed.
    """
    uses = {"visits": (1.0, 0.0), "sticks": (0.0, 1.0), "days": (labour.a_visit, labour.a_stick)}
    if what not in uses:
        raise RegistryError(f"'{what}' cannot be capped; write visits, sticks or days")
    if not (math.isfinite(most) and most >= 0):
        raise RegistryError(f"{most:g} {what} are no cap")
    a_visit, a_stick = uses[what]
    return Cap(what=what, season=season, most=most, a_visit=a_visit, a_stick=a_stick)


@dataclass(frozen=True, slots=True)
class Used:
    """Visits made and sticks cut in a season."""

    visits: int
    sticks: int

    @classmethod
    def of(cls, cuts: Mapping[tuple[int, int], int], season: int) -> "Used":
        """Return what cuts by tree and season come to in one season."""
        given = [sticks for (_, when), sticks in cuts.items() if when == season]
        return cls(len(given), sum(given))

    def under(self, cap: Cap) -> float:
        """Return what that is of a cap."""
        return cap.a_visit * self.visits + cap.a_stick * self.sticks


def past_strain(tree: TreeSupply, season: int) -> float:
    """Return the pressure in a planned season that comes of what is cut already."""
    made = (tree.done, *tree.past)
    return math.fsum(weight * share for weight, share in zip(WEIGHTS[season:], made, strict=False))


def allowances(trees: Sequence[TreeSupply]) -> dict[Allowed, list[int]]:
    """Return what owners allow, with the places in `trees` of those that it is about."""
    found: dict[Allowed, list[int]] = {}
    for place, tree in enumerate(trees):
        for each in tree.allowed:
            found.setdefault(each, []).append(place)
    return found


def shared_out(
    trees: Sequence[TreeSupply], wanted: Mapping[str, Sequence[int]]
) -> list[TreeSupply]:
    """Return trees of which each cultivar has its part of what an owner allows of all together.

    Cultivars are planned by themselves. By season the parts go by what is wanted of each, as far as
    its trees there could give it; `wanted` is by cultivar and season.
    """
    parts: dict[tuple[Allowed, str], Allowed] = {}
    for allowed, places in allowances(trees).items():
        seasons = range(len(allowed.most))
        asked: dict[str, list[int]] = {}
        for tree in (trees[place] for place in places):
            its = asked.setdefault(tree.cultivar, [0 for _ in seasons])
            for season, sticks in enumerate(wanted.get(tree.cultivar, ())):
                more = its[season] + most_sticks(replace(tree, allowed=()), season, sticks)
                its[season] = min(sticks, more)
        for cultivar, its in asked.items():
            total = [sum(each[season] for each in asked.values()) for season in seasons]
            most = tuple(
                allowed.most[s] * its[s] // total[s]
                if total[s] > allowed.most[s]
                else allowed.most[s]
                for s in seasons
            )
            parts[allowed, cultivar] = replace(allowed, most=most)
    return [
        replace(tree, allowed=tuple(parts[each, tree.cultivar] for each in tree.allowed))
        for tree in trees
    ]


def rests_from_before(tree: TreeSupply, season: int) -> bool:
    """Say whether a heavy cut that is made already has the tree rest in a planned season."""
    heavy = tree.limits.heavy_share + _ROUNDING
    return any(
        share > heavy and 0 < season + ago <= tree.limits.rest_seasons
        for ago, share in enumerate((tree.done, *tree.past))
    )


def least_sticks(tree: TreeSupply, demand: int) -> int:
    """Return the fewest sticks of a visit: no more than are wanted at all."""
    return max(1, min(tree.limits.least_visit, demand))


def most_sticks(tree: TreeSupply, season: int, demand: int) -> int:
    """Return the most sticks of a tree in a season if it is cut in no other planned season."""
    if demand <= 0 or (tree.eligible and not tree.eligible[season]):
        return 0
    if rests_from_before(tree, season):
        return 0
    room = min(tree.share_left(season), tree.limits.rest - past_strain(tree, season))
    most = min(demand, math.floor(room * tree.capacity[season] + _ROUNDING))
    most = min([most, *(each.most[season] for each in tree.allowed)])
    return most if most >= least_sticks(tree, demand) else 0


def new_tree(cultivar: str, kind: str, sticks: float, limits: Limits, seasons: int) -> TreeSupply:
    """Return a grown tree as it would be planted."""
    return TreeSupply(
        tree="new", cultivar=cultivar, kind=kind, capacity=(sticks,) * seasons, limits=limits
    )
