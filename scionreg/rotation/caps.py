"""What all cultivars share: a season's visits, sticks or days of work, and how they are shared out.

Where a plan without caps keeps them, nothing is shared. Else all cultivars are put into one program
for the shortfalls; what each cultivar uses of a cap in its answer, and what is left over, is its
part while its other goals are improved.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from typing import Any

from scionreg.rotation.goals import Goal, Served, goal, shortfalls
from scionreg.rotation.prices import priced
from scionreg.rotation.program import LESS_THAN_ONE, Columns, Cuts, Program, Terms
from scionreg.rotation.rechecking import not_spread
from scionreg.rotation.supply import Cap, Used

ALL = "all"
"""The cultivar of a goal that all share."""


class Level(StrEnum):
    """The shortfalls, most pressing first."""

    MUST_FILL = "must_fill_shortfall"
    NOW = "shortfall"
    LATER_MUST_FILL = "later_must_fill_shortfall"
    LATER = "later_shortfall"


def usage(cap: Cap, served: Served) -> float:
    """Return what a cultivar's plan uses of a cap."""
    return Used.of(served.cuts, cap.season).under(cap)


def all_keep(caps: Sequence[Cap], served: Mapping[str, Served]) -> bool:
    """Tell whether all cultivars together keep every cap."""
    return all(sum(usage(cap, its) for its in served.values()) <= cap.most + 1e-6 for cap in caps)


def share_out(
    served: Mapping[str, Served], caps: Sequence[Cap], seconds: float
) -> tuple[dict[str, Served], tuple[Goal, ...]]:
    """Return plans of the least shortfall that keep the caps together, and the goals they share.

    Must-fill orders come before others. Spread is waived, with a caution, in seasons where the caps
    would else leave more short. `served` are the plans without caps.
    """
    least = _summed(served)
    start = _begun(served, caps, seconds / 3)
    shared = _Shared(served, caps, seconds / 3, start).solved()
    if shared.levels() == least:
        return shared.served, shared.goals
    looser = _Shared(_freed(served), caps, seconds / 3, shared.served).solved()
    if looser.levels() >= shared.levels():
        return shared.served, shared.goals
    kept = {name: replace(its, waived=_not_spread(its)) for name, its in looser.served.items()}
    return kept, looser.goals


def _freed(served: Mapping[str, Served]) -> dict[str, Served]:
    """Return the plans with the rules of spread waived everywhere."""
    return {
        name: replace(its, waived=frozenset(range(len(its.demand)))) for name, its in served.items()
    }


def _not_spread(served: Served) -> frozenset[int]:
    coded = {(served.trees[place].tree, s): n for (place, s), n in served.cuts.items()}
    return not_spread(served.trees, served.demand, coded)


def parts(caps: Sequence[Cap], served: Mapping[str, Served], cultivar: str) -> tuple[Cap, ...]:
    """Return a cultivar's part of each cap: what the others do not use."""
    others = [its for name, its in served.items() if name != cultivar]
    return tuple(
        replace(cap, most=cap.most - sum(usage(cap, its) for its in others)) for cap in caps
    )


def least_cap(served: Mapping[str, Served], cap: Cap, seconds: float) -> float | None:
    """Return the least of a cap that leaves no more short than `served`; None where not known."""
    shared = _Shared(_freed(served), (), seconds)
    for name, its in served.items():
        program = shared.programs[name]
        for column, lacks in zip(program.short, shortfalls(its.demand, its.cuts), strict=True):
            shared.upper[shared.at[name] + column] = lacks
    cost: dict[int, float] = {}
    for name, program in shared.programs.items():
        cost |= shared.moved(name, program.usage(cap))
    known = shared.known({name: its.cuts for name, its in served.items()})
    solved = shared.optimum(cost, seconds=seconds, gap=0.001, known=known)
    if not solved.values:
        return None
    return math.fsum(by * solved.values[column] for column, by in cost.items())


def _begun(served: Mapping[str, Served], caps: Sequence[Cap], seconds: float) -> dict[str, Served]:
    """Return plans that keep the caps, to start from."""
    trimmed = _trimmed(served, caps)
    found = priced(served, caps, seconds)
    return trimmed if found is None else min(found, trimmed, key=_summed)


def _trimmed(served: Mapping[str, Served], caps: Sequence[Cap]) -> dict[str, Served]:
    """Return the plans without so many of their smallest cuts that the caps are kept."""
    cuts = {name: dict(its.cuts) for name, its in served.items()}
    for cap in caps:
        given = [(n, name, key) for name, its in cuts.items() for key, n in its.items()]
        given = sorted(each for each in given if each[2][1] == cap.season)
        used = math.fsum(Used(1, n).under(cap) for n, _, _ in given)
        for n, name, key in given:
            if used > cap.most:
                used -= Used(1, n).under(cap)
                del cuts[name][key]
    found = {}
    for name, its in served.items():
        left = replace(its, cuts=cuts[name])
        broken = _not_spread(left) - its.waived
        kept = {key: n for key, n in left.cuts.items() if key[1] not in broken}
        found[name] = replace(its, cuts=kept)
    return found


def _summed(served: Mapping[str, Served]) -> list[int]:
    return [sum(each) for each in zip(*map(_levels, served.values()), strict=True)]


def _levels(served: Served) -> tuple[int, ...]:
    short = shortfalls(served.demand, served.cuts)
    must = [max(0, lacks - (wants - must)) for lacks, wants, must in _by_season(served, short)]
    return must[0], short[0], sum(must[1:]), sum(short[1:])


def _by_season(served: Served, short: Sequence[int]) -> Iterator[tuple[int, int, int]]:
    yield from zip(short, served.demand, served.must or (0,) * len(short), strict=True)


class _Shared(Columns):
    """The programs of all cultivars side by side, and the rows of the caps."""

    def __init__(
        self,
        served: Mapping[str, Served],
        caps: Sequence[Cap],
        seconds: float,
        start: Mapping[str, Served] | None = None,
    ) -> None:
        super().__init__()
        self.served, self.caps, self.seconds = dict(served), tuple(caps), seconds
        self.goals: tuple[Goal, ...] = ()
        self.start = {name: its.cuts for name, its in (start or {}).items()}
        self.programs, self.at = {}, {}
        self.must: dict[int, tuple[int, int]] = {}
        for name, its in served.items():
            program = Program(its.trees, its.demand, its.waived)
            self.programs[name], self.at[name] = program, len(self.lower)
            self.lower += program.lower
            self.upper += program.upper
            self.whole += program.whole
            for low, high, terms in program.rows:
                self.row(self.moved(name, terms), low, high)
        for cap in caps:
            total: dict[int, float] = {}
            for name, program in self.programs.items():
                total |= self.moved(name, program.usage(cap))
            if total:
                self.row(total, high=cap.most)

    def moved(self, name: str, terms: Terms) -> dict[int, float]:
        """Return a cultivar's terms in the columns of the whole."""
        return {self.at[name] + column: by for column, by in terms.items()}

    def known(self, cuts: Mapping[str, Any]) -> dict[int, float]:
        """Return the columns of plans that are known, to start from."""
        found: dict[int, float] = {}
        for name, its in cuts.items():
            found |= self.moved(name, self.programs[name].start(its))
        for lacks, (short, others) in self.must.items():
            found[lacks] = max(0.0, found[short] - others)
        return found

    def levels(self) -> list[int]:
        """Return what is short, most pressing first."""
        return _summed(self.served)

    def solved(self) -> "_Shared":
        """Make each shortfall as small as it can be, one after the other."""
        costs = self._costs()
        cuts = self.start or {name: {} for name in self.programs}
        for at, (level, cost) in enumerate(costs):
            if at and level in (Level.LATER_MUST_FILL, Level.LATER):
                cuts = self._completed()
            solved = self.optimum(
                cost,
                seconds=self.seconds / len(costs),
                absolute_gap=LESS_THAN_ONE,
                known=self.known(cuts),
            )
            if solved.values:
                cuts = {
                    name: program.cuts_of(solved.values[self.at[name] :])
                    for name, program in self.programs.items()
                }
            self.served = {name: replace(its, cuts=cuts[name]) for name, its in self.served.items()}
            value = self.levels()[list(Level).index(level)]
            bound = value if solved.proven else math.ceil(max(0.0, solved.bound) - 1e-6)
            self.goals += (goal(level.value, ALL, value, min(bound, value), solved.proven),)
            if at + 1 < len(costs):
                self.row(cost, high=value)
        return self

    def _completed(self) -> dict[str, Cuts]:
        """Return the cuts with the later seasons' made anew, cultivar by cultivar.

        A goal of the first season leaves the others as they come; this is a plan to start from.
        """
        made = dict(self.served)
        for name, its in made.items():
            program = Program(its.trees, its.demand, its.waived, parts(self.caps, made, name))
            for key, column in program.sticks.items():
                if key[1] == 0:
                    program.lower[column] = program.upper[column] = its.cuts.get(key, 0)
            solved = program.optimum(
                dict.fromkeys(program.short[1:], 1.0),
                seconds=self.seconds / len(made) / 10,
                absolute_gap=LESS_THAN_ONE,
                known=program.start(its.cuts),
            )
            if solved.values:
                made[name] = replace(its, cuts=program.cuts(solved))
        return {name: its.cuts for name, its in made.items()}

    def _costs(self) -> list[tuple[Level, dict[int, float]]]:
        """Return the shortfalls in order, as terms; those of nothing wanted are left out."""
        found: dict[Level, dict[int, float]] = {level: {} for level in Level}
        for name, its in self.served.items():
            for season, (_, wants, must) in enumerate(_by_season(its, its.demand)):
                short = self.at[name] + self.programs[name].short[season]
                found[Level.LATER if season else Level.NOW][short] = 1.0
                if must:
                    lacks = self.column(0, must)
                    self.row({short: 1, lacks: -1}, high=wants - must)
                    self.must[lacks] = short, wants - must
                    found[Level.LATER_MUST_FILL if season else Level.MUST_FILL][lacks] = 1.0
        return [(level, cost) for level, cost in found.items() if cost]
