"""Whether a tree was verified when wood was cut from it, and what has been found since."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

from scionreg.identity.tree_evidence import BREAKS, broke, looked_by
from scionreg.identity.tree_status import Weights, identity_of, iso
from scionreg.lineage.phrases import found_to_be
from scionreg.lineage.tree_books import Check, Cut, TreeBook
from scionreg.records.vocabulary import Found, IdentityStatus
from scionreg.records.words import Sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class WhenCut:
    """What was known of a tree (and limb) on the day a collection was cut, and found since.

    `status` is None where the day is unknown; `verified` whether a look or profile stood then and
    nothing spoke against it. `since` are sentences.
    """

    collection: str
    tree: str
    limb: str | None
    date: dt.date | None
    sticks: int
    status: IdentityStatus | None
    verified: bool | None
    reasons: tuple[str, ...]
    since: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "collection": self.collection,
            "tree": self.tree,
            "limb": self.limb,
            "date": iso(self.date),
            "sticks": self.sticks,
            "status": self.status.value if self.status else None,
            "verified": self.verified,
            "reasons": list(self.reasons),
            "since": list(self.since),
        }


def when_cut(book: TreeBook, cut: Cut, weights: Weights | None = None) -> WhenCut:
    """Return what was known of a tree on the day a collection was cut, and what was found since.

    `book` should hold the clean looks at its wood too.
    """
    weights = weights or Weights()
    then = (
        identity_of(book, cut.date, now=False, limb=cut.limb, weights=weights) if cut.date else None
    )
    verified = None
    if then is not None:
        verified = then.status == then.rung and then.rung not in (
            IdentityStatus.NAMED_ONLY,
            IdentityStatus.ON_PAPER,
        )
    return WhenCut(
        collection=cut.collection,
        tree=book.tree,
        limb=cut.limb,
        date=cut.date,
        sticks=cut.sticks,
        status=then.status if then else None,
        verified=verified,
        reasons=then.reasons if then else (Sentence("tree.no_day_of_cutting"),),
        since=tuple(_since(book, cut)),
    )


def _since(book: TreeBook, cut: Cut) -> list[Sentence]:
    """Return what was found since a cutting, at the tree and in what its wood was made into.

    Where the day of the cutting is unknown, only what its wood was made into is told.
    """
    day = cut.date or dt.date.max
    tree = Sentence("tree.the_tree")
    told: list[tuple[dt.date, Sentence]] = []
    for check in book.checks:
        if check.date and check.date > day and check.limb in (None, cut.limb):
            told.append((check.date, _saw(tree, check)))
    for event in book.events:
        meets = event.event in BREAKS and event.limb in (None, cut.limb)
        if meets and event.date and event.date > day:
            told.append((event.date, broke(event, tree=tree)))
    for check, collections, _ in book.wood:
        if cut.collection in collections:
            told.append((check.date or dt.date.max, _saw(check.item, check)))
    return [
        Sentence(
            "tree.since", on=on if on < dt.date.max else Sentence("tree.day_unknown"), says=says
        )
        for on, says in sorted(told)
    ]


def _saw(item: str, check: Check) -> Sentence:
    return Sentence(
        f"tree.saw.{'off' if check.off else 'true'}",
        item=item,
        off=check.off,
        checked=check.checked,
        by=looked_by(check.method),
        check=check.check,
        found=found_to_be(None if check.found == Found.UNKNOWN else check.found),
    )
