"""How much of what a recall lists is accounted for, and how long the list took: a mock recall.

A tree is accounted for when it was sent to a customer, counted as lost, or stands where the
records say. A stick is when it was grafted, sold, thrown away, or counted in store. The rest is
what one would have to go and look for.
"""

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.recall import Item, Recall, recall
from scionreg.lineage.season_books import LastCount, LotBook, read_last_counts
from scionreg.lineage.sticks import Flow, read_flows, tidy
from scionreg.records.vocabulary import Reach

LOTS = Query(
    "SELECT graft_lot, bundle, date, grafts, block, row, first, last, rootstock_lot "
    "FROM graft_lots WHERE graft_lot IN {codes}"
)
BUNDLES = Query("SELECT bundle, sticks FROM bundles WHERE bundle IN {codes}")
PASSED = Query("SELECT bundle, parent, sticks FROM bundle_parents WHERE bundle IN {codes}")
TIED = Query(
    "SELECT c.collection, c.sticks, b.bundle, b.sticks FROM collections c "
    "JOIN bundles b ON b.collection = c.collection WHERE c.collection IN {codes}"
)
SENT = Query("SELECT graft_lot, sum(trees) FROM dispatches WHERE graft_lot IN {codes} GROUP BY 1")
OWN = Query("SELECT collection FROM bundles WHERE bundle IN {codes} AND collection IS NOT NULL")


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLeft:
    """A recalled graft lot of which not every tree is accounted for."""

    graft_lot: str
    grafts: int
    unaccounted: int
    counted: bool
    placed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MockRecall:
    """What a mock recall found; trees and sticks, and shares (0 to 1, None where there are none).

    `trees` are the grafts made in the recalled lots: `sent`, `lost` and `standing` are accounted
    for. `sticks` were cut or received: `sticks_gone` were grafted, sold, thrown away, or passed to
    bundles that are not recalled, `sticks_stored` counted in store. `by_book` are those that should
    be in store, where nobody counted. `seconds` is the time until the list was there.
    """

    code: str
    seconds: float
    bundles: int
    graft_lots: int
    customers: int
    trees: int
    sent: int
    lost: int
    standing: int
    sticks: float
    sticks_gone: float
    sticks_stored: float
    by_book: float
    possible: int
    """Of the lots, those of which only some of the wood may be recalled."""
    lots_left: tuple[LotLeft, ...]
    bundles_left: tuple[tuple[str, float], ...]
    """Bundles with sticks that are not accounted for, and how many."""

    @property
    def share_of_trees(self) -> float | None:
        """Return the share of the trees that is accounted for."""
        return (self.sent + self.lost + self.standing) / self.trees if self.trees else None

    @property
    def share_of_sticks(self) -> float | None:
        """Return the share of the sticks that is accounted for."""
        return (self.sticks_gone + self.sticks_stored) / self.sticks if self.sticks else None

    def reaches(self, least: float) -> bool:
        """Tell whether both shares are at least `least`."""
        shares = (self.share_of_trees, self.share_of_sticks)
        return all(share is None or share >= least for share in shares)

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            **asdict(self),
            "lots_left": [asdict(each) for each in self.lots_left],
            "bundles_left": [{"bundle": b, "sticks": n} for b, n in self.bundles_left],
            "share_of_trees": self.share_of_trees,
            "share_of_sticks": self.share_of_sticks,
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary for each lot and bundle that is not wholly accounted for."""
        return [
            *(
                {
                    "kind": "graft_lot",
                    "code": each.graft_lot,
                    "trees": each.unaccounted,
                    "sticks": None,
                }
                for each in self.lots_left
            ),
            *(
                {"kind": "bundle", "code": code, "trees": None, "sticks": sticks}
                for code, sticks in self.bundles_left
            ),
        ]


def mock_recall(connection: Connection, items: Sequence[Item]) -> MockRecall:
    """Recall `items` as if it were needed, and return what is accounted for.

    Raises
    ------
    RegistryError
        As `recall`.
    """
    begun = time.perf_counter()
    found = recall(connection, items)
    customers = len(found.customers())
    seconds = time.perf_counter() - begun
    codes = [each.graft_lot for each in found.graft_lots]
    lots = [
        LotBook(row[0], row[1], as_day(row[2]), *row[3:]) for row in rows(connection, LOTS, codes)
    ]
    told = _of_lots(lots, read_last_counts(connection, lots), _sent(connection, lots))
    sticks = _Sticks.read(connection, [each.bundle for each in found.bundles])
    return MockRecall(
        code=found.code,
        seconds=seconds,
        bundles=len(found.bundles),
        graft_lots=len(lots),
        customers=customers,
        trees=sum(each.grafts for each in lots),
        sent=sum(each.sent for each in told),
        lost=sum(each.lost for each in told),
        standing=sum(each.standing for each in told),
        sticks=tidy(sticks.came),
        sticks_gone=tidy(sticks.gone),
        sticks_stored=tidy(sticks.stored),
        by_book=tidy(sticks.by_book),
        possible=_possible(found),
        lots_left=tuple(each.left for each in told if each.left.unaccounted),
        bundles_left=tuple(sticks.left),
    )


def _possible(found: Recall) -> int:
    return sum(each.grade == Reach.POSSIBLE for each in found.graft_lots)


def _sent(connection: Connection, lots: Iterable[LotBook]) -> dict[str, int]:
    asked = [each.graft_lot for each in lots]
    return {code: int(trees) for code, trees in rows(connection, SENT, asked)}


@dataclass(frozen=True, slots=True)
class _Lot:
    """Where the trees of one lot are."""

    sent: int
    lost: int
    standing: int
    left: LotLeft


def _of_lots(
    lots: Iterable[LotBook], counts: Mapping[str, LastCount], sent: Mapping[str, int]
) -> list[_Lot]:
    return [_of_lot(lot, counts.get(lot.graft_lot), sent.get(lot.graft_lot, 0)) for lot in lots]


def _of_lot(lot: LotBook, count: LastCount | None, trees_sent: int) -> _Lot:
    """Return where the trees of a lot are; what is beyond its grafts was miscounted, not there."""
    sent = min(trees_sent, lot.grafts)
    lost = min(count.lost, lot.grafts - sent) if count else 0
    known = count.growing + count.green if count else lot.grafts
    standing = min(max(0, known - sent), lot.grafts - sent - lost) if lot.placed else 0
    left = LotLeft(
        graft_lot=lot.graft_lot,
        grafts=lot.grafts,
        unaccounted=lot.grafts - sent - lost - standing,
        counted=count is not None,
        placed=lot.placed,
    )
    return _Lot(sent, lost, standing, left)


@dataclass(slots=True)
class _Sticks:
    """Where the sticks of some bundles are, and those cut for them that were never tied."""

    came: float = 0
    stored: float = 0
    by_book: float = 0
    left: list[tuple[str, float]] = field(default_factory=list)

    @property
    def gone(self) -> float:
        """Return the sticks that were used, sold, thrown away or passed on."""
        return self.came - self.stored - sum(sticks for _, sticks in self.left)

    @classmethod
    def read(cls, connection: Connection, bundles: Sequence[str]) -> "_Sticks":
        """Return the sticks of bundles; what one gave to another of them counts once."""
        found, held = cls(), dict(rows(connection, BUNDLES, bundles))
        flows = read_flows(connection, bundles) if bundles else {}
        for code in bundles:
            found._add(code, held[code], flows.get(code, Flow()))
        for bundle, parent, sticks in rows(connection, PASSED, bundles):
            if parent in held and bundle in held:
                found.came -= sticks
        for collection, cut, tied in _whole_collections(connection, held):
            if cut > tied:
                found.came += cut - tied
                found.left.append((collection, tidy(cut - tied)))
        return found

    def _add(self, code: str, sticks: float, flow: Flow) -> None:
        rest = max(0.0, sticks - flow.out)
        stored = min(rest, flow.counted or 0.0)
        missing = 0.0 if flow.discarded_rest else rest - stored
        self.came += sticks
        self.stored += stored
        if missing > 0:
            self.left.append((code, tidy(missing)))
            self.by_book += missing if flow.counted is None else 0.0


def _whole_collections(
    connection: Connection, held: Mapping[str, int]
) -> Iterable[tuple[str, float, float]]:
    """Yield collections all of whose bundles are recalled: the code, sticks cut, sticks tied."""
    own = {row[0] for row in rows(connection, OWN, held)}
    tied: dict[str, tuple[float, float, bool]] = {}
    for collection, cut, bundle, sticks in rows(connection, TIED, own):
        _, before, whole = tied.get(collection, (cut, 0.0, True))
        tied[collection] = (cut, before + sticks, whole and bundle in held)
    for collection, (cut, sum_tied, whole) in sorted(tied.items()):
        if whole:
            yield collection, cut, sum_tied
