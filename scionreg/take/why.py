"""Why some lots took poorly: the causes that explain it, tied ones, or that nobody can tell.

One cause at a time is weighed against none and against "these lots only", everything else being
left to chance (`evidence`). As an expert does it: like with like, does it follow the suspect, is it
absent without it, what else was seen, and which cheap work would settle it.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.special import expit, logit
from threadpoolctl import threadpool_limits

from scionreg.lineage.worked_lots import WorkedLots
from scionreg.records.errors import RegistryError
from scionreg.records.fixed_values import WHY
from scionreg.records.starting_values import CauseValues, UsualTake
from scionreg.take.candidates import Candidates, find_candidates
from scionreg.take.common import common_parts
from scionreg.take.evidence import Array, Ground, covariance_of, ground_of
from scionreg.take.factors import memberships
from scionreg.take.stages import Stage, Taken, counts_at
from scionreg.take.verdict import SURE, Cause, Rate, Why, grafts_needed, separating

MOST_LOTS = WHY.most_lots
"""Lots that are weighed together: those asked about and the ones most like them."""
FULLY = WHY.screened_fully
"""Causes that are reckoned fully, the best by one step."""
CLOSE, TIED = WHY.close, WHY.tied_together
"""A cause within this factor of the first is its rival; tied ones need so much together."""
BACKGROUND = WHY.background
"""Weight from which a cause that does not touch the lots asked about is taken as given."""
GAP, GAP_DESIGN = WHY.gap, WHY.gap_design
"""Smallest gap that is one, as a share; and the design effect of its standard error."""

Progress = Callable[[int, int], None]


def why_poor(
    worked: WorkedLots,
    asked: Sequence[str],
    *,
    values: CauseValues | None = None,
    usual: UsualTake | None = None,
    spells: pd.DataFrame | None = None,
    stage: Stage | None = None,
    progress: Progress | None = None,
) -> Why:
    """Return why graft lots took poorly, at the count where they fall short most clearly.

    Parameters
    ----------
    worked
        Every lot of the registry, the poor ones and those to compare with.
    asked
        Codes of the lots asked about.
    values, usual
        Starting values; the trade's where None.
    spells
        Warm spells that lots' wood sat through (`candidates.find_candidates`).
    stage
        Judge this count only.

    Raises
    ------
    RegistryError
        None of the lots was counted, or one is not recorded.
    """
    number = {code: lot for lot, code in enumerate(worked.lots["graft_lot"])}
    unknown = [code for code in asked if code not in number]
    if unknown or not asked:
        raise RegistryError(f"no graft lot is recorded under {', '.join(unknown) or 'nothing'}")
    rows = np.array(sorted({number[code] for code in asked}))
    found = []
    for each in (stage,) if stage else tuple(Stage):
        taken = counts_at(worked, each)
        if np.isin(rows, taken.lots).any():
            found.append(
                _Question(
                    worked, taken, rows, values or CauseValues(), usual or UsualTake(), spells
                )
            )
    if not found:
        raise RegistryError(
            "none of these lots has a take count of that age: early is 21 to 100 days, late after"
        )
    worst = max(found, key=lambda question: question.shortness)
    # More threads of BLAS gain little here, and on a busy machine they wait for each other.
    with threadpool_limits(limits=1, user_api="blas"):
        return worst.answer(progress or (lambda done, total: None))


class _Question:
    """One question at one count, and what is reckoned for it."""

    def __init__(
        self,
        worked: WorkedLots,
        taken: Taken,
        asked: Array,
        values: CauseValues,
        usual: UsualTake,
        spells: pd.DataFrame | None,
    ) -> None:
        self.worked, self.values, self.spells = worked, values, spells
        self.stage = taken.stage
        kept = _most_like(worked, taken.lots, np.intersect1d(asked, taken.lots))
        among = np.isin(taken.lots, kept)
        self.lots = taken.lots[among]
        self.taken = taken.taken[among].astype(float)
        self.grafts = taken.grafts[among].astype(float)
        self.asked = np.isin(self.lots, asked)
        methods = worked.lots["method"].to_numpy()[self.lots]
        self.mean = logit(np.array([usual.of(method) for method in methods]))
        self.parts = common_parts(worked, self.lots, values)
        self.expected = self._expected()
        self.rate = float(self.taken[self.asked].sum() / self.grafts[self.asked].sum())

    @property
    def shortness(self) -> float:
        """Return the gap in standard errors."""
        return (self.expected - self.rate) / self._error()

    def _error(self) -> float:
        spread = self.expected * (1 - self.expected) / self.grafts[self.asked].sum()
        return math.sqrt(GAP_DESIGN * max(spread, 1e-12))

    def _expected(self) -> float:
        """Return the take to expect of the lots asked about, from the others of their like.

        Like in method, season, days in store and cultivar: what else they share may be the cause.
        """
        others = ~self.asked
        usual = [part for part in self.parts if part.name in EXPECTED_BY]
        dense = covariance_of(usual, [part.sd for part in usual])
        mean = self.mean
        if others.any():
            among = dense[np.ix_(others, others)]
            ground = Ground(self.taken[others], self.grafts[others], mean[others], among)
            mean = mean + dense[:, others] @ ground.mode.residual
        weights = self.grafts[self.asked]
        return float(np.average(np.asarray(expit(mean[self.asked])), weights=weights))

    # -------------------------------------------------------------------------------- answer

    def answer(self, progress: Progress) -> Why:
        """Return the verdict."""
        gap = self.expected - self.rate
        if gap < GAP or gap < self._error():
            return self._why("no_shortfall")
        progress(0, 3)
        ground, _ = ground_of(self.taken, self.grafts, self.mean, self.parts)
        asked = np.flatnonzero(self.asked)
        candidates = find_candidates(
            self.worked, self.lots, self.lots[asked], self.values, self.spells
        )
        progress(1, 3)
        ground, background = self._settle_background(ground, candidates)
        progress(2, 3)
        found = self._explain(ground, candidates, background)
        progress(3, 3)
        return found

    def _settle_background(
        self, ground: Ground, candidates: Candidates
    ) -> tuple[Ground, list[Cause]]:
        """Take as given what is wrong elsewhere, so that it does not stand against the innocent."""
        touching = np.asarray(candidates.shares[self.asked].sum(axis=0)).ravel() > 0
        background: list[Cause] = []
        for _ in range(WHY.background_rounds):
            weights = self._screened(ground, candidates)
            weights[touching] = -np.inf
            best = int(np.argmax(weights)) if len(weights) else -1
            if best < 0 or weights[best] < math.log(BACKGROUND):
                break
            moved, chance = self._weight(ground, candidates, best)
            if chance < math.log(BACKGROUND):
                break
            background.append(self._cause(moved, candidates, best, float(expit(chance))))
            ground = moved
        return ground, background

    def _screened(self, ground: Ground, candidates: Candidates) -> Array:
        priors = np.array([each.prior for each in candidates.each])
        factors = ground.screen(candidates.shares, self.values.shift, self.values.shift_sd)
        found: Array = factors + np.log(priors)
        return found

    def _weight(self, ground: Ground, candidates: Candidates, at: int) -> tuple[Ground, float]:
        """Return the ground shifted by a candidate, and the log of its weight, in full."""
        column = _column(candidates, at)
        moved = ground.shifted(column, self.values.shift, self.values.shift_sd)
        gain = moved.mode.log_evidence - ground.mode.log_evidence
        return moved, gain + math.log(candidates.each[at].prior)

    def _explain(self, ground: Ground, candidates: Candidates, background: list[Cause]) -> Why:
        """Name causes until they cover half the grafts asked about, or no more can be named."""
        touching = np.asarray(candidates.shares[self.asked].sum(axis=0)).ravel() > 0
        named: list[Cause] = []
        covered = np.zeros(int(self.asked.sum()))
        while True:
            chances, grounds = self._weigh(ground, candidates, touching)
            chances = _pooled(candidates, chances)
            ranked = [int(at) for at in np.argsort(-chances) if chances[at] > 0]
            causes = [
                self._cause(grounds[at], candidates, at, float(chances[at]))
                for at in ranked[:FULLY]
                if at in grounds
            ]
            top = ranked[0] if ranked else -1
            rivals = self._rivals(candidates, chances, ranked) if ranked else []
            if top < 0 or chances[top] < SURE or len(rivals) > 1 or top not in grounds:
                break
            named.append(causes[0])
            covered = np.minimum(1, covered + _column(candidates, top)[self.asked])
            if covered @ self.grafts[self.asked] >= self.grafts[self.asked].sum() / 2:
                return self._why("cause", causes=[*named, *causes[1:]], background=background)
            ground, touching[top] = grounds[top], False
            if len(named) == 3:
                break
        group = [causes[ranked.index(at)] for at in rivals if at in ranked[: len(causes)]]
        if len(rivals) > 1 and chances[rivals].sum() >= TIED:
            tied = tuple(group)
            return self._why("tied", causes=[*named, *causes], tied=(tied,), background=background)
        return self._why("not_enough", causes=[*named, *causes], background=background)

    def _weigh(
        self, ground: Ground, candidates: Candidates, touching: Array
    ) -> tuple[Array, dict[int, Ground]]:
        """Return the probability of each candidate, and the best ones' grounds in full."""
        weights = self._screened(ground, candidates)
        weights[~touching] = -np.inf
        grounds = {}
        for at in map(int, np.argsort(-weights)[:FULLY]):
            if np.isfinite(weights[at]):
                grounds[at], weights[at] = self._weight(ground, candidates, at)
        every = np.append(weights, [0.0, self._lots_only(ground)])
        chances = np.exp(every - every.max())
        return chances[:-2] / chances.sum(), grounds

    def _lots_only(self, ground: Ground) -> float:
        """Return the log weight of some of the lots asked about being low each by itself."""
        values = self.values
        single = sparse.csc_array(np.eye(len(self.lots))[:, self.asked])
        each = ground.screen(single, values.shift, values.shift_sd)
        total = float(np.logaddexp(0, each + math.log(values.lots_only)).sum())
        return math.log(max(math.expm1(total), 1e-12)) if total < 50 else total

    def _rivals(self, candidates: Candidates, chances: Array, ranked: Sequence[int]) -> list[int]:
        """Return the likeliest candidate and those that cannot be told from it."""
        top = ranked[0]
        first = _column(candidates, top)
        found = [top]
        for at in ranked[1:]:
            close = chances[at] * CLOSE >= chances[top]
            alike = not candidates.each[at].scanned and np.array_equal(
                _column(candidates, at), first
            )
            if close or (alike and not candidates.each[top].scanned):
                found.append(at)
        return found

    def _cause(self, moved: Ground, candidates: Candidates, at: int, chance: float) -> Cause:
        candidate = candidates.each[at]
        column = _column(candidates, at)
        shift = moved.shift_of(column, self.values.shift, self.values.shift_sd)
        short = (self.expected - self.rate) * float(self.grafts[self.asked].sum())
        with_it = expit(moved.mode.logits[self.asked])
        without = expit(moved.mode.logits[self.asked] - shift * column[self.asked])
        lost = float(self.grafts[self.asked] @ (without - with_it))
        return Cause(
            factor=candidate.factor,
            item=candidate.item,
            items=candidate.items,
            season=candidate.season,
            p_low=chance,
            carries=min(1.0, max(0.0, lost / short)) if short > 0 else 0.0,
            shift=shift,
            follows=self._rate((column > 0) & ~self.asked),
            spared=self._rate(self._like(column)),
            signs=candidate.signs,
        )

    def _like(self, column: Array) -> Array:
        """Return the lots without a cause that are like those with it: method, season, company."""
        lots = self.worked.lots.iloc[self.lots]
        with_it = column > 0
        same = np.ones(len(self.lots), dtype=bool)
        for name in ("method", "season"):
            same &= lots[name].isin(lots.loc[with_it, name].unique()).to_numpy()
        near = np.zeros(len(self.lots), dtype=bool)
        for name in ("grafter", "date", "rootstock_lot", "cultivar"):
            near |= lots[name].isin(lots.loc[with_it, name].dropna().unique()).to_numpy()
        found: Array = same & near & ~with_it
        return found

    def _rate(self, lots: Array) -> Rate:
        return Rate(taken=int(self.taken[lots].sum()), grafts=int(self.grafts[lots].sum()))

    def _why(
        self,
        verdict: str,
        causes: Sequence[Cause] = (),
        tied: tuple[tuple[Cause, ...], ...] = (),
        background: Sequence[Cause] = (),
    ) -> Why:
        codes = self.worked.lots["graft_lot"].to_numpy()[self.lots[self.asked]]
        short = verdict in ("tied", "not_enough")
        needed = grafts_needed(self.expected, self.rate) if short else None
        return Why(
            lots=tuple(codes),
            stage=self.stage,
            grafts=int(self.grafts[self.asked].sum()),
            compared=len(self.lots),
            expected=self.expected,
            taken=self.rate,
            verdict=verdict,
            causes=tuple(causes),
            tied=tied,
            separate=tuple(separating(group, needed) for group in tied),
            background=tuple(background),
            needed=needed,
        )


EXPECTED_BY = ("usual", "method", "season", "month_in_store", "cultivar", "lot")
"""What like lots share: the take to expect is reckoned from these alone."""


def _column(candidates: Candidates, at: int) -> Array:
    found: Array = candidates.shares[:, [at]].toarray().ravel()
    return found


RUNS = ("row", "graft_day", "cutting_day", "grafter*graft_day")


def _pooled(candidates: Candidates, chances: Array) -> Array:
    """Give the likeliest run the chances of those that are much the same rows or days.

    Where exactly a bad stretch began and ended is not what is asked.
    """
    if not len(chances):
        return chances
    top = int(np.argmax(chances))
    factor = candidates.each[top].factor
    if factor not in RUNS:
        return chances
    of_it = np.array([each.factor == factor for each in candidates.each])
    held = (candidates.shares > 0).astype(float)
    first = held[:, [top]].toarray().ravel()
    common = held.T @ first
    alike = of_it & (2 * common >= first.sum()) & (2 * common >= held.sum(axis=0))
    found = np.where(alike, 0.0, chances)
    found[top] = chances[alike].sum()
    return found


def _most_like(worked: WorkedLots, counted: Array, asked: Array) -> Array:
    """Return the counted lots to weigh together: those asked and the ones most like them."""
    if len(counted) <= MOST_LOTS:
        return counted
    likeness = np.zeros(len(worked.lots))
    for name in ("mother_tree", "bundle", "grafter", "rootstock_lot", "graft_day", "season"):
        members = memberships(worked, name)
        shared = members.loc[members["lot"].isin(asked), "level"].unique()
        near = members[members["level"].isin(shared)].groupby("lot")["share"].sum()
        likeness[near.index] += near.to_numpy()
    likeness[asked] = np.inf
    order = counted[np.argsort(-likeness[counted], kind="stable")]
    found: Array = np.sort(order[:MOST_LOTS])
    return found
