"""What would lift a shortfall: each way is tried by planning the cultivar anew.

Trees that stand still for one reason alone are let give (a licence, a check, a hold that ends, new
plants for those whose time is past); grown trees are added until nothing lacks; and what lacks can
always be taken in. Planting is no way where a licence lacks, or where rank bars what is there.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median
from typing import Any

from scionreg.records.vocabulary import TreeKind
from scionreg.rotation.goals import Served, serve, shortfalls
from scionreg.rotation.supply import Bar, TreeSupply, most_sticks

MOST_PLANTED = 200
"""New trees beyond which their number is reckoned from what one gives, not planned."""
NAMED = 3
"""Trees named in one sentence."""
MANY = 10**9


class Way(StrEnum):
    """How a shortfall can be lifted."""

    TAKE_IN = "take_in"
    PLANT = "plant"
    SMALL_VISITS = "small_visits"
    LICENCE = "licence"
    CHECK = "check"
    RELEASE = "release"
    RENEW = "renew"
    CAP = "cap"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """One way to lift a shortfall of a cultivar (of all of them: a cap).

    `amount` is in sticks of it that are gained over the seasons, of `plant` in trees, of `cap` what
    the cap would have to be. `trees` are those that would give. `season` is the season of a cap.
    """

    way: Way
    cultivar: str
    amount: float
    text: str
    season: int | None = None
    trees: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {name: getattr(self, name) for name in self.__slots__}


OPENED = {
    Bar.LICENCE: (Way.LICENCE, "with the right holder's licence {trees} would give {gain}"),
    Bar.IDENTITY: (Way.CHECK, "if a check settles the doubt about {trees}: {gain}"),
    Bar.STOPPED: (Way.RELEASE, "once what stops {trees} is over: {gain}"),
    Bar.RANK: (Way.RENEW, "with new plants of the rank in place of {trees}: {gain}"),
}


def lifts(
    cultivar: str, served: Served, first_season: int, new: TreeSupply | None, seconds: float
) -> tuple[Lift, ...]:
    """Return what would lift the cultivar's shortfall; nothing where it has none.

    Parameters
    ----------
    new : a grown tree as it would be planted; None takes one like the usual of those there.
    seconds : about the most that all trials together may take.
    """
    short = shortfalls(served.demand, served.cuts)
    if not any(short):
        return ()
    each = seconds / (len(OPENED) + 4)
    found = [_opened(cultivar, served, bar, each) for bar in OPENED]
    found.append(_small_visits(cultivar, served, each))
    ways = [lift for lift in found if lift is not None]
    if _may_plant(served.trees, short):
        planted = _planted(cultivar, served, new or _usual(served.trees), each)
        ways += [planted] if planted else []
    told = " and ".join(
        f"{lacks:,} in {first_season + season}" for season, lacks in enumerate(short) if lacks
    )
    taken_in = Lift(
        way=Way.TAKE_IN,
        cultivar=cultivar,
        amount=sum(short),
        text=f"take {told} from elsewhere",
    )
    return (*ways, taken_in)


def _opened(cultivar: str, served: Served, bar: Bar, seconds: float) -> Lift | None:
    """Try what the trees would give that stand still for this reason alone."""
    opened, trees = [], []
    for tree in served.trees:
        freed = tuple(
            may or tree.bars[season] == {bar}
            for season, may in enumerate(tree.eligible if tree.bars else ())
        )
        if any(freed) and freed != tree.eligible:
            trees.append(tree.tree)
            tree = replace(tree, eligible=freed)
        opened.append(tree)
    if not trees:
        return None
    gain = _short(served) - _short(serve(cultivar, opened, served.demand, seconds))
    if gain <= 0:
        return None
    way, text = OPENED[bar]
    some = ", ".join(trees[:NAMED])
    if len(trees) > NAMED:
        some += f" and {len(trees) - NAMED} more"
    return Lift(
        way=way,
        cultivar=cultivar,
        amount=gain,
        text=text.format(trees=some, gain=f"{gain:,} of the {_short(served):,}"),
        trees=tuple(trees),
    )


def _small_visits(cultivar: str, served: Served, seconds: float) -> Lift | None:
    """Try what trees would give that may give fewer than the least of a visit."""
    least = max((tree.limits.least_visit for tree in served.trees), default=1)
    if least == 1:
        return None
    trees = [replace(t, limits=replace(t.limits, least_visit=1)) for t in served.trees]
    gain = _short(served) - _short(serve(cultivar, trees, served.demand, seconds))
    if gain <= 0:
        return None
    return Lift(
        way=Way.SMALL_VISITS,
        cultivar=cultivar,
        amount=gain,
        text=f"with visits of fewer than {least:,} sticks: {gain:,} of the {_short(served):,}",
    )


def _short(served: Served) -> int:
    return sum(shortfalls(served.demand, served.cuts))


def _may_plant(trees: Sequence[TreeSupply], short: Sequence[int]) -> bool:
    """Tell whether a new tree could give what lacks: no licence lacks, and rank bars not all."""
    bars = [
        tree.bars[season]
        for tree in trees
        if tree.bars
        for season, lacks in enumerate(short)
        if lacks and Bar.GONE not in tree.bars[season]
    ]
    if any(Bar.LICENCE in each for each in bars):
        return False
    return not bars or not all(Bar.RANK in each for each in bars)


def _usual(trees: Sequence[TreeSupply]) -> TreeSupply | None:
    """Return a tree that grows what the cultivar's trees usually do, never cut before."""
    if not trees:
        return None
    able = [tree for tree in trees if most_sticks(_fresh(tree), 0, MANY)] or list(trees)
    grows = median(tree.capacity[0] for tree in able)
    like = min(able, key=lambda tree: abs(tree.capacity[0] - grows))
    return replace(_fresh(like), capacity=(like.capacity[0],) * len(like.capacity))


def _fresh(tree: TreeSupply) -> TreeSupply:
    return replace(tree, past=(), done=0.0, eligible=(), why_not=(), bars=(), allowed=())


def _planted(cultivar: str, served: Served, new: TreeSupply | None, seconds: float) -> Lift | None:
    """Find the fewest grown trees with which nothing lacks."""
    gives = _gives(new, MANY) if new else 0
    if new is None or not gives:
        return None
    sure = True

    def lacking(count: int) -> tuple[int, ...]:
        nonlocal sure
        more = [replace(new, tree=f"new {number}") for number in range(count)]
        again = serve(cultivar, (*served.trees, *more), served.demand, seconds)
        sure &= all(goal.status == "proven" for goal in again.goals)
        return shortfalls(again.demand, again.cuts)

    few, lacks = 0, shortfalls(served.demand, served.cuts)
    count = math.ceil(max(lacks) / gives)
    while count <= MOST_PLANTED and any(left := lacking(count)):
        if sum(left) >= sum(lacks):
            return None
        few, count, lacks = count, count + math.ceil(max(left) / gives), left
    if count > MOST_PLANTED:
        sure = False
    else:
        tried = range(few + 1, count)
        # More trees never lack more: the first of these numbers that suffices, or the last tried.
        count = few + 1 + bisect_left(tried, True, key=lambda number: not any(lacking(number)))
    about = "" if sure else "about "
    return Lift(
        way=Way.PLANT,
        cultivar=cultivar,
        amount=count,
        text=(
            f"{_more(new.kind, about, count)} for later years (each gives up to {gives:,} a season "
            "once grown)"
        ),
    )


def _more(kind: str, about: str, count: int) -> str:
    """Return how trees of a kind come to be: a tree is cut back, not planted, to force wood."""
    if kind != TreeKind.DEHORNED:
        return f"plant {about}{count:,} more"
    return f"cut back {about}{count:,} more tree{'' if count == 1 else 's'} of it"


def _gives(tree: TreeSupply, wanted: int) -> int:
    return max(most_sticks(tree, season, wanted) for season in range(len(tree.capacity)))
