"""Everything downward of some wood, read in a few statements, and how much of it came from there.

Shares go in pairs, least and largest: an unknown limb or day leaves both open.
"""

import datetime as dt
from collections.abc import Collection, Iterable
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
    make_bundle,
    make_cutting,
    make_tree,
    read_with_regrafts,
    rows,
    sources_first,
    wood_shares,
)
from scionreg.lineage.recall_items import ALL, MAYBE, NONE, Bounds, Seeds
from scionreg.lineage.standing import regrafts_among, standing_at, stretches
from scionreg.lineage.sticks import Flow
from scionreg.records.vocabulary import Reach

NEARLY = 1 - 1e-9
"""A share that is one but for the rounding of fractions."""

CUTTINGS = {
    by: Query(f"SELECT {CUTTING_COLUMNS} FROM collections c WHERE c.{by} IN {{codes}}")
    for by in ("tree", "collection")
}
BUNDLES = {
    by: Query(f"SELECT {BUNDLE_COLUMNS} FROM bundles b WHERE b.{by} IN {{codes}}")
    for by in ("collection", "bundle")
}
CHILDREN = Query(
    "SELECT bundle, parent, sticks FROM bundle_parents WHERE bundle IN "
    "(SELECT bundle FROM bundle_parents WHERE parent IN {codes})"
)
"""The bundles tied from some, with all their parents."""


_LOT = "SELECT graft_lot, bundle, grafts, block, row, first, last, sticks_used FROM graft_lots"
LOTS = Query(f"{_LOT} WHERE bundle IN {{codes}}")
LOTS_ASKED = Query(f"{_LOT} WHERE graft_lot IN {{codes}}")
_REGRAFTS = (
    "SELECT graft_lot, regraft_of FROM graft_lots "
    "WHERE bundle IN {codes} AND regraft_of IS NOT NULL UNION ALL "
)
PARTICULAR = Query(
    f"{_REGRAFTS}SELECT g.graft_lot, r.graft_lot FROM graft_lots g "
    "CROSS JOIN graft_lots r ON r.regraft_of = g.graft_lot WHERE g.bundle IN {codes} "
    "UNION ALL SELECT t.graft_lot, NULL FROM graft_lots g "
    "CROSS JOIN mother_trees t ON t.graft_lot = g.graft_lot WHERE g.bundle IN {codes}",
    # Joined, it would run through all regrafts of the registry; the limits keep it from that too.
    postgresql=f"{_REGRAFTS}SELECT g.graft_lot, "
    "(SELECT max(r.graft_lot) FROM graft_lots r WHERE r.regraft_of = g.graft_lot) "
    "FROM graft_lots g WHERE g.bundle IN {codes} AND ("
    "EXISTS (SELECT 1 FROM graft_lots r WHERE r.regraft_of = g.graft_lot LIMIT 1) OR "
    "EXISTS (SELECT 1 FROM mother_trees t WHERE t.graft_lot = g.graft_lot LIMIT 1))",
)
"""Lots of some bundles that are regrafts, were regrafted or grew into trees: few of them; each
beside the lot it regrafted, or one that regrafted it."""
LOTS_SINCE = Query("SELECT graft_lot FROM graft_lots WHERE bundle IN {codes}")
GROWN = Query(f"SELECT {TREE_COLUMNS} FROM mother_trees t WHERE t.graft_lot IN {{codes}}")
_LINE = "SELECT d.dispatch, d.graft_lot, d.customer, d.date, d.trees, d.first, d.last"
LINES = Query(
    f"{_LINE}, g.bundle FROM graft_lots g JOIN dispatches d ON d.graft_lot = g.graft_lot "
    "WHERE g.bundle IN {codes}"
)
LINES_OF_LOTS = Query(f"{_LINE} FROM dispatches d WHERE d.graft_lot IN {{codes}}")
LINES_ASKED = Query(
    f"{_LINE}, g.bundle FROM dispatches d JOIN graft_lots g ON g.graft_lot = d.graft_lot "
    "WHERE d.dispatch IN {codes}"
)


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
    known: dict[str, Lot] = field(default_factory=dict)
    """In full, the graft lots that are not simply reached as their bundle is: asked for, cut into
    by regrafts, regrafts themselves, of wood that counts from a day on, or grown into trees."""
    regrafts: dict[str, list[Lot]] = field(default_factory=dict)
    grown: dict[str, tuple[Tree, int]] = field(default_factory=dict)
    """Mother trees grown from the wood, with the generation."""
    wood: dict[str, Bounds] = field(default_factory=dict)
    """Of each bundle: the share that came from there."""
    _trees: dict[str, Bounds] = field(default_factory=dict)

    @classmethod
    def read(cls, connection: Connection, seeds: Seeds) -> "Descent":
        """Read everything downward of `seeds`, over all generations."""
        found = cls(seeds)
        asked = seeds.lots.keys() | seeds.positions.keys()
        new = found._read_cut(connection, "tree", seeds.trees)
        new |= found._read_cut(connection, "collection", seeds.collections)
        new |= found._read_tied(connection, seeds.bundles | seeds.since.keys())
        generation = 0
        while new or asked:
            generation += 1
            new |= found._read_children(connection, new)
            trees = found._read_below(connection, new, asked, generation)
            new, asked = found._read_cut(connection, "tree", trees), set()
        found._weigh()
        return found

    def read_lots(self, connection: Connection) -> list[tuple[Any, ...]]:
        """Return the graft lots of the bundles, and those asked for, as rows of `LOTS`."""
        lots = rows(connection, LOTS, self.bundles) if self.bundles else []
        asked = self._of_other_wood(self.seeds.lots.keys() | self.seeds.positions.keys())
        return lots + rows(connection, LOTS_ASKED, asked) if asked else lots

    def read_lines(self, connection: Connection) -> list[tuple[Any, ...]]:
        """Return the dispatches of those lots, and those asked for, as rows of `LINES`."""
        lines = rows(connection, LINES, self.bundles) if self.bundles else []
        others = self._of_other_wood(self.known)
        for row in rows(connection, LINES_OF_LOTS, others) if others else ():
            lines.append((*row, self.known[row[1]].bundle))
        if self.seeds.dispatches:
            lines += rows(connection, LINES_ASKED, self.seeds.dispatches)
            lines = list(dict.fromkeys(lines))
        return lines

    def _of_other_wood(self, lots: Iterable[str]) -> list[str]:
        return [code for code in lots if self.known[code].bundle not in self.bundles]

    def _read_cut(self, connection: Connection, by: str, asked: Collection[str]) -> set[str]:
        """Read collections and the bundles tied from them; return bundles not met before."""
        if not asked:
            return set()
        cuttings = [make_cutting(row) for row in rows(connection, CUTTINGS[by], asked)]
        self.cuttings |= {cutting.collection: cutting for cutting in cuttings}
        return self._add(connection, "collection", [cutting.collection for cutting in cuttings])

    def _read_tied(self, connection: Connection, asked: Collection[str]) -> set[str]:
        """Read bundles and the collections they came from; return bundles not met before."""
        if not asked:
            return set()
        new = self._add(connection, "bundle", asked)
        cut = {code for each in new if (code := self.bundles[each].collection) is not None}
        cut -= self.cuttings.keys()
        for row in rows(connection, CUTTINGS["collection"], cut) if cut else ():
            self.cuttings[row[0]] = make_cutting(row)
        return new

    def _add(self, connection: Connection, by: str, asked: Collection[str]) -> set[str]:
        bundles = [make_bundle(row) for row in rows(connection, BUNDLES[by], asked)]
        new = {bundle.bundle: bundle for bundle in bundles if bundle.bundle not in self.bundles}
        self.bundles |= new
        return set(new)

    def _read_children(self, connection: Connection, new: set[str]) -> set[str]:
        """Read the bundles that wood of the `new` ones was tied into, and all their parents."""
        children: set[str] = set()
        wanted = new
        while wanted:
            tied = rows(connection, CHILDREN, wanted)
            for bundle, parent, sticks in tied:
                self.family.setdefault(bundle, {})[parent] = sticks
            wanted = {row[0] for row in tied} - children
            children |= wanted
        return self._read_tied(connection, children - self.bundles.keys())

    def _read_below(
        self, connection: Connection, bundles: set[str], asked: set[str], generation: int
    ) -> set[str]:
        """Read lots, regrafts of them, and mother trees grown from them; return new trees."""
        met = set(asked)
        if bundles:
            pairs = rows(connection, PARTICULAR, bundles)
            met |= {code for pair in pairs for code in pair if code is not None}
        if since := bundles & self.seeds.since.keys():
            met |= {row[0] for row in rows(connection, LOTS_SINCE, since)}
        self._know(connection, met)
        new = set()
        for row in rows(connection, GROWN, self.known) if self.known else ():
            if row[0] not in self.grown:
                self.grown[row[0]] = (make_tree(row), generation)
                new.add(row[0])
        return new - self.seeds.trees.keys()

    def _know(self, connection: Connection, wanted: set[str]) -> None:
        """Read some lots in full, with all regrafts of them and what they regrafted."""
        asked = set(self.known)
        while wanted := wanted - asked:
            asked |= wanted
            found = read_with_regrafts(connection, wanted)
            self.known |= {lot.graft_lot: lot for lot in found}
            wanted = {code for lot in found for code in (lot.graft_lot, lot.regraft_of) if code}
        self.regrafts = regrafts_among(self.known.values())

    def flows(self, runs: Iterable[tuple[str, list[tuple[Any, ...]]]]) -> dict[str, Flow]:
        """Return what was grafted from each bundle, by rows of `LOTS`, or went into others."""
        found = {code: Flow() for code in self.bundles}
        for bundle, run in runs:
            if (flow := found.get(bundle)) is not None:
                used = [row[7] for row in run]
                if None in used:
                    flow.derived = True  # to be reckoned
                else:
                    flow.used += sum(used)
        for parents in self.family.values():
            for parent, sticks in parents.items():
                if parent in found:
                    found[parent].passed += sticks
        return found

    def read_excluded(self, connection: Connection) -> list[tuple[str, str, str, str]]:
        """Return bundles cut from the same trees that hold none of the wood, and why.

        Trees recalled whole, and trees grown from the wood, have none.
        """
        met = {cut.tree for cut in self.cuttings.values() if cut.tree not in self.grown}
        trees = [tree for tree in met if self.seeds.trees.get(tree, ()) is not None]
        if not trees:
            return []
        others = [make_cutting(row) for row in rows(connection, CUTTINGS["tree"], trees)]
        cuttings = {cutting.collection: cutting for cutting in others}
        found = []
        for row in rows(connection, BUNDLES["collection"], cuttings):
            bundle = make_bundle(row)
            if self.bundle_bounds(bundle.bundle)[1] == 0:
                cutting = cuttings[str(bundle.collection)]
                why = self._why_not(cutting)
                found.append((bundle.bundle, cutting.collection, cutting.tree, why))
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
        if not self.grown:  # bundles tied from no others need no order
            unmixed = self.bundles.keys() - self.family.keys()
            cut = {code: self._cut_bounds(code) for code in self.cuttings}
            for code in unmixed:
                collection = self.bundles[code].collection or ""
                self.wood[code] = ALL if code in self.seeds.bundles else cut.get(collection, NONE)
        nodes = [("bundle", code) for code in self.bundles if code not in self.wood]
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
            places = [self.known[lot].bundle for lot in lots]
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
        since = self.seeds.since[bundle]
        if day is not None and day < since.maybe:
            return found
        if day is None or day <= since.surely:
            return max(found, MAYBE)
        return ALL

    def lots_apart(self) -> set[str]:
        """Return lots that are not reached as their bundle is: asked for, or regrafted."""
        return {*self.seeds.lots, *self.seeds.positions, *self.regrafts}

    def bundle_bounds(self, bundle: str) -> Bounds:
        """Return the share of the wood in a bundle, whenever it left."""
        found = self.wood.get(bundle, NONE)
        if bundle not in self.seeds.since:
            return found
        return max(found, ALL if self.seeds.since[bundle].sure else MAYBE)

    def lot_bounds(self, code: str, position: int | None = None) -> Bounds:
        """Return the share of the wood of a lot that is known, or of the graft at one position."""
        lot = self.known[code]
        found = max(self._wood_at(lot.bundle, lot.date), self.seeds.lots.get(code, NONE))
        if code in self.seeds.positions:
            if position is None:
                return max(found, (0.0, len(self.seeds.positions[code]) / max(lot.grafts, 1)))
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
        bounds = {code: self.lot_bounds(code) for code in self._with_regrafts(lot)}
        places: list[tuple[int | None, int]] = [(None, 1)]
        if first is not None:
            last = max(first, last or first)
            if whole is None or self.seeds.positions.keys() & bounds.keys():
                places = [(position, 1) for position in range(first, last + 1)]
            else:
                places = [*stretches(whole, self.regrafts, first, last)]
        low = high = 0.0
        for position, number in places:
            chances = {lot: 1.0}
            if whole is not None:
                chances = standing_at(whole, self.regrafts, position, when)
            for code, chance in chances.items():
                asked = code in self.seeds.positions
                some = self.lot_bounds(code, position) if asked else bounds[code]
                low += number * chance * some[0]
                high += number * chance * some[1]
        trees = sum(number for _, number in places)
        return low / trees, min(high / trees, 1.0)

    def tree_bounds(self, tree: str) -> Bounds:
        """Return the share of the wood of a mother tree grown here."""
        return self._trees[tree]
