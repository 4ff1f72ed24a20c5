"""The goals of a cutting plan, one after the other; each is kept while the next is improved."""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from scionreg.records.fixed_values import PLAN
from scionreg.rotation.program import LESS_THAN_ONE, Cuts, Program, Solved, Terms, still_wanted
from scionreg.rotation.rechecking import broken_rules
from scionreg.rotation.supply import LOOK_BACK, WEIGHTS, Cap, TreeSupply, past_strain

VISITS_WITHIN = PLAN.visits_within
"""A plan's visits are searched until at most this share above the bound."""
BANDS = (PLAN.narrow_band, PLAN.wide_band)
"""How far above their best values the two pressures may go, tried in turn, for whole sticks."""
_SAME = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What became of one goal for one cultivar.

    `value` is the plan's, `bound` what no plan with the goals before it can better (of the largest
    pressure at least the watch level, below which it is free); `status` is proven, within so many
    per cent, or stopped where more than 5 % are open.
    """

    goal: str
    cultivar: str
    value: float
    bound: float
    status: str


@dataclass(frozen=True, slots=True)
class Served:
    """A cultivar's plan so far: its cuts, the seasons where spread is waived, its goals.

    `must` are the sticks of `demand` for must-fill orders; `caps` is its part of what all share.
    """

    trees: tuple[TreeSupply, ...]
    demand: tuple[int, ...]
    cuts: Cuts
    waived: frozenset[int]
    goals: tuple[Goal, ...]
    must: tuple[int, ...] = ()
    caps: tuple[Cap, ...] = ()


def shortfalls(demand: Sequence[int], cuts: Cuts) -> tuple[int, ...]:
    """Return the sticks that lack, by season."""
    return tuple(max(0, lacks) for lacks in still_wanted(demand, cuts))


def planned_pressure(tree: TreeSupply, sticks: Sequence[int], season: int) -> float:
    """Return the pressure of a season that comes of planned cuts; `sticks` by season."""
    return math.fsum(
        WEIGHTS[age] * sticks[season - age] / tree.capacity[season - age]
        for age in range(min(LOOK_BACK, season + 1))
        if sticks[season - age]
    )


def pressure(tree: TreeSupply, sticks: Sequence[int], season: int) -> float:
    """Return the tree's pressure in a season: of planned cuts and those of before."""
    return planned_pressure(tree, sticks, season) + past_strain(tree, season)


def counted_pressure(tree: TreeSupply, sticks: Sequence[int], season: int) -> float:
    """Return the pressure of a season; strain of before the plan counts if the tree is cut then."""
    counted = pressure if sticks[season] else planned_pressure
    return counted(tree, sticks, season)


def serve(
    cultivar: str,
    trees: Sequence[TreeSupply],
    demand: Sequence[int],
    seconds: float,
    caps: tuple[Cap, ...] = (),
) -> Served:
    """Return the plan of the least shortfall: this season's first, then that of the later ones.

    Spread is waived in as few seasons as that takes, later ones rather than this one. `caps` are
    what this cultivar alone may use.
    """
    trees, demand = tuple(trees), tuple(demand)
    # Many trees spread by themselves, and the program without those rules is the quicker one.
    free = _least_shortfall(cultivar, trees, demand, frozenset(range(len(demand))), seconds, caps)
    coded = {(trees[place].tree, season): n for (place, season), n in free.cuts.items()}
    if not broken_rules(trees, demand, coded):
        return replace(free, waived=frozenset())
    wanted = _in_order(free)
    served = _least_shortfall(cultivar, trees, demand, frozenset(), seconds, caps)
    if _in_order(served) <= wanted:
        return served
    for count in range(1, len(demand)):
        for waived in itertools.combinations(reversed(range(len(demand))), count):
            tried = _least_shortfall(cultivar, trees, demand, frozenset(waived), seconds, caps)
            if _in_order(tried) <= wanted:
                return tried
    return free


def _in_order(served: Served) -> tuple[int, int]:
    return _split(served.demand, served.cuts)


def _least_shortfall(
    cultivar: str,
    trees: tuple[TreeSupply, ...],
    demand: tuple[int, ...],
    waived: frozenset[int],
    seconds: float,
    caps: tuple[Cap, ...],
) -> Served:
    program = Program(trees, demand, waived, caps)
    first, *later = program.short
    weight = _weight(demand)
    cost = {first: weight} | dict.fromkeys(later, 1.0)
    solved = program.optimum(
        cost, seconds=seconds, absolute_gap=LESS_THAN_ONE, known=program.start({})
    )
    cuts = program.cuts(solved) if solved.values else {}
    now, then = _split(demand, cuts)
    least = max(0, math.ceil(solved.bound / weight - 0.5)) if solved.bound > 0 else 0
    goals = [goal("shortfall", cultivar, now, now if solved.proven else least, solved.proven)]
    proven, bound = solved.proven or then == 0, float(then)
    if not proven:
        program.row({first: 1.0}, high=now)
        again = program.optimum(
            dict.fromkeys(later, 1.0),
            seconds=seconds,
            absolute_gap=LESS_THAN_ONE,
            known=program.start(cuts),
        )
        if again.values:
            cuts = program.cuts(again)
            now, then = _split(demand, cuts)
        bound, proven = max(0.0, again.bound), again.proven
    goals.append(goal("later_shortfall", cultivar, then, min(then, bound), proven))
    return Served(trees, demand, cuts, waived, tuple(goals), caps=caps)


def _weight(demand: Sequence[int]) -> float:
    """Return what a stick of this season weighs: over twice all that later ones can lack."""
    return 2.0 * (sum(demand[1:]) + 1)


def _split(demand: Sequence[int], cuts: Cuts) -> tuple[int, int]:
    now, *later = shortfalls(demand, cuts)
    return now, sum(later)


def goal(name: str, cultivar: str, value: float, bound: float, proven: bool) -> Goal:
    """Return what became of a goal; its status follows from the gap."""
    gap = 0.0 if value - bound <= _SAME else (value - bound) / max(abs(value), _SAME)
    if proven or gap == 0:
        status = "proven"
    elif gap <= 0.05:
        status = f"within {math.ceil(gap * 1000) / 10:g} %"
    else:
        status = "stopped"
    return Goal(goal=name, cultivar=cultivar, value=value, bound=bound, status=status)


def improve(served: Served, cultivar: str, seconds: float) -> Served:
    """Return the plan with the later goals reached as far as `seconds` allow, shortfall kept."""
    if not served.cuts:
        zero = ("over_watch", "largest_pressure", "visits", "evenness")
        done = tuple(goal(name, cultivar, 0, 0, True) for name in zero)
        return replace(served, goals=served.goals + done)
    return _Improving(served, cultivar, seconds).done()


class _Improving:
    """The later goals of one cultivar, each a change to the same program."""

    def __init__(self, served: Served, cultivar: str, seconds: float) -> None:
        self.served, self.cultivar, self.seconds = served, cultivar, seconds
        self.cuts = served.cuts
        self.program = Program(served.trees, served.demand, served.waived, served.caps)
        short = shortfalls(served.demand, served.cuts)
        for column, lacks in zip(self.program.short, short, strict=True):
            self.program.lower[column] = self.program.upper[column] = lacks

    def done(self) -> Served:
        program = self.program
        self._no_more_than_needed()
        over, over_row = self._over_watch()
        largest = self._largest(over, over_row)
        visits = self._visits(over, over_row, largest)
        evenness = self._evenness()
        trees = self.served.trees
        goals = (
            _banded(
                "over_watch", self.cultivar, over_watch(trees, self.cuts, program.seasons), over
            ),
            _banded(
                "largest_pressure",
                self.cultivar,
                largest_pressure(trees, self.cuts, program.seasons),
                # Below the watch level pressure is free, so less is no better.
                max(largest, max(tree.limits.watch for tree in trees)),
            ),
            visits,
            evenness,
        )
        return replace(self.served, cuts=self.cuts, goals=self.served.goals + goals)

    def _no_more_than_needed(self) -> None:
        """Keep what is cut above what is wanted as little as the least of a visit allows."""
        program = self.program
        if min(still_wanted(program.demand, self.cuts)) < 0:
            solved = program.optimum(
                dict.fromkeys(program.over, 1.0),
                seconds=self.seconds * 0.1,
                absolute_gap=LESS_THAN_ONE,
                known=program.start(self.cuts),
            )
            if solved.values:
                self.cuts = program.cuts(solved)
        for column, lacks in zip(
            program.over, still_wanted(program.demand, self.cuts), strict=True
        ):
            program.lower[column] = program.upper[column] = max(0, -lacks)

    def _over_watch(self) -> tuple[float, int]:
        """Return the least sum of pressure above the watch level, and the row that keeps it."""
        program, terms = self.program, {}
        for place, season in program.sticks:
            watch = program.trees[place].limits.watch
            above = program.column(0, math.inf)
            strain = program.counted_strain(place, season)
            program.row(strain | {above: -1}, high=watch)
            terms[above] = 1.0
        program.row(terms)
        solved = program.optimum(terms, seconds=self.seconds, relaxed=True)
        return (solved.bound if solved.proven else 0.0), len(program.rows) - 1

    def _largest(self, over: float, over_row: int) -> float:
        """Return the least largest pressure, with that sum kept."""
        program = self.program
        self._limit_over(over_row, over, BANDS[0])
        count, most = len(program.rows), program.column(0, math.inf)
        for place, season in program.sticks:
            program.row(program.counted_strain(place, season) | {most: -1}, high=0)
        solved = program.optimum({most: 1.0}, seconds=self.seconds, relaxed=True)
        del program.rows[count:]
        return solved.bound if solved.proven else 0.0

    def _limit_over(self, row: int, over: float, band: float) -> None:
        terms = self.program.rows[row][2]
        room = over * (1 + band) + band * len(self.program.trees) / 5
        self.program.rows[row] = (-math.inf, room, terms)

    def _limit_largest(self, rows: dict[tuple[int, int], int], largest: float, band: float) -> None:
        """Keep the largest pressure; below the watch level it is free."""
        for (place, season), row in rows.items():
            high = max(largest * (1 + band) + band, self.program.trees[place].limits.watch)
            terms = self.program.counted_strain(place, season)
            self.program.rows[row] = (-math.inf, high, terms)

    def _visits(self, over: float, over_row: int, largest: float) -> Goal:
        """Make as few visits as the pressures kept allow."""
        program = self.program
        rows = {}
        for key in program.sticks:
            rows[key] = len(program.rows)
            program.row({})
        cost = dict.fromkeys(program.visit.values(), 1.0)
        solved, start = None, None
        for band in BANDS:
            self._limit_over(over_row, over, band)
            self._limit_largest(rows, largest, band)
            solved = self._search(cost, 0.35, start)
            if solved.values:
                break
        else:
            # Whole visits cannot come near: a plan for these goals is the measure, and the start.
            self._least_over(over_row, rows)
            count, trees = program.seasons, program.trees
            kept = over_watch(trees, self.cuts, count) * (1 + BANDS[-1]) + _SAME
            self._limit_over(over_row, kept, 0)
            self._limit_largest(rows, largest_pressure(trees, self.cuts, count) + _SAME, 0)
            solved = self._search(cost, 0.6, self.cuts)
        if solved.values:
            self.cuts = program.cuts(solved)
        value = len(self.cuts)
        # Fewer visits than trees times seasons are whole numbers, so the bound is rounded up.
        bound = min(float(value), math.ceil(max(solved.bound, 0.0) - _SAME))
        return goal("visits", self.cultivar, value, bound, bound >= value)

    def _least_over(self, over_row: int, rows: dict[tuple[int, int], int]) -> None:
        """Have as little pressure above the watch level as whole sticks and visits allow."""
        program = self.program
        self._limit_over(over_row, math.inf, 0)
        self._limit_largest(rows, math.inf, 0)
        cost = program.rows[over_row][2]
        known = program.start(self.cuts)
        solved = program.optimum(cost, seconds=self.seconds * 0.15, gap=BANDS[0], known=known)
        if solved.values:
            self.cuts = program.cuts(solved)

    def _search(self, cost: Terms, part: float, start: Cuts | None) -> Solved:
        return self.program.optimum(
            cost,
            seconds=self.seconds * part,
            gap=VISITS_WITHIN,
            absolute_gap=0.999,
            known=None if start is None else self.program.start(start),
        )

    def _evenness(self) -> Goal:
        """Share the sticks out evenly among the trees that are visited."""
        program = self.program
        for key, visit in program.visit.items():
            program.lower[visit] = program.upper[visit] = float(key in self.cuts)
        terms: dict[int, float] = {}
        for season in range(program.seasons):
            most = program.column(0, math.inf)
            terms[most] = 1.0
            for place, when in self.cuts:
                if when == season:
                    grows = program.trees[place].capacity[season]
                    program.row({program.sticks[place, season]: 1 / grows, most: -1}, high=0)
        solved = program.optimum(
            terms,
            seconds=self.seconds * 0.2,
            gap=0.01,
            absolute_gap=1e-4,
            known=program.start(self.cuts),
        )
        if solved.values:
            self.cuts = program.cuts(solved)
        value = unevenness(program.trees, self.cuts, program.seasons)
        return goal("evenness", self.cultivar, value, max(0.0, min(solved.bound, value)), False)


def _banded(name: str, cultivar: str, value: float, bound: float) -> Goal:
    return goal(name, cultivar, value, min(bound, value), False)


def _pressures(
    trees: Sequence[TreeSupply], cuts: Cuts, seasons: int
) -> Iterator[tuple[int, float]]:
    for place in {place for place, _ in cuts}:
        sticks = [cuts.get((place, season), 0) for season in range(seasons)]
        for season in range(seasons):
            yield place, counted_pressure(trees[place], sticks, season)


def over_watch(trees: Sequence[TreeSupply], cuts: Cuts, seasons: int) -> float:
    """Return the sum of pressure above the watch level, over trees and seasons."""
    found = _pressures(trees, cuts, seasons)
    return math.fsum(max(0.0, pressure - trees[place].limits.watch) for place, pressure in found)


def largest_pressure(trees: Sequence[TreeSupply], cuts: Cuts, seasons: int) -> float:
    """Return the largest pressure of a tree in a season."""
    return max((pressure for _, pressure in _pressures(trees, cuts, seasons)), default=0.0)


def unevenness(trees: Sequence[TreeSupply], cuts: Cuts, seasons: int) -> float:
    """Return the largest share cut of a tree, summed over the seasons."""
    return math.fsum(
        max((cut / trees[p].capacity[s] for (p, s), cut in cuts.items() if s == season), default=0)
        for season in range(seasons)
    )
