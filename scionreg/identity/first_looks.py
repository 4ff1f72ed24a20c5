"""Which mother trees to look at first: those whose wood is wanted and of which little is known.

A tree is another cultivar than its name with the probability that `offtype` starts from, less what
looks that agree leave of it: each finds so many of those that are. What another look protects is,
on average, the sticks of the tree times that probability.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from scionreg.records.starting_values import IdentityValues
from scionreg.records.vocabulary import CheckMethod, IdentityStatus

SEEN_BY: dict[IdentityStatus, tuple[CheckMethod, ...]] = {
    IdentityStatus.NAMED_ONLY: (),
    IdentityStatus.ON_PAPER: (),
    IdentityStatus.FIELD_CHECKED: (CheckMethod.LEAF,),
    IdentityStatus.FRUIT_CHECKED: (CheckMethod.FRUIT,),
    IdentityStatus.FINGERPRINT_AGREES: (CheckMethod.DNA,),
    IdentityStatus.CLEARED_AS_SOURCE: (CheckMethod.DNA, CheckMethod.FRUIT),
}
"""The looks that stand behind a rung of the ladder; of buds less is found than of leaves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstLook:
    """A tree to look at: its sticks that are wanted, and how likely it is another cultivar.

    `at_risk` are the sticks that are, on average, of another cultivar.
    """

    tree: str
    cultivar: str
    identity: str
    sticks: float
    doubt: float
    at_risk: float

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return asdict(self)


def doubt(status: IdentityStatus, other: float, values: IdentityValues) -> float:
    """Return how likely a tree is another cultivar than its name, by what is known of it.

    `other` is how likely that is of a tree that nobody looked at.
    """
    left = other
    for method in SEEN_BY.get(status, ()):
        left *= 1 - values.find_rate(method)
    return left / (left + 1 - other)


def first_looks(
    wanted: Iterable[tuple[str, str, IdentityStatus, float]],
    number: int,
    other: float,
    values: IdentityValues | None = None,
) -> tuple[FirstLook, ...]:
    """Return the trees whose looks protect most sticks, the first `number` of them.

    `wanted` are trees with their cultivar, status and sticks.
    """
    values = values or IdentityValues()
    found = []
    for tree, cultivar, status, sticks in wanted:
        unsure = doubt(status, other, values)
        found.append(
            FirstLook(
                tree=tree,
                cultivar=cultivar,
                identity=status.value,
                sticks=sticks,
                doubt=unsure,
                at_risk=sticks * unsure,
            )
        )
    return tuple(sorted(found, key=lambda each: (-each.at_risk, each.tree))[:number])
