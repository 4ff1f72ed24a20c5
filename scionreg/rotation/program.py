"""The linear program of one cultivar: whole sticks by tree and season, within the nursery's limits.

Every rule is linear without large constants: pressure is a sum of sticks over what the tree grows,
and strain of before the plan is a number. Solved by HiGHS (Huangfu and Hall 2018, Parallelizing the
dual revised simplex method, Mathematical Programming Computation 10).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import highspy
import numpy as np

from scionreg.records.fixed_values import PLAN
from scionreg.rotation.supply import (
    LOOK_BACK,
    WEIGHTS,
    Cap,
    TreeSupply,
    allowances,
    least_sticks,
    most_sticks,
    past_strain,
)

Cuts = dict[tuple[int, int], int]
"""Sticks by tree (its place in the cultivar) and season; only what is cut."""
Terms = Mapping[int, float]

LARGEST_PART = PLAN.largest_part
"""Most of a season's demand that one tree gives, where three can be cut (common practice)."""
LESS_THAN_ONE = 0.999
"""A gap below which whole numbers are the same."""
_ROUNDING = 1e-9
_LOOSE = 1e-4


@dataclass(frozen=True, slots=True)
class Solved:
    """What a solver ended with: `values` by column, or none where it found no plan in time."""

    values: tuple[float, ...]
    bound: float
    proven: bool
    infeasible: bool


class _Silent(highspy.Highs):
    """HiGHS that says nothing: its name goes to stdout before it can be told, as it is made."""

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]

    def enableCallbacks(self) -> None:
        self.setOptionValue("output_flag", False)
        super().enableCallbacks()  # type: ignore[no-untyped-call]


class Columns:
    """Columns and rows of a linear program, of which some columns are whole numbers."""

    def __init__(self) -> None:
        self.lower: list[float] = []
        self.upper: list[float] = []
        self.whole: list[bool] = []
        self.rows: list[tuple[float, float, Terms]] = []

    def column(self, lower: float, upper: float, *, whole: bool = False) -> int:
        """Add a column and return its place."""
        self.lower.append(lower)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.lower) - 1

    def row(self, terms: Terms, low: float = -math.inf, high: float = math.inf) -> None:
        """Add a row: low <= sum of terms <= high."""
        self.rows.append((low, high, terms))

    def optimum(
        self,
        cost: Terms,
        *,
        seconds: float,
        relaxed: bool = False,
        gap: float = 0.0,
        absolute_gap: float = 1e-6,
        known: Terms | None = None,
    ) -> Solved:
        """Return the cheapest solution found in `seconds`; `relaxed` allows parts of sticks.

        `known` are columns of a solution to start from.
        """
        solver = _Silent()
        solver.setOptionValue("threads", 1)
        solver.setOptionValue("time_limit", max(seconds, 0.01))
        solver.setOptionValue("mip_rel_gap", gap)
        solver.setOptionValue("mip_abs_gap", absolute_gap)
        solver.passModel(self._model(cost, relaxed))
        if known and not relaxed:
            places = np.array(list(known), dtype=np.int32)
            solver.setSolution(len(known), places, np.array(list(known.values())))
        solver.run()
        found = _read(solver, relaxed)
        if known and found.proven and found.values:
            worth = math.fsum(by * found.values[column] for column, by in cost.items())
            if worth - found.bound > max(absolute_gap, gap * abs(worth)) + _LOOSE:
                # Where HiGHS needs no search at all it gives the start back and calls it the best.
                return self.optimum(
                    cost, seconds=seconds, gap=gap, absolute_gap=absolute_gap, relaxed=relaxed
                )
        return found

    def _model(self, cost: Terms, relaxed: bool) -> highspy.HighsLp:
        model = highspy.HighsLp()
        model.num_col_, model.num_row_ = len(self.lower), len(self.rows)
        costs = np.zeros(len(self.lower))
        costs[list(cost)] = list(cost.values())
        model.col_cost_ = costs
        model.col_lower_, model.col_upper_ = np.array(self.lower), np.array(self.upper)
        model.row_lower_ = np.array([low for low, _, _ in self.rows])
        model.row_upper_ = np.array([high for _, high, _ in self.rows])
        ends = np.cumsum([0, *(len(terms) for _, _, terms in self.rows)])
        matrix = model.a_matrix_
        matrix.format_ = highspy.MatrixFormat.kRowwise
        matrix.start_ = ends.astype(np.int32)
        matrix.index_ = np.array([at for _, _, terms in self.rows for at in terms], dtype=np.int32)
        matrix.value_ = np.array([by for _, _, terms in self.rows for by in terms.values()])
        if not relaxed:
            kinds = highspy.HighsVarType
            model.integrality_ = [kinds.kInteger if w else kinds.kContinuous for w in self.whole]
        return model


class Program(Columns):
    """Columns and rows of one cultivar; rows for one goal alone may be added.

    `demand` is by season; `waived` holds the seasons without the rules of spread; `caps` are what
    this cultivar may use.
    """

    def __init__(
        self,
        trees: Sequence[TreeSupply],
        demand: Sequence[int],
        waived: frozenset[int],
        caps: Sequence[Cap] = (),
    ) -> None:
        super().__init__()
        self.trees, self.demand, self.seasons = tuple(trees), tuple(demand), len(demand)
        self.by = range(self.seasons)
        self.sticks: dict[tuple[int, int], int] = {}
        self.visit: dict[tuple[int, int], int] = {}
        self.heavy: dict[tuple[int, int], int] = {}
        self.short = [self.column(0, wanted, whole=True) for wanted in demand]
        self._cuts()
        self.over = [self.column(0, self._most_over(season), whole=True) for season in self.by]
        for season in self.by:
            self._demand(season)
            if season not in waived:
                self._spread(season)
        self._limits()
        self._allowed()
        for cap in caps:
            self.row(self.usage(cap), high=cap.most)

    def _cuts(self) -> None:
        for place, tree in enumerate(self.trees):
            for season, wanted in enumerate(self.demand):
                most = most_sticks(tree, season, wanted)
                if not most:
                    continue
                key = place, season
                cut = self.sticks[key] = self.column(0, most, whole=True)
                visit = self.visit[key] = self.column(0, 1, whole=True)
                self.row({cut: 1, visit: -most}, high=0)
                self.row({cut: 1, visit: -least_sticks(tree, wanted)}, low=0)

    def _most_over(self, season: int) -> int:
        """Return the most sticks above what is wanted: a visit takes its least."""
        wanted = self.demand[season]
        leasts = (least_sticks(self.trees[p], wanted) for p, when in self.sticks if when == season)
        return max(leasts, default=1) - 1

    def _demand(self, season: int) -> None:
        terms = {cut: 1.0 for (_, when), cut in self.sticks.items() if when == season}
        wanted = self.demand[season]
        self.row(terms | {self.short[season]: 1.0, self.over[season]: -1.0}, wanted, wanted)

    def _spread(self, season: int) -> None:
        """No tree gives too much; whatever is cut comes of two trees, where two can be cut."""
        places = [place for place, when in self.sticks if when == season]
        wanted = self.demand[season]
        if len(places) < 2:
            return
        part = LARGEST_PART if len(places) > 2 else 1 / len(places)
        most = math.ceil(part * wanted - _ROUNDING)
        for place in places:
            column = self.sticks[place, season]
            self.upper[column] = min(self.upper[column], most)
        visits = {self.visit[place, season]: 1.0 for place in places}
        any_cut = self.column(0, 1, whole=True)
        self.row(visits | {any_cut: -2}, low=0)
        for visit in visits:
            self.row({visit: 1, any_cut: -1}, high=0)

    def _limits(self) -> None:
        for place, season in self.sticks:
            limits = self.trees[place].limits
            room = limits.rest - past_strain(self.trees[place], season)
            terms = self.planned_strain(place, season)
            if len(terms) > 1:
                self.row(terms, high=room)
            self._rest_after_heavy(place, season)

    def _allowed(self) -> None:
        """Cut no more of a place than its owner allows."""
        for allowed, places in allowances(self.trees).items():
            for season in self.by:
                cuts = [self.sticks[p, season] for p in places if (p, season) in self.sticks]
                if len(cuts) > 1:
                    self.row(dict.fromkeys(cuts, 1.0), high=allowed.most[season])

    def _rest_after_heavy(self, place: int, season: int) -> None:
        tree = self.trees[place]
        cut = self.sticks[place, season]
        heavy_share = tree.limits.heavy_share - (tree.done if season == 0 else 0.0)
        light = math.floor(heavy_share * tree.capacity[season] + _ROUNDING)
        later = range(season + 1, min(self.seasons, season + 1 + tree.limits.rest_seasons))
        visits = [self.visit[place, when] for when in later if (place, when) in self.visit]
        if self.upper[cut] <= light or not visits:
            return
        heavy = self.heavy[place, season] = self.column(0, 1, whole=True)
        self.row({cut: 1, heavy: light - self.upper[cut]}, high=light)
        for visit in visits:
            self.row({visit: 1, heavy: 1}, high=1)

    def planned_strain(self, place: int, season: int) -> dict[int, float]:
        """Return the pressure in `season` that comes of planned cuts, as terms."""
        grows = self.trees[place].capacity
        return {
            self.sticks[place, season - age]: WEIGHTS[age] / grows[season - age]
            for age in range(min(LOOK_BACK, season + 1))
            if (place, season - age) in self.sticks
        }

    def counted_strain(self, place: int, season: int) -> dict[int, float]:
        """Return the pressure that counts: what was before only if the tree is cut again."""
        before = past_strain(self.trees[place], season)
        return self.planned_strain(place, season) | {self.visit[place, season]: before}

    def usage(self, cap: Cap) -> dict[int, float]:
        """Return what the cultivar uses of a cap, as terms."""
        visits = {v: cap.a_visit for (_, s), v in self.visit.items() if s == cap.season}
        sticks = {c: cap.a_stick for (_, s), c in self.sticks.items() if s == cap.season}
        return {column: by for column, by in (visits | sticks).items() if by}

    def cuts(self, solved: Solved) -> Cuts:
        """Return the whole sticks of a solution."""
        return self.cuts_of(solved.values)

    def cuts_of(self, values: Sequence[float]) -> Cuts:
        """Return the whole sticks of the values of the columns, without needless ones."""
        found = {key: round(values[cut]) for key, cut in self.sticks.items()}
        return self._lessened({key: sticks for key, sticks in found.items() if sticks})

    def _lessened(self, cuts: Cuts) -> Cuts:
        """Return cuts without sticks above what is wanted, as far as visits take more than that.

        A smaller cut breaks no rule: it wears the tree less.
        """
        over = [-lacks for lacks in still_wanted(self.demand, cuts)]
        for (place, season), sticks in cuts.items():
            spare = min(over[season], sticks - least_sticks(self.trees[place], self.demand[season]))
            if spare > 0:
                over[season] -= spare
                cuts[place, season] -= spare
        return cuts

    def start(self, cuts: Cuts) -> dict[int, float]:
        """Return the columns of a plan that is known, to start from."""
        known = {cut: float(cuts.get(key, 0)) for key, cut in self.sticks.items()}
        known |= {visit: float(key in cuts) for key, visit in self.visit.items()}
        for season, lacks in enumerate(still_wanted(self.demand, cuts)):
            known[self.short[season]] = float(max(0, lacks))
            known[self.over[season]] = float(max(0, -lacks))
        return known


def still_wanted(demand: Sequence[int], cuts: Cuts) -> tuple[int, ...]:
    """Return by season what is wanted above what is cut; below zero where more is cut."""
    given = [0] * len(demand)
    for (_, season), sticks in cuts.items():
        given[season] += sticks
    return tuple(wanted - cut for wanted, cut in zip(demand, given, strict=True))


def _read(solver: highspy.Highs, relaxed: bool) -> Solved:
    status = solver.getModelStatus()
    info = solver.getInfo()
    proven = status == highspy.HighsModelStatus.kOptimal
    found = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    if relaxed:
        bound = info.objective_function_value if proven else -math.inf
    else:
        bound = info.mip_dual_bound
    return Solved(
        values=tuple(solver.getSolution().col_value) if found else (),
        bound=bound,
        proven=proven,
        infeasible=status == highspy.HighsModelStatus.kInfeasible,
    )
