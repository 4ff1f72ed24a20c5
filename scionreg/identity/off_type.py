"""The answer to where an identity broke: causes, what shares the fault, and which check tells."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from scionreg.records.vocabulary import Failure, Proposal

if TYPE_CHECKING:
    import pandas as pd


CERTAIN = 0.99
"""From here on wood that is not as labelled is called certain, as a recall calls wood of which all
came from there: nobody would wait for more before telling a customer."""
LIKELY = 0.5
"""From here on likely: wrong rather than right. A recall has no such word, since it weighs nothing;
what it calls possible is likely, possible or excluded here."""
POSSIBLE = 0.05
"""From here on possible, below it excluded; what is excluded here may share a source all the same,
and a recall lists it."""
MORE_THAN_USUAL = 2.0
"""How much likelier than without any look, at least, what shares the fault is to be wrong."""


def grade(probability: float) -> str:
    """Return how sure it is that something shares the fault: certain, likely, possible, excluded.

    >>> [grade(each) for each in (1.0, 0.7, 0.1, 0.01)]
    ['certain', 'likely', 'possible', 'excluded']
    """
    if probability >= CERTAIN:
        return "certain"
    if probability >= LIKELY:
        return "likely"
    return "possible" if probability >= POSSIBLE else "excluded"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One cause of what was found off.

    `item` failed, together with `partners`; what it holds instead of its label's cultivar is `what`
    (a cultivar, other, several, sport, rootstock). `because` is one sentence with the evidence.
    """

    failure: Failure
    item: str | None
    partners: tuple[str, ...]
    what: str | None
    probability: float
    because: str

    def named(self) -> dict[str, Any]:
        """Return what tells it from other causes, in JSON."""
        partners = list(self.partners)
        joined = partners[0] if len(partners) == 1 else partners or None
        return {"failure": self.failure.value, "item": self.item, "with": joined}

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            **self.named(),
            "as": self.what,
            "probability": self.probability,
            "because": self.because,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Affected:
    """Something that may hold wood that is not as labelled: `trees` of it, or grafted from it."""

    kind: str
    item: str
    trees: int
    probability: float
    what: str | None
    proposal: Proposal | None

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "item": self.item,
            "kind": self.kind,
            "trees": self.trees,
            "probability": self.probability,
            "grade": grade(self.probability),
            "what": self.what,
            "proposal": self.proposal and self.proposal.value,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class NextCheck:
    """A check worth its money: `saves` is how much less loss is expected after it."""

    item: str
    position: int | None
    method: str
    trees: int
    cost: float
    saves: float

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """How many trees of something were looked at, and how many of them were off."""

    checked: int
    off: int

    @property
    def few(self) -> bool:
        """Return whether so few were looked at, or off, that little can be told."""
        return self.checked < ENOUGH_CHECKED or 0 < self.off < ENOUGH_OFF


ENOUGH_CHECKED, ENOUGH_OFF = 8, 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainItem:
    """A thing of the chain around the question, to draw.

    `sources` are codes of what its wood came from; of a tree from one identity break to the next
    the code has the number of the break behind ~. `checked` and `off` count what was looked at of
    it; looks at what was sent of a lot count for the dispatch. `place` is a lot's row and
    positions, or a dispatch's customer.
    """

    kind: str
    code: str
    sources: tuple[str, ...]
    label: str
    date: dt.date | None
    trees: int
    checked: int
    off: int
    probability: float
    place: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OffType:
    """Where the identity of something broke, likeliest cause first; probabilities sum to one.

    `tied` are groups of causes that nothing recorded can tell apart. `excluded` shares a source
    with what is off, and hardly shares the fault. `missing` was not recorded. Where re-bundles tied
    too much together, those `taken_apart` were reckoned with one by one, and probabilities are near
    rather than exact. `chain` is what pictures are drawn from; it is no part of the JSON form.
    """

    code: str
    label: str
    looked: Looked
    causes: tuple[Fault, ...]
    tied: tuple[tuple[Fault, ...], ...]
    affected: tuple[Affected, ...]
    excluded: tuple[Affected, ...]
    next_checks: tuple[NextCheck, ...]
    missing: tuple[str, ...] = ()
    taken_apart: tuple[str, ...] = ()
    chain: tuple[ChainItem, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "code": self.code,
            "label": self.label,
            "looked": {"checked": self.looked.checked, "off": self.looked.off},
            "few": self.looked.few,
            "causes": [each.to_dict() for each in self.causes],
            "tied": [[each.named() for each in group] for group in self.tied],
            "affected": [each.to_dict() for each in self.affected],
            # Some are wrong with 5 % or more, and no likelier so than without any look.
            "excluded": [each.to_dict() | {"grade": "excluded"} for each in self.excluded],
            "next_checks": [each.to_dict() for each in self.next_checks],
            "missing": list(self.missing),
            "taken_apart": list(self.taken_apart),
        }

    def to_rows(self) -> Iterator[dict[str, Any]]:
        """Yield the causes, a row each."""
        for each in self.causes:
            row = each.to_dict()
            row["with"] = ";".join(each.partners)
            yield {"code": self.code, **row}

    def to_frame(self) -> "pd.DataFrame":
        """Return the causes as a table."""
        import pandas as pd

        return pd.DataFrame(list(self.to_rows()))


def first_group(answer: OffType) -> Sequence[Fault]:
    """Return the likeliest causes: the first, with those that nothing tells from it."""
    first = answer.causes[:1]
    return next((group for group in answer.tied if first and first[0] in group), first)
