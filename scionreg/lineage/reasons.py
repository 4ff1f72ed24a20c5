"""One thing that is known against using something, and all of them together: the judgement."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from scionreg.records.vocabulary import Against, Weight


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One thing that speaks against using an item on a day, or is to be minded.

    `says` is a sentence and `of` what it is said of: the item, or what its wood came from. `since`
    is the day it began, and `until` the last day on which it holds, where either is known.
    """

    code: Against
    weight: Weight
    says: str
    of: str = ""
    limb: str | None = None
    since: dt.date | None = None
    until: dt.date | None = None

    @property
    def bars(self) -> bool:
        """Tell whether it forbids the use."""
        return self.weight is Weight.BARS

    def weighing(self, weight: Weight) -> "Reason":
        """Return the same reason with another weight."""
        return replace(self, weight=weight)

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "code": self.code.value,
            "weight": self.weight.value,
            "says": self.says,
            "of": self.of,
            "limb": self.limb,
            "since": self.since.isoformat() if self.since else None,
            "until": self.until.isoformat() if self.until else None,
        }


def barred(code: Against, says: str, of: str = "", **days: Any) -> Reason:
    """Return a reason that forbids the use."""
    return Reason(code=code, weight=Weight.BARS, says=says, of=of, **days)


def doubted(code: Against, says: str, of: str = "", **days: Any) -> Reason:
    """Return a reason that speaks against the use."""
    return Reason(code=code, weight=Weight.DOUBT, says=says, of=of, **days)


def noted(code: Against, says: str, of: str = "", **days: Any) -> Reason:
    """Return something to mind."""
    return Reason(code=code, weight=Weight.NOTE, says=says, of=of, **days)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """Whether an item may be used on a day: a tree cut, wood grafted, a lot sold.

    `reasons` are the gravest first. It records what the nursery knows; it is no permit.
    """

    item: str
    kind: str
    on: dt.date
    reasons: tuple[Reason, ...] = ()

    @property
    def may(self) -> bool:
        """Tell whether nothing forbids it."""
        return not self.bars

    @property
    def bars(self) -> tuple[Reason, ...]:
        """Return what forbids it."""
        return tuple(each for each in self.reasons if each.weight is Weight.BARS)

    @property
    def doubts(self) -> tuple[Reason, ...]:
        """Return what speaks against it without forbidding it."""
        return tuple(each for each in self.reasons if each.weight is Weight.DOUBT)

    @property
    def against(self) -> tuple[Reason, ...]:
        """Return what forbids it or speaks against it: all that a recorder should hear."""
        return tuple(each for each in self.reasons if each.weight is not Weight.NOTE)

    @property
    def why(self) -> str:
        """Return what forbids it, in words; empty where it may be used."""
        return "; ".join(each.says for each in self.bars)

    def has(self, *codes: Against) -> bool:
        """Tell whether one of some reasons is among those against it."""
        return any(each.code in codes for each in self.against)

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "item": self.item,
            "kind": self.kind,
            "on": self.on.isoformat(),
            "may_be_used": self.may,
            "reasons": [each.to_dict() for each in self.reasons],
        }


RANK = {weight: rank for rank, weight in enumerate(Weight)}


def judged(item: str, kind: str, on: dt.date, reasons: Iterable[Reason]) -> Judgement:
    """Return the judgement of an item by reasons in any order; one told twice counts once."""
    once: dict[tuple[Against, str], Reason] = {}
    for each in sorted(reasons, key=lambda each: RANK[each.weight]):
        once.setdefault((each.code, each.says), each)
    return Judgement(item=item, kind=kind, on=on, reasons=tuple(once.values()))
