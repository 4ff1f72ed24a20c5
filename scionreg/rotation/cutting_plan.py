"""Which mother trees to cut in the next seasons, and how many sticks each.

Limits are the nursery's own: no published rule sets how much may be cut of a tree.
"""

import math
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import RotationValues
from scionreg.rotation.caps import ALL, all_keep, least_cap, parts, share_out
from scionreg.rotation.goals import Goal, Served, improve, pressure, serve, shortfalls
from scionreg.rotation.lifting import Lift, Way, lifts
from scionreg.rotation.program import still_wanted
from scionreg.rotation.rechecking import broken_caps, broken_rules
from scionreg.rotation.supply import Cap, Labour, TreeSupply, Used, Wanted
from scionreg.rotation.why_cut import WhyCut, binding_limit, why_cut

if TYPE_CHECKING:
    import pandas as pd

OWN_LIMITS = "Limits are the nursery's own; no published rule sets how much may be cut of a tree."
_FOR_SHORTFALL = 0.4
"""Share of the time that the shortfalls may take before the other goals begin."""
_BEFORE_SHARING = 0.5
"""Share of the time for the plan without caps, where there are some."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonSupply:
    """What is wanted of a cultivar in a season, and what the plan gives, in sticks.

    `planned` may be a few above `demand`, where every visit takes its least.
    """

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
class SeasonWork:
    """What a season's cutting comes to: trees visited, sticks, days of one person's work."""

    season: int
    visits: int
    sticks: int
    days: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CapUse:
    """A cap on a season's visits, sticks or days, and what the plan uses of it."""

    season: int
    what: str
    most: float
    used: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A cutting plan over several seasons; `walk` is the order of the cutting list.

    `served` is each cultivar's part; `uncapped` what it would be without caps.
    """

    seasons: tuple[SeasonSupply, ...]
    trees: tuple[TreeCut, ...]
    walk: tuple[str, ...] = ()
    work: tuple[SeasonWork, ...] = ()
    caps: tuple[CapUse, ...] = ()
    goals: tuple[Goal, ...]
    cautions: tuple[str, ...]
    served: Mapping[str, Served] = field(repr=False, compare=False)
    uncapped: Mapping[str, Served] = field(repr=False, compare=False)
    kept: tuple[Cap, ...] = field(default=(), repr=False, compare=False)
    first_season: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain data for JSON."""
        return {
            "seasons": [_plain(row) for row in self.seasons],
            "trees": [_plain(row) for row in self.trees],
            "walk": list(self.walk),
            "work": [_plain(row) for row in self.work],
            "caps": [_plain(row) for row in self.caps],
            "goals": [_plain(row) for row in self.goals],
            "cautions": list(self.cautions),
        }

    def to_frame(self) -> "pd.DataFrame":
        """Return a row a tree and season."""
        import pandas as pd

        return pd.DataFrame(self.to_dict()["trees"], columns=list(TreeCut.__slots__))

    def why(self, tree: str, *, seconds: float = 10) -> WhyCut:
        """Return what binds the tree, and what changes without it or with a tenth more.

        Its cultivar is planned anew for each, in at most `seconds` each. RegistryError if the plan
        knows no such tree.
        """
        for cultivar, served in self.served.items():
            if any(each.tree == tree for each in served.trees):
                return why_cut(tree, cultivar, served, seconds, self.first_season)
        raise RegistryError(f"The plan knows no tree {tree}: nothing of its cultivar is wanted.")

    def lifts(
        self, new: Mapping[str, TreeSupply] | None = None, *, seconds: float = 10
    ) -> tuple[Lift, ...]:
        """Return what would lift the shortfalls, each way tried by planning anew.

        Parameters
        ----------
        new : by cultivar a grown tree as it would be planted; else one like those there.
        seconds : about the most that all trials together may take.
        """
        clock = _Clock(seconds)
        short = {name: its for name, its in self.uncapped.items() if _lacks(its)}
        found = [
            lift
            for left, (name, its) in enumerate(short.items(), start=-len(short))
            for lift in lifts(
                name, its, self.first_season, (new or {}).get(name), clock.share(0.7, -left)
            )
        ]
        if sum(map(_lacks, self.served.values())) > sum(map(_lacks, self.uncapped.values())):
            for left, cap in enumerate(self.kept, start=-len(self.kept)):
                lift = self._raised(cap, clock.share(1, -left))
                found += [lift] if lift else []
        return tuple(found)

    def _raised(self, cap: Cap, seconds: float) -> Lift | None:
        """Return what the cap must be for nothing to be short because of it."""
        least = least_cap(self.uncapped, cap, seconds)
        if least is None or least <= cap.most + 1e-6:
            return None
        year = self.first_season + cap.season
        needed = (
            math.ceil(10 * least - 1e-6) / 10 if cap.what == "days" else math.ceil(least - 1e-6)
        )
        return Lift(
            way=Way.CAP,
            cultivar=ALL,
            amount=needed,
            season=year,
            text=f"allow {needed:,} {cap.what} in {year} instead of {cap.most:g}",
        )


def _lacks(served: Served) -> int:
    return sum(shortfalls(served.demand, served.cuts))


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
    caps: Sequence[Cap] = (),
    labour: Labour | None = None,
) -> Plan:
    """Return the plan that meets what is wanted with the least strain and the fewest visits.

    Parameters
    ----------
    seasons : how many to plan, 1 to 5.
    seconds : about the most that the search may take; goals it cannot finish say so.
    progress : told steps done and steps in all.
    first_season : the year the first planned season is named by; seasons are counted from it.
    caps : what all cultivars together may use.
    labour : days that a visit and a stick take; None goes by the starting values.

    Raises
    ------
    RegistryError : supply or wants that are no such thing. A demand that cannot be met is no error.

    Notes
    -----
    Goals in order: shortfall of the first season, of the later ones, pressure above the watch
    level, largest pressure, visits, evenness (docs/plan.md). Each cultivar is planned by itself,
    unless the caps then are not kept.
    """
    demand, must = _demand(trees, wanted, seasons)
    by_cultivar: dict[str, list[TreeSupply]] = {cultivar: [] for cultivar in demand}
    for tree in trees:
        by_cultivar.setdefault(tree.cultivar, []).append(tree)
    nothing = (0,) * seasons
    clock, done = _Clock(seconds), 0
    steps = (3 if caps else 2) * len(by_cultivar)
    served: dict[str, Served] = {}
    shared: tuple[Goal, ...] = ()
    until = _BEFORE_SHARING if caps else 1.0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, steps)

    for left, (cultivar, its) in enumerate(by_cultivar.items(), start=-len(by_cultivar)):
        allowed = clock.share(_FOR_SHORTFALL * until, -left)
        its_plan = serve(cultivar, its, demand.get(cultivar, nothing), allowed)
        served[cultivar] = replace(its_plan, must=must.get(cultivar, nothing))
        step()
    for left, cultivar in enumerate(by_cultivar, start=-len(by_cultivar)):
        served[cultivar] = improve(served[cultivar], cultivar, clock.share(until, -left))
        step()
    uncapped = dict(served)
    if not all_keep(caps, served):
        served, shared = share_out(served, caps, clock.left() / 2)
        for left, cultivar in enumerate(by_cultivar, start=-len(by_cultivar)):
            part = replace(served[cultivar], caps=parts(caps, served, cultivar), goals=())
            served[cultivar] = improve(part, cultivar, clock.share(1, -left))
            step()
    recheck(served, caps)
    outside = [want for want in wanted if not 0 <= want.season < seasons]
    return Plan(
        seasons=tuple(_supplies(served, first_season)),
        trees=tuple(
            cut for name, its in served.items() for cut in _cuts_of(name, its, first_season)
        ),
        work=tuple(_work(served, seasons, first_season, labour or Labour.of(RotationValues()))),
        caps=tuple(_use(cap, served, first_season) for cap in caps),
        goals=(*shared, *(goal for its in served.values() for goal in its.goals)),
        cautions=tuple(_cautions(served, first_season, outside)),
        served=served,
        uncapped=uncapped,
        kept=tuple(caps),
        first_season=first_season,
    )


class _Clock:
    def __init__(self, seconds: float) -> None:
        self.began, self.seconds = time.monotonic(), seconds

    def left(self, part: float = 1) -> float:
        """Return the seconds until `part` of all time has gone."""
        return max(0.05, self.seconds * part - (time.monotonic() - self.began))

    def share(self, part: float, left: int) -> float:
        """Return the seconds for one of `left` cultivars, until `part` of all time has gone."""
        remain = self.left(part)
        # What one does not use another may: most need little.
        return max(0.05, remain / max(1, left) * 2 if left > 1 else remain)


def _demand(
    trees: Sequence[TreeSupply], wanted: Sequence[Wanted], seasons: int
) -> tuple[dict[str, tuple[int, ...]], dict[str, tuple[int, ...]]]:
    """Return the sticks wanted, and those for must-fill orders, by cultivar and season."""
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
    must: dict[str, list[int]] = defaultdict(lambda: [0] * seasons)
    for want in wanted:
        if not 0 <= want.must <= want.sticks:
            raise RegistryError(f"{want.sticks} sticks of {want.cultivar} cannot be wanted.")
        if 0 <= want.season < seasons:
            found[want.cultivar][want.season] += want.sticks
            must[want.cultivar][want.season] += want.must
    return (
        {cultivar: tuple(sticks) for cultivar, sticks in found.items()},
        {cultivar: tuple(sticks) for cultivar, sticks in must.items()},
    )


def recheck(served: Mapping[str, Served], caps: Sequence[Cap]) -> None:
    """Raise `RegistryError` for cuts that break a rule, by code that does not know the model.

    It would be a fault of the solver or of ours, never of the user's.
    """
    coded, broken = [], []
    for cultivar, its in served.items():
        cuts = {(its.trees[place].tree, season): n for (place, season), n in its.cuts.items()}
        coded.append(cuts)
        for rule in broken_rules(its.trees, its.demand, cuts, its.waived):
            broken.append(f"{cultivar}: {rule}")
    broken += broken_caps(caps, coded)
    if broken:
        raise RegistryError(f"The plan breaks a rule: {broken[0]}.")


def _supplies(served: Mapping[str, Served], first_season: int) -> Iterator[SeasonSupply]:
    for cultivar, its in served.items():
        for season, lacks in enumerate(still_wanted(its.demand, its.cuts)):
            wanted = its.demand[season]
            yield SeasonSupply(
                season=first_season + season,
                cultivar=cultivar,
                demand=wanted,
                planned=wanted - lacks,
                shortfall=max(0, lacks),
            )


def _work(
    served: Mapping[str, Served], seasons: int, first_season: int, labour: Labour
) -> Iterator[SeasonWork]:
    for season in range(seasons):
        used = [Used.of(its.cuts, season) for its in served.values()]
        visits, sticks = sum(u.visits for u in used), sum(u.sticks for u in used)
        yield SeasonWork(
            season=first_season + season,
            visits=visits,
            sticks=sticks,
            days=round(visits * labour.a_visit + sticks * labour.a_stick, 2),
        )


def _use(cap: Cap, served: Mapping[str, Served], first_season: int) -> CapUse:
    used = sum(Used.of(its.cuts, cap.season).under(cap) for its in served.values())
    return CapUse(
        season=first_season + cap.season, what=cap.what, most=cap.most, used=round(used, 2)
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


def _cautions(
    served: Mapping[str, Served], first_season: int, outside: Sequence[Wanted]
) -> Iterator[str]:
    yield OWN_LIMITS
    for want in outside:
        yield (
            f"{want.sticks:,} sticks of {want.cultivar} wanted in {first_season + want.season} are "
            "left out: that season is not planned."
        )
    for cultivar, its in served.items():
        for season in sorted(its.waived):
            yield (
                f"{cultivar}, season {first_season + season}: one tree gives more than its part, "
                "or all; the order could not be met otherwise."
            )
        for season, lacks in enumerate(still_wanted(its.demand, its.cuts)):
            if lacks < 0:
                wanted = its.demand[season]
                least = min(its.trees[place].limits.least_visit for place, _ in its.cuts)
                yield (
                    f"{cultivar}, season {first_season + season}: {wanted - lacks:,} cut for "
                    f"{wanted:,} wanted: a visit takes at least {least:,}."
                )
