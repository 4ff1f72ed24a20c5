"""What the records say of where trees, blocks and rows are, as plain data."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from scionreg.geodesy.fixes import Fix
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import Query, as_day, rows
from scionreg.lineage.standing import items_standing
from scionreg.records.cells import expand_positions
from scionreg.records.tables import table

_TREE = (
    "tree, cultivar, kind, status, block, row, position, latitude, longitude, accuracy_m, "
    "fix_method, location_private"
)
TREES = Query(f"SELECT {_TREE} FROM mother_trees ORDER BY id")
BLOCKS = Query(
    "SELECT block, kind, row_spacing_m, tree_spacing_m, counted_from, outline FROM blocks "
    "ORDER BY id"
)
CUT_FIXES = Query(
    "SELECT tree, latitude, longitude, accuracy_m FROM collections "
    "WHERE latitude IS NOT NULL AND longitude IS NOT NULL ORDER BY id"
)
ENDS = Query(
    "SELECT block, max(row), max(last) FROM graft_lots "
    "WHERE block IS NOT NULL AND row IS NOT NULL GROUP BY block"
)

LOTS = Query(
    "SELECT graft_lot, block, row, first, last FROM graft_lots WHERE graft_lot IN {codes} "
    "AND block IS NOT NULL AND row IS NOT NULL AND first IS NOT NULL AND last IS NOT NULL"
)
LOOKS = Query(
    "SELECT item, date, checked, off, positions FROM identity_checks "
    "WHERE checked > 0 AND method <> 'paper' ORDER BY id"
)


class TreePlace(NamedTuple):
    """Where a mother tree stands; `cultivar` is the name that the written one stands for."""

    tree: str
    cultivar: str
    kind: str | None
    status: str | None
    block: str | None
    row: int | None
    position: int | None
    latitude: float | None
    longitude: float | None
    accuracy_m: float | None
    fix_method: str | None
    private: bool


class BlockPlace(NamedTuple):
    """A block; `rows` and `positions` are the highest that any record names in it."""

    block: str
    kind: str | None
    row_spacing_m: float | None
    tree_spacing_m: float | None
    counted_from: str | None
    outline: dict[str, Any] | None
    rows: int
    positions: int


class LotPlace(NamedTuple):
    """Where a graft lot stands: its row, from position `first` to `last`."""

    lot: str
    block: str
    row: int
    first: int
    last: int


class LotLooks(NamedTuple):
    """Trees of a lot that were looked at, those found off, and the positions of these."""

    checked: int = 0
    off: int = 0
    positions: frozenset[int] = frozenset()


class CutFix(NamedTuple):
    """Where a cutter stood at a tree: `number` is the id of the collection."""

    number: int
    collection: str
    tree: str
    fix: Fix


@dataclass(frozen=True, slots=True)
class PlaceBooks:
    """Trees in the order they came in, blocks by code, and fixes of cuttings by their tree."""

    trees: tuple[TreePlace, ...] = ()
    blocks: tuple[BlockPlace, ...] = ()
    cut_fixes: tuple[tuple[str, Fix], ...] = ()


def read_place_books(connection: Connection) -> PlaceBooks:
    """Return where everything is recorded to be."""
    recorded = rows(connection, TREES, ())
    names = resolve_names(connection, {row[1] for row in recorded})
    trees = tuple(TreePlace._make((r[0], names[r[1]], *r[2:-1], bool(r[-1]))) for r in recorded)
    ends = _ends(trees, rows(connection, ENDS, ()))
    return PlaceBooks(
        trees=trees,
        blocks=tuple(
            BlockPlace._make(
                (*row[:5], json.loads(row[5]) if row[5] else None, *ends.get(row[0], (0, 0)))
            )
            for row in rows(connection, BLOCKS, ())
        ),
        cut_fixes=tuple((row[0], Fix(*row[1:])) for row in rows(connection, CUT_FIXES, ())),
    )


def read_cut_fixes(connection: Connection, first: int, last: int) -> list[CutFix]:
    """Return the fixes of collections whose ids are from `first` to `last`."""
    columns = table("collections").columns
    names = ("id", "collection", "tree", "latitude", "longitude", "accuracy_m")
    found = connection.execute(
        select(*(columns[name] for name in names)).where(
            columns["id"].between(first, last),
            columns["latitude"].is_not(None),
            columns["longitude"].is_not(None),
        )
    )
    return [CutFix(number, code, tree, Fix(*fix)) for number, code, tree, *fix in found]


def _ends(
    trees: Iterable[TreePlace], lots: Iterable[tuple[Any, ...]]
) -> dict[str, tuple[int, int]]:
    """Return the highest row and position of each block."""
    found: dict[str, tuple[int, int]] = {}
    stands = ((each.block, each.row, each.position) for each in trees)
    for block, row, position in (*stands, *lots):
        if block is not None and row is not None:
            most_rows, most = found.get(block, (0, 0))
            found[block] = (max(most_rows, row), max(most, position or 0))
    return found


def read_lot_places(connection: Connection, lots: Iterable[str]) -> dict[str, LotPlace]:
    """Return where graft lots stand, by code; those without a place are left out."""
    return {row[0]: LotPlace._make(row) for row in rows(connection, LOTS, lots)}


def read_lot_looks(connection: Connection) -> dict[str, LotLooks]:
    """Return what was looked at in each graft lot (that a tree was of then), papers left out."""
    looks = rows(connection, LOOKS, ())
    items = items_standing(connection, [(item, as_day(date)) for item, date, *_ in looks])
    found: dict[str, LotLooks] = {}
    for item, (_, _, checked, off, wrong) in zip(items, looks, strict=True):
        lot, slash, position = item.rpartition("/")
        code = lot if slash else item
        places = [int(position)] if slash and off else expand_positions(wrong or "")
        before = found.get(code, LotLooks())
        found[code] = LotLooks(
            before.checked + checked, before.off + off, before.positions | frozenset(places)
        )
    return found
