"""Everything downward of some wood, read in a few statements, and how much of it came from there.

Shares go in pairs, least and largest: an unknown limb or day leaves both open.
"""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection

from scionreg.lineage.graph import (
    BUNDLE_COLUMNS,
    CUTTING_COLUMNS,
    TREE_COLUMNS,
    Bundle,
    Cutting,
    Lot,
    Parents,
    Query,
    Tree,
    as_day,
    make_bundle,
    make_cutting,
    make_tree,
    read_lots,
    rows,
    sources_first,
    wood_shares,
)
from scionreg.lineage.recall_items import ALL, MAYBE, NONE, Bounds, Seeds
from scionreg.lineage.standing import regrafts_among, standing_at
from scionreg.records.vocabulary import Reach

NEARLY = 1 - 1e-9
"""A share that is one but for the rounding of fractions."""

_BOTH = f"SELECT {CUTTING_COLUMNS}, {BUNDLE_COLUMNS} FROM collections c "
FROM_TREES = Query(
    f"{_BOTH}LEFT JOIN bundles b ON b.collection = c.collection WHERE c.tree IN {{codes}}"
)
FROM_COLLECTIONS = Query(
    f"{_BOTH}LEFT JOIN bundles b ON b.collection = c.collection WHERE c.collection IN {{codes}}"
)
BUNDLES = Query(
    f"SELECT {CUTTING_COLUMNS}, {BUNDLE_COLUMNS} FROM bundles b "
    "LEFT JOIN collections c ON c.collection = b.collection WHERE b.bundle IN {codes}"
)
CHILDREN = Query(
    "WITH RECURSIVE down (bundle) AS ("
    "SELECT bundle FROM bundle_parents WHERE parent IN {codes} "
    "UNION SELECT p.bundle FROM down JOIN bundle_parents p ON p.parent = down.bundle) "
    "SELECT bundle FROM down"
)
FAMILY = Query("SELECT bundle, parent, sticks FROM bundle_parents WHERE bundle IN {codes}")
_LOT = "graft_lot, bundle, grafts, block, row, first, last, date, regraft_of"
LOTS_FROM = Query(f"SELECT {_LOT} FROM graft_lots WHERE bundle IN {{codes}}")
LOTS_ASKED = Query(f"SELECT {_LOT} FROM graft_lots WHERE graft_lot IN {{codes}}")
REGRAFTED = Query("SELECT DISTINCT regraft_of FROM graft_lots WHERE regraft_of IN {codes}")
_LINE = "dispatch, graft_lot, customer, date, trees, first, last"
LINES_FROM = Query(f"SELECT {_LINE} FROM dispatches WHERE graft_lot IN {{codes}}")
LINES_ASKED = Query(f"SELECT {_LINE} FROM dispatches WHERE dispatch IN {{codes}}")
GROWN_FROM = Query(f"SELECT {TREE_COLUMNS} FROM mother_trees t WHERE t.graft_lot IN {{codes}}")


def grade_of(low: float, high: float) -> Reach:
    """Return the grade of something of whose wood `low` to `high` came from there."""
    if low >= NEARLY:
        return Reach.CERTAIN
    return Reach.POSSIBLE if high > 0 else Reach.EXCLUDED


@dataclass(slots=True)
class Descent:
    """The records below some wood."""

    seeds: Seeds
    cuttings: dict[str, Cutting] = field(default_factory=dict)
    bundles: dict[str, Bundle] = field(default_factory=dict)
    family: Parents = field(default_factory=dict)
    lots: list[tuple[Any, ...]] = field(default_factory=list)
    """Graft lots as rows: code, bundle, grafts, block, row, first, last, date, regraft_of."""
    known: dict[str, Lot] = field(default_factory=dict)
    """Graft lots that were regrafted, or are regrafts, in full."""
    regrafts: dict[str, list[Lot]] = field(default_factory=dict)
    grown: dict[str, tuple[Tree, int]] = field(default_factory=dict)
    """Mother trees grown from the wood, with the generation."""
    lines: list[tuple[Any, ...]] = field(default_factory=list)
    wood: dict[str, Bounds] = field(default_factory=dict)
    """Of each bundle: the share that came from there."""
    _place: dict[str, tuple[Any, ...]] = field(default_factory=dict)
    _trees: dict[str, Bounds] = field(default_factory=dict)

    @classmethod
    def read(cls, connection: Connection, seeds: Seeds) -> "Descent":
        """Read everything downward of `seeds`, over all generations."""
        found = cls(seeds)
        lots = [*seeds.lots, *seeds.positions]
        asked = rows(connection, LOTS_ASKED, lots) if lots else []
        trees: set[str] = set(seeds.trees)
        new = found._read_bundles(connection, FROM_TREES, trees)
        new |= found._read_bundles(connection, FROM_COLLECTIONS, seeds.collections)
        new |= found._read_bundles(connection, BUNDLES, seeds.bundles | seeds.since.keys())
        generation = 0
        while new or asked:
            generation += 1
            new |= found._read_children(connection, new)
            asked += rows(connection, LOTS_FROM, new) if new else []
            trees = found._read_below(connection, asked, generation)
            new, asked = found._read_bundles(connection, FROM_TREES, trees), []
        found._weigh()
        if found._place:
            found.lines = rows(connection, LINES_FROM, found._place.keys() | found.known.keys())
        if seeds.dispatches:
            found.lines += rows(connection, LINES_ASKED, seeds.dispatches)
            found.lines = list(dict.fromkeys(found.lines))
        return found

    def _read_bundles(self, connection: Connection, query: Query, asked: Iterable[str]) -> set[str]:
        """Read bundles with their collections; return those not met before."""
        new: set[str] = set()
        codes = list(asked)
        if not codes:
            return new
        for row in rows(connection, query, codes):
            if row[0] is not None and row[0] not in self.cuttings:
                self.cuttings[row[0]] = make_cutting(row[:7])
            if row[7] is not None and row[7] not in self.bundles:
                self.bundles[row[7]] = make_bundle(row[7:])
                new.add(row[7])
        return new

    def _read_children(self, connection: Connection, new: set[str]) -> set[str]:
        """Read the bundles that wood of the `new` ones was tied into, and all their parents."""
        children = {row[0] for row in rows(connection, CHILDREN, new)} if new else set()
        if not children:
            # A bundle asked for has all the wood, whatever it was tied from.
            return set()
        for bundle, parent, sticks in rows(connection, FAMILY, children - self.family.keys()):
            self.family.setdefault(bundle, {})[parent] = sticks
        return self._read_bundles(connection, BUNDLES, children - self.bundles.keys())

    def _read_below(
        self, connection: Connection, lots: list[tuple[Any, ...]], generation: int
    ) -> set[str]:
        """Read regrafts of the lots, and the mother trees grown from them; return new trees."""
        lots = [row for row in lots if row[0] not in self._place]
        if not lots:
            return set()
        self.lots += lots
        self._place.update((row[0], row) for row in lots)
        codes = [row[0] for row in lots]
        wanted = {row[0] for row in rows(connection, REGRAFTED, codes)}
        wanted |= {row[8] for row in lots if row[8] is not None}
        while wanted:
            self.known |= read_lots(connection, wanted)
            wanted = {
                lot.regraft_of for lot in self.known.values() if lot.regraft_of
            } - self.known.keys()
            self.regrafts = regrafts_among(self.known.values())
        below = [*codes, *(self.known.keys() - self._place.keys())]
        new = set()
        for row in rows(connection, GROWN_FROM, below):
            if row[0] not in self.grown:
                self.grown[row[0]] = (make_tree(row), generation)
                new.add(row[0])
        return new - self.seeds.trees.keys()

    def read_excluded(self, connection: Connection) -> list[tuple[str, str, str, str]]:
        """Return bundles cut from the same trees that hold none of the wood, and why.

        Trees recalled whole, and trees grown from the wood, have none.
        """
        met = {cut.tree for cut in self.cuttings.values() if cut.tree not in self.grown}
        trees = [tree for tree in met if self.seeds.trees.get(tree, ()) is not None]
        found = []
        for row in rows(connection, FROM_TREES, trees) if trees else ():
            cutting, bundle = make_cutting(row[:7]), row[7]
            if bundle is None or self.bundle_bounds(bundle)[1] > 0:
                continue
            found.append((bundle, cutting.collection, cutting.tree, self._why_not(cutting)))
        return sorted(found)

    def _why_not(self, cutting: Cutting) -> str:
        if cutting.tree in self.seeds.trees:
            return f"cut from limb {cutting.limb} of {cutting.tree}"
        if cutting.collection in self.cuttings:
            return f"another bundle of {cutting.collection}"
        day = f"on {cutting.date}" if cutting.date else "on a day not recorded"
        return f"cut from {cutting.tree} {day}, in another cutting"

    # ------------------------------------------------------------------------------- shares

    def _weigh(self) -> None:
        """Find the share of every bundle, and of every tree grown, sources first."""
        nodes = [("bundle", code) for code in self.bundles]
        nodes += [("tree", code) for code in self.grown]
        for kind, code in sources_first(nodes, self._sources):
            if kind == "bundle":
                self.wood[code] = self._weigh_bundle(self.bundles[code])
            else:
                tree = self.grown[code][0]
                at = tree.graft_position
                self._trees[code] = self.trees_of(str(tree.graft_lot), at, at, tree.planted)

    def _sources(self, node: tuple[str, str]) -> list[tuple[str, str]]:
        kind, code = node
        if kind == "tree":
            lots = self._with_regrafts(str(self.grown[code][0].graft_lot))
            places = [self._place[lot][1] for lot in lots if lot in self._place]
            return [("bundle", bundle) for bundle in places if bundle in self.bundles]
        if code in self.seeds.bundles:
            return []
        parents = [("bundle", p) for p in self.family.get(code, ()) if p in self.bundles]
        cutting = self.cuttings.get(self.bundles[code].collection or "")
        if cutting is not None and cutting.tree in self.grown:
            parents.append(("tree", cutting.tree))
        return parents

    def _with_regrafts(self, lot: str) -> list[str]:
        found = [lot]
        for code in found:
            found += [regraft.graft_lot for regraft in self.regrafts.get(code, ())]
        return found

    def _weigh_bundle(self, bundle: Bundle) -> Bounds:
        if bundle.bundle in self.seeds.bundles:
            return ALL
        low = high = 0.0
        for parent, share in wood_shares(bundle, self.family.get(bundle.bundle, {})).items():
            if parent is None:
                some = self._cut_bounds(bundle.collection)
            elif parent in self.bundles:
                some = self._wood_at(parent, bundle.packed)
            else:
                some = NONE
            low, high = low + share * some[0], high + share * some[1]
        return low, min(high, 1.0)

    def _cut_bounds(self, collection: str | None) -> Bounds:
        """Return the share of a collection's wood."""
        cutting = self.cuttings.get(collection or "")
        if cutting is None:
            return NONE
        found = max(
            self.seeds.collections.get(cutting.collection, NONE),
            self._trees.get(cutting.tree, NONE),
        )
        if cutting.tree in self.seeds.trees:
            limbs = self.seeds.trees[cutting.tree]
            if limbs is None or cutting.limb in limbs:
                return ALL
            if cutting.limb is None:
                return max(found, MAYBE)
        return found

    def _wood_at(self, bundle: str, day: dt.date | None) -> Bounds:
        """Return the share of what left a bundle on a day."""
        found = self.wood.get(bundle, NONE)
        if bundle not in self.seeds.since:
            return found
        since, sure = self.seeds.since[bundle]
        if since is not None and day is not None and day < since:
            return found
        if since is None or day is None or day == since or not sure:
            return max(found, MAYBE)
        return ALL

    def bundle_bounds(self, bundle: str) -> Bounds:
        """Return the share of the wood in a bundle, whenever it left."""
        found = self.wood.get(bundle, NONE)
        if bundle not in self.seeds.since:
            return found
        return max(found, ALL if self.seeds.since[bundle][1] else MAYBE)

    def lot_bounds(self, code: str, position: int | None = None) -> Bounds:
        """Return the share of a graft lot's wood, or of the graft at one position of it."""
        row = self._place.get(code)
        if row is None:
            return NONE
        found = max(self._wood_at(row[1], as_day(row[7])), self.seeds.lots.get(code, NONE))
        if code in self.seeds.positions:
            if position is None:
                return max(found, (0.0, len(self.seeds.positions[code]) / max(row[2], 1)))
            return ALL if position in self.seeds.positions[code] else found
        return found

    def trees_of(
        self, lot: str, first: int | None, last: int | None, when: dt.date | None
    ) -> Bounds:
        """Return the share of the wood of trees at some positions of a lot on a day."""
        if lot not in self.regrafts and lot not in self.seeds.positions:
            return self.lot_bounds(lot)
        whole = self.known.get(lot)
        if first is None and whole is not None:
            first, last = whole.first, whole.last
        positions: list[int | None] = [None]
        if first is not None:
            positions = list(range(first, max(first, last or first) + 1))
        low = high = 0.0
        for position in positions:
            chances = {lot: 1.0}
            if whole is not None:
                chances = standing_at(whole, self.regrafts, position, when)
            for code, chance in chances.items():
                some = self.lot_bounds(code, position)
                low, high = low + chance * some[0], high + chance * some[1]
        return low / len(positions), min(high / len(positions), 1.0)

    def tree_bounds(self, tree: str) -> Bounds:
        """Return the share of the wood of a mother tree grown here."""
        return self._trees[tree]
