"""Which mother trees to cut in the next seasons, and how many sticks each.

Limits are the nursery's own: no published rule sets how much may be cut of a tree.
"""

import math
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING, Any

from scionreg.records.errors import RegistryError
from scionreg.rotation.goals import Goal, Served, improve, pressure, serve, shortfalls
from scionreg.rotation.rechecking import broken_rules
from scionreg.rotation.supply import TreeSupply, Wanted
from scionreg.rotation.why_cut import WhyCut, binding_limit, why_cut

if TYPE_CHECKING:
    import pandas as pd

OWN_LIMITS = "Limits are the nursery's own; no published rule sets how much may be cut of a tree."
_FOR_SHORTFALL = 0.4
"""Share of the time that the shortfalls may take before the other goals begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonSupply:
    """What is wanted of a cultivar in a season, and what the plan gives, in sticks."""

    season: int
    cultivar: str
    demand: int
    planned: int
    shortfall: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeCut:
    """A tree in a season: sticks to cut, what it grows, its pressure then, and what binds."""

    tree: str
    cultivar: str
    season: int
    sticks: int
    capacity: float
    pressure: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A cutting plan over several seasons; `walk` is the order of the cutting list."""

    seasons: tuple[SeasonSupply, ...]
    trees: tuple[TreeCut, ...]
    walk: tuple[str, ...] = ()
    goals: tuple[Goal, ...]
    cautions: tuple[str, ...]
    served: Mapping[str, Served] = field(repr=False, compare=False)
    first_season: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain data for JSON."""
        return {
            "seasons": [_plain(row) for row in self.seasons],
            "trees": [_plain(row) for row in self.trees],
            "walk": list(self.walk),
            "goals": [_plain(row) for row in self.goals],
            "cautions": list(self.cautions),
        }

    def to_frame(self) -> "pd.DataFrame":
        """Return a row a tree and season."""
        import pandas as pd

        return pd.DataFrame(self.to_dict()["trees"], columns=list(TreeCut.__slots__))

    def why(self, tree: str, *, seconds: float = 10) -> WhyCut:
        """Return what binds the tree, and what changes without it or with a tenth more of it.

        Its cultivar is planned anew for both, in at most `seconds` each. RegistryError if the plan
        knows no such tree.
        """
        for cultivar, served in self.served.items():
            if any(each.tree == tree for each in served.trees):
                return why_cut(tree, cultivar, served, seconds)
        raise RegistryError(f"The plan knows no tree {tree}.")


def _plain(row: Any) -> dict[str, Any]:
    return {name: getattr(row, name) for name in row.__slots__}


def plan(
    trees: Sequence[TreeSupply],
    wanted: Sequence[Wanted],
    seasons: int = 3,
    *,
    seconds: float = 60,
    progress: Callable[[int, int], None] | None = None,
    first_season: int = 0,
) -> Plan:
    """Return the plan that meets what is wanted with the least strain and the fewest visits.

    Parameters
    ----------
    seasons : how many to plan, 1 to 5.
    seconds : about the most that the search may take; goals it cannot finish say so.
    progress : told steps done and steps in all.
    first_season : the year the first planned season is named by; seasons are counted from it.

    Raises
    ------
    RegistryError : supply or wants that are no such thing. A demand that cannot be met is no error.

    Notes
    -----
    Goals in order: shortfall of the first season, of the later ones, pressure above the watch
    level, largest pressure, visits, evenness (docs/plan.md). Cultivars share nothing, so each is
    planned by itself.
    """
    demand = _demand(trees, wanted, seasons)
    by_cultivar: dict[str, list[TreeSupply]] = {cultivar: [] for cultivar in demand}
    for tree in trees:
        by_cultivar.setdefault(tree.cultivar, []).append(tree)
    nothing = (0,) * seasons
    clock, done, steps = _Clock(seconds), 0, 2 * len(by_cultivar)
    served: dict[str, Served] = {}

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, steps)

    for left, (cultivar, its) in enumerate(by_cultivar.items(), start=-len(by_cultivar)):
        allowed = clock.share(_FOR_SHORTFALL, -left)
        served[cultivar] = serve(cultivar, its, demand.get(cultivar, nothing), allowed)
        step()
    for left, cultivar in enumerate(by_cultivar, start=-len(by_cultivar)):
        served[cultivar] = improve(served[cultivar], cultivar, clock.share(1, -left))
        _recheck(cultivar, served[cultivar])
        step()
    outside = [want for want in wanted if not 0 <= want.season < seasons]
    return _plan_of(served, first_season, outside)


class _Clock:
    def __init__(self, seconds: float) -> None:
        self.began, self.seconds = time.monotonic(), seconds

    def share(self, part: float, left: int) -> float:
        """Return the seconds for one of `left` cultivars, until `part` of all time has gone."""
        remain = self.seconds * part - (time.monotonic() - self.began)
        # What one does not use another may: most need little.
        return max(0.05, remain / max(1, left) * 2 if left > 1 else remain)


def _demand(
    trees: Sequence[TreeSupply], wanted: Sequence[Wanted], seasons: int
) -> dict[str, tuple[int, ...]]:
    if not 1 <= seasons <= 5:
        raise RegistryError(f"A plan is of 1 to 5 seasons, not {seasons}.")
    seen = set()
    for tree in trees:
        if tree.tree in seen:
            raise RegistryError(f"Tree {tree.tree} is given twice.")
        seen.add(tree.tree)
        if len(tree.capacity) < seasons or (tree.eligible and len(tree.eligible) < seasons):
            raise RegistryError(f"Tree {tree.tree} is not known for all {seasons} seasons.")
        if any(not math.isfinite(grows) or grows < 0 for grows in tree.capacity):
            raise RegistryError(f"Tree {tree.tree} cannot grow {tree.capacity} sticks.")
    found: dict[str, list[int]] = defaultdict(lambda: [0] * seasons)
    for want in wanted:
        if want.sticks < 0:
            raise RegistryError(f"{want.sticks} sticks of {want.cultivar} cannot be wanted.")
        if 0 <= want.season < seasons:
            found[want.cultivar][want.season] += want.sticks
    return {cultivar: tuple(sticks) for cultivar, sticks in found.items()}


def _recheck(cultivar: str, served: Served) -> None:
    cuts = {(served.trees[place].tree, season): n for (place, season), n in served.cuts.items()}
    broken = broken_rules(served.trees, served.demand, cuts, served.waived)
    if broken:  # pragma: no cover - a fault of the solver or of ours, never of the user's
        raise RegistryError(f"The plan of {cultivar} breaks a rule: {broken[0]}.")


def _plan_of(
    served: Mapping[str, Served], first_season: int, outside: Sequence[Wanted] = ()
) -> Plan:
    rows, cuts, cautions = [], [], [OWN_LIMITS]
    cautions += [
        f"{want.sticks:,} sticks of {want.cultivar} wanted in {first_season + want.season} are "
        "left out: that season is not planned."
        for want in outside
    ]
    for cultivar, its in served.items():
        for season, short in enumerate(shortfalls(its.demand, its.cuts)):
            wanted = its.demand[season]
            rows.append(
                SeasonSupply(
                    season=first_season + season,
                    cultivar=cultivar,
                    demand=wanted,
                    planned=wanted - short,
                    shortfall=short,
                )
            )
        cuts += list(_cuts_of(cultivar, its, first_season))
        cautions += list(_cautions_of(cultivar, its, first_season))
    return Plan(
        seasons=tuple(rows),
        trees=tuple(cuts),
        goals=tuple(goal for its in served.values() for goal in its.goals),
        cautions=tuple(cautions),
        served=dict(served),
        first_season=first_season,
    )


def _cuts_of(cultivar: str, served: Served, first_season: int) -> Iterator[TreeCut]:
    for place, tree in enumerate(served.trees):
        sticks = [served.cuts.get((place, season), 0) for season in range(len(served.demand))]
        for season, cut in enumerate(sticks):
            yield TreeCut(
                tree=tree.tree,
                cultivar=cultivar,
                season=first_season + season,
                sticks=cut,
                capacity=tree.capacity[season],
                pressure=pressure(tree, sticks, season),
                why=binding_limit(place, season, served),
            )


def _cautions_of(cultivar: str, served: Served, first_season: int) -> Iterator[str]:
    for season in sorted(served.waived):
        yield (
            f"{cultivar}, season {first_season + season}: one tree gives more than its part, "
            "or all; the order could not be met otherwise."
        )
    short = shortfalls(served.demand, served.cuts)
    if not any(short):
        return
    season = max(range(len(short)), key=short.__getitem__)
    lacks = short[season]
    year = first_season + season
    lift = f"take {lacks:,} in {year} from elsewhere"
    each = [math.floor(tree.limits.share * tree.capacity[season]) for tree in served.trees]
    usual = median([sticks for sticks in each if sticks] or [0])
    if usual:
        more = math.ceil(lacks / usual)
        lift = (
            f"plant {more:,} more of {cultivar} (each gives about {usual:g} when grown), or {lift}"
        )
    yield f"{cultivar} is {lacks:,} sticks short of {served.demand[season]:,} in {year}: {lift}."
