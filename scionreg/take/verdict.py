"""The answer to why lots are poor: causes, rates, what is tied, and how many grafts would tell."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from scionreg.records.fixed_values import WHY
from scionreg.take.stages import Stage

SURE = WHY.sure
"""A cause is named from so much on."""
NEEDED_DESIGN = WHY.needed_design
"""Design effect of grafts that come in lots."""
GRAFTER, SOMEBODY = "grafter", "one grafter"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """How many took of how many grafts."""

    taken: int
    grafts: int

    @property
    def share(self) -> float:
        """Return the share that took; NaN of none."""
        return self.taken / self.grafts if self.grafts else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause: `p_low` its probability, `carries` the share of the shortfall it explains.

    `follows` is the take of its other lots, `spared` that of like lots without it.
    """

    factor: str
    item: str
    items: tuple[str, ...]
    season: int | None
    p_low: float
    carries: float
    shift: float
    follows: Rate
    spared: Rate
    signs: tuple[str, ...]

    def without_person(self) -> "Cause":
        """Return the cause with its grafter, where it has one, not named."""
        if GRAFTER not in self.factor.split("*"):
            return self
        rest = self.item.partition("*")[2]
        item = f"{SOMEBODY}*{rest}" if rest else SOMEBODY
        return replace(self, item=item, items=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """Why lots took poorly at one count. `expected` and `taken` are shares of their grafts.

    `verdict` is cause, tied, not_enough or no_shortfall; `needed` the grafts a side that would show
    such a gap (80 % power, 5 % error, design effect 2); `separate` the work that would part ties.
    """

    lots: tuple[str, ...]
    stage: Stage
    grafts: int
    compared: int
    expected: float
    taken: float
    verdict: str
    causes: tuple[Cause, ...] = ()
    tied: tuple[tuple[Cause, ...], ...] = ()
    separate: tuple[str, ...] = ()
    background: tuple[Cause, ...] = ()
    needed: int | None = None
    findings: tuple[Any, ...] = field(default=())

    def shown(self) -> tuple[Cause, ...]:
        """Return the causes to show: a person by code only where the verdict is reached."""
        told = {id(cause) for group in self.tied for cause in group}
        return tuple(
            cause if cause.p_low >= SURE or id(cause) in told else cause.without_person()
            for cause in self.causes
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        names = ("factor", "item")
        return {
            "lots": list(self.lots),
            "stage": self.stage.value,
            "expected": self.expected,
            "taken": self.taken,
            "grafts": self.grafts,
            "causes": [asdict(cause) for cause in self.shown()],
            "tied": [[{n: getattr(c, n) for n in names} for c in group] for group in self.tied],
            "separate": list(self.separate),
            "background": [asdict(cause) for cause in self.background],
            "verdict": self.verdict,
            "needed": self.needed,
            "findings": [asdict(finding) for finding in self.findings],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return one flat dictionary a cause, for CSV."""
        return [
            {
                "factor": cause.factor,
                "item": cause.item,
                "season": cause.season,
                "p_low": cause.p_low,
                "carries": cause.carries,
                "follows_taken": cause.follows.taken,
                "follows_grafts": cause.follows.grafts,
                "spared_taken": cause.spared.taken,
                "spared_grafts": cause.spared.grafts,
                "verdict": self.verdict,
            }
            for cause in self.shown()
        ]


def grafts_needed(one: float, other: float) -> int:
    """Return the grafts a side that tell two takes apart: 80 % power, 5 % two-sided error.

    Normal approximation of two proportions (Fleiss, Levin & Paik 2003, Statistical Methods for
    Rates and Proportions, section 4.2, from memory), doubled because grafts come in lots.
    """
    spread = one * (1 - one) + other * (1 - other)
    return math.ceil(NEEDED_DESIGN * (1.959964 + 0.841621) ** 2 * spread / (one - other) ** 2)


def separating(group: Sequence[Cause], needed: int | None) -> str:
    """Return the smallest work that would part tied causes."""
    one, other = group[0], group[1]
    return (
        f"graft {needed} with {one.factor.replace('_', ' ')} {one.item} without "
        f"{other.factor.replace('_', ' ')} {other.item}, and {needed} the other way round"
    )
