"""What an inspector would ask for and nobody wrote down, in one season's records.

A gap names what is missing, the rule that asks for it, and the records it is missing from. Whether
a rule binds a nursery is not judged.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.graph import Query, rows
from scionreg.lineage.season_books import SeasonBooks
from scionreg.records.cited import CITED
from scionreg.records.vocabulary import Rights, TreeKind

TREES = Query(
    "SELECT tree, kind, block, row, position, planted, received_from, graft_lot FROM mother_trees "
    "WHERE tree IN {codes} ORDER BY tree"
)
ROOTSTOCKS = Query(
    "SELECT rootstock_lot, supplier, seed_parent FROM rootstock_lots "
    "WHERE rootstock_lot IN {codes} ORDER BY rootstock_lot"
)
CULTIVARS = Query(
    "SELECT cultivar, rights, licence_no FROM cultivars WHERE cultivar IN {codes} ORDER BY cultivar"
)


class TreeBook(NamedTuple):
    """A mother tree that was cut."""

    tree: str
    kind: str | None
    block: str | None
    row: int | None
    position: int | None
    planted: Any
    received_from: str | None
    graft_lot: str | None


class RootstockBook(NamedTuple):
    """A rootstock lot that was worked."""

    rootstock_lot: str
    supplier: str | None
    seed_parent: str | None


class CultivarBook(NamedTuple):
    """A cultivar that was worked."""

    cultivar: str
    rights: str | None
    licence: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Something not recorded: `what` by its short name, in which records, of how many.

    `rule` is the short name of what asks for it, in `CITED`.
    """

    what: str
    rule: str
    codes: tuple[str, ...]
    of: int

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "what": self.what,
            "missing": len(self.codes),
            "of": self.of,
            "codes": list(self.codes),
            "rule": CITED[self.rule],
        }


def gaps(connection: Connection, books: SeasonBooks) -> tuple[Gap, ...]:
    """Return what is missing from one season's records, nothing where nothing is."""
    trees = [TreeBook(*row) for row in rows(connection, TREES, {c.tree for c in books.cuttings})]
    worked = {each.rootstock_lot for each in books.lots if each.rootstock_lot}
    rootstocks = [RootstockBook(*row) for row in rows(connection, ROOTSTOCKS, worked)]
    names = {name for lot in books.lots for name in books.woods[lot.bundle].cultivars}
    cultivars = [CultivarBook(*row) for row in rows(connection, CULTIVARS, names)]
    asked = (
        _of_cuttings(books),
        _of_bundles(books),
        _of_trees(trees),
        _of_lots(books),
        [_gap("rootstock_source", "washington", rootstocks, _no_source)],
        _of_sent(books),
        _of_cultivars(cultivars),
    )
    return tuple(each for found in asked for each in found if each.codes)


def _gap(what: str, rule: str, asked: Iterable[Any], lacks: Callable[[Any], bool]) -> Gap:
    """Return a gap of records, each named by its first column."""
    every = list(asked)
    missing = dict.fromkeys(str(each[0]) for each in every if lacks(each))
    return Gap(what=what, rule=rule, codes=tuple(missing), of=len({each[0] for each in every}))


def _without(column: str) -> Callable[[Any], bool]:
    return lambda each: getattr(each, column) is None


def _of_cuttings(books: SeasonBooks) -> Iterator[Gap]:
    yield _gap("cutting_day", "texas_lots", books.cuttings, _without("date"))
    yield _gap("cutting_counting", "florida_budwood", books.cuttings, _without("counting"))
    yield _gap("cutter", "practice", books.cuttings, _without("cutter"))


def _of_bundles(books: SeasonBooks) -> Iterator[Gap]:
    def no_source(each: Any) -> bool:
        return each.collection is None and each.received_from is None and each.given is None

    def no_part(each: Any) -> bool:
        own = each.collection is not None or each.received_from is not None
        return each.given is not None and not own and each.given < each.sticks

    received = [each for each in books.bundles if each.received_from is not None]
    yield _gap("bundle_source", "florida_budwood", books.bundles, no_source)
    yield _gap("bundle_counting", "florida_budwood", books.bundles, _without("counting"))
    yield _gap("bundle_mix", "england", books.bundles, no_part)
    yield _gap("received_cultivar", "florida_budwood", received, _without("claimed"))
    yield _gap("bundle_packed", "practice", books.bundles, _without("packed"))
    yield _gap("bundle_packer", "practice", books.bundles, _without("packer"))
    yield _gap("bundle_store", "practice", books.bundles, _without("store"))


def _of_trees(trees: Sequence[TreeBook]) -> Iterator[Gap]:
    def no_place(each: Any) -> bool:
        return None in (each.block, each.row, each.position)

    def no_origin(each: Any) -> bool:
        return each.received_from is None and each.graft_lot is None

    increase = [each for each in trees if each.kind == TreeKind.INCREASE]
    yield _gap("tree_place", "texas_records", trees, no_place)
    yield _gap("tree_origin", "washington", trees, no_origin)
    yield _gap("increase_planted", "florida_increase", increase, _without("planted"))


def _of_lots(books: SeasonBooks) -> Iterator[Gap]:
    yield _gap("lot_day", "texas_lots", books.lots, _without("date"))
    yield _gap("lot_rootstock", "washington", books.lots, _without("rootstock_lot"))
    yield _gap("lot_place", "practice", books.lots, lambda each: not each.placed)
    yield _gap("lot_count", "practice", books.lots, lambda each: each.graft_lot not in books.counts)


def _no_source(each: Any) -> bool:
    return each.supplier is None and each.seed_parent is None


def _of_sent(books: SeasonBooks) -> Iterator[Gap]:
    yield _gap("sent_day", "practice", books.sent, _without("date"))
    yield _gap("sent_label", "eu_label", books.sent, _without("label_cultivar"))
    yield _gap("sent_positions", "practice", books.sent, _without("first"))


def _of_cultivars(cultivars: Sequence[CultivarBook]) -> Iterator[Gap]:
    claimed = (Rights.PATENT, Rights.PVR, Rights.PENDING)
    protected = [each for each in cultivars if each.rights in claimed]
    yield _gap("licence", "practice", protected, _without("licence"))
    yield _gap("rights", "practice", cultivars, lambda each: each.rights in (None, Rights.UNKNOWN))
