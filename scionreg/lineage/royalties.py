"""What a licence is reported by: grafts made, taken, lost, and trees and wood sold, by cultivar.

What is owed, and for what, is between the nursery and the right's holder: these are the counts.
"""

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.season_books import SeasonBooks
from scionreg.records.vocabulary import BundleEventKind, Rights

if TYPE_CHECKING:
    import pandas as pd

PROTECTED = Query(
    "SELECT cultivar, rights, rights_no, rights_until, licence_no FROM cultivars "
    "WHERE rights IN ('patent', 'pvr', 'pending') OR licence_no IS NOT NULL ORDER BY cultivar"
)
CLAIMED = (Rights.PATENT, Rights.PVR, Rights.PENDING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Royalty:
    """The counts of one protected cultivar in one season or another period.

    `made` are grafts made in the period; of these `taken` grew from the scion at their last count,
    `green` were green without growing, `destroyed` (died, in our texts) were dead, missing, broken
    or only rootstock then, of `not_told` the count says nothing, and `not_counted` stand in lots
    without one: the five add up to `made`. `sold` are trees that left in the period, whenever
    grafted. `cut`, `received`, `wood_sold` and `wood_discarded` are sticks. Lots and bundles of
    mixed wood count in full for each of their cultivars: `mixed` are such grafts among those made.
    """

    cultivar: str
    licence: str | None
    rights: str | None
    rights_no: str | None
    rights_until: dt.date | None
    made: int = 0
    taken: int = 0
    green: int = 0
    destroyed: int = 0
    not_told: int = 0
    not_counted: int = 0
    sold: int = 0
    mixed: int = 0
    cut: int = 0
    received: int = 0
    wood_sold: int = 0
    wood_discarded: int = 0

    @property
    def unlicensed(self) -> bool:
        """Tell whether a right is claimed, it was propagated, and no licence is recorded."""
        return self.licence is None and self.rights in CLAIMED and bool(self.made or self.cut)

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        until = self.rights_until.isoformat() if self.rights_until else None
        return {**asdict(self), "rights_until": until}


def royalties(connection: Connection, books: SeasonBooks) -> tuple[Royalty, ...]:
    """Return the counts of every protected cultivar, by licence, those without one last."""
    found = [
        _counted(
            Royalty(
                cultivar=cultivar,
                licence=licence,
                rights=rights,
                rights_no=number,
                rights_until=as_day(until),
            ),
            books,
        )
        for cultivar, rights, number, until, licence in rows(connection, PROTECTED, ())
    ]
    return tuple(sorted(found, key=lambda each: (each.licence is None, each.licence or "")))


def _counted(plain: Royalty, books: SeasonBooks) -> Royalty:
    def mine(bundle: str) -> bool:
        return plain.cultivar in books.woods[bundle].cultivars

    lots = [
        each for each in books.lots if mine(each.bundle) and each.graft_lot not in books.undated
    ]
    counts = [books.counts[each.graft_lot] for each in lots if each.graft_lot in books.counts]
    bundles = [
        each for each in books.bundles if mine(each.bundle) and each.bundle not in books.undated
    ]
    left = [each for each in books.left if mine(each.bundle)]
    made = sum(each.grafts for each in lots)
    not_counted = sum(each.grafts for each in lots if each.graft_lot not in books.counts)
    told = sum(each.growing + each.green + each.lost for each in counts)
    return replace(
        plain,
        made=made,
        taken=sum(each.growing for each in counts),
        green=sum(each.green for each in counts),
        destroyed=sum(each.lost for each in counts),
        not_told=made - not_counted - told,
        not_counted=not_counted,
        sold=sum(each.trees for each in books.sent if any(map(mine, each.bundles))),
        mixed=sum(each.grafts for each in lots if len(books.woods[each.bundle].cultivars) > 1),
        cut=sum(
            each.sticks
            for each in books.cuttings
            if each.cultivar == plain.cultivar and each.collection not in books.undated
        ),
        received=sum(each.sticks for each in bundles if each.received_from is not None),
        wood_sold=_sticks(left, BundleEventKind.SOLD),
        wood_discarded=_sticks(left, BundleEventKind.DISCARDED),
    )


def _sticks(left: Iterable[Any], event: BundleEventKind) -> int:
    return sum(each.sticks or 0 for each in left if each.event == event)


@dataclass(frozen=True, slots=True, kw_only=True)
class Royalties:
    """The counts of a period. `undated` are records that nothing says the time of: not counted."""

    first: dt.date
    last: dt.date
    rows: tuple[Royalty, ...]
    undated: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "first": self.first.isoformat(),
            "last": self.last.isoformat(),
            "rows": self.to_rows(),
            "undated": list(self.undated),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a cultivar, for CSV."""
        return [each.to_dict() for each in self.rows]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table."""
        import pandas as pd

        return pd.DataFrame(self.to_rows(), columns=list(Royalty.__dataclass_fields__))


def by_licence(counted: Sequence[Royalty]) -> dict[str | None, dict[str, int]]:
    """Return the sums of each licence; None: the cultivars for which none is recorded."""
    found: dict[str | None, dict[str, int]] = {}
    for each in counted:
        sums = found.setdefault(each.licence, dict.fromkeys(COUNTS, 0))
        for name in COUNTS:
            sums[name] += getattr(each, name)
    return found


COUNTS = (
    *("made", "taken", "green", "destroyed", "not_told", "not_counted"),
    *("sold", "cut", "wood_sold"),
)
