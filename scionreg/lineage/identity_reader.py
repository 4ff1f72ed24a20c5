"""Reads the part of a registry that a question of identity, and all evidence, touches."""

import datetime as dt
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Any

from sqlalchemy import Connection

from scionreg.geodesy.fixes import Fix, likelier
from scionreg.lineage.chain import resolve_names
from scionreg.lineage.graph import (
    BUNDLE_COLUMNS,
    Bundle,
    Query,
    as_day,
    make_bundle,
    rows,
    sources_first,
    wood_shares,
)
from scionreg.lineage.identity_books import (
    Check,
    Cut,
    IdentityBooks,
    Neighbour,
    SampleFinding,
    Sent,
    Stem,
    Tied,
    Worked,
)
from scionreg.lineage.lot_looks import SAME_TREES
from scionreg.lineage.standing import items_standing
from scionreg.lineage.sticks import read_flows
from scionreg.records.cells import expand_positions
from scionreg.records.fixed_values import OFF_TYPE
from scionreg.records.vocabulary import Found, TreeEventKind

_LOT = "graft_lot, bundle, grafter, date, grafts, first, last, block, row, order_in_day, regraft_of"
_CUT = "collection, tree, limb, date, cutter, latitude, longitude, accuracy_m"
_TREE = (
    "tree, cultivar, block, row, position, latitude, longitude, graft_lot, graft_position, "
    "planted, accuracy_m"
)
_SENT = "dispatch, graft_lot, date, trees, customer, first, last"


def _by(column: str, columns: str, table: str) -> Query:
    return Query(f"SELECT {columns} FROM {table} WHERE {column} IN {{codes}}")


LOTS = _by("graft_lot", _LOT, "graft_lots")
LOTS_OF_BUNDLES = _by("bundle", _LOT, "graft_lots")
LOTS_OF_DAYS = _by("date", _LOT, "graft_lots")
BUNDLES = _by("bundle", BUNDLE_COLUMNS, "bundles b")
BUNDLES_OF_CUTS = _by("collection", BUNDLE_COLUMNS, "bundles b")
BUNDLES_OF_DAYS = _by("packed", BUNDLE_COLUMNS, "bundles b")
PARENTS = _by("bundle", "bundle, parent, sticks", "bundle_parents")
CHILDREN = _by("parent", "bundle", "bundle_parents")
CUTS = _by("collection", _CUT, "collections")
CUTS_OF_TREES = _by("tree", _CUT, "collections")
CUTS_OF_DAYS = _by("date", _CUT, "collections")
TREES = _by("tree", _TREE, "mother_trees")
TREES_OF_LOTS = _by("graft_lot", _TREE, "mother_trees")
TREES_OF_BLOCKS = _by("block", _TREE, "mother_trees")
EVENTS = _by("tree", "tree, date, event, limb", "tree_events")
SENT_OF_LOTS = _by("graft_lot", _SENT, "dispatches")
SENT_BY_CODE = _by("dispatch", _SENT, "dispatches")
SENT_OF_DAYS = _by("date", _SENT, "dispatches")
COUNTS = _by("graft_lot", "graft_lot, date, pushing, green", "take_counts")
CHECKS = Query(
    'SELECT "check", item, limb, positions_checked, positions, date, method, checked, off, found, '
    "reference FROM identity_checks ORDER BY id"
)
SPECIES = Query("SELECT cultivar, species FROM cultivars")

BREAKS = {
    TreeEventKind.TOPWORKED.value,
    TreeEventKind.REPLANTED.value,
    TreeEventKind.RETAGGED.value,
    TreeEventKind.REGREW.value,
}
"""Events that end what is known of a tree's identity."""
NEAR = {
    (0, 1): OFF_TYPE.next_in_row,
    (1, 0): OFF_TYPE.across_row,
    (1, 1): OFF_TYPE.two_away,
    (0, 2): OFF_TYPE.two_away,
}
"""Weights of mistaking a tree for another, by rows and positions away (estimates)."""


def read_identity_books(
    connection: Connection, asked: str, profiles: Iterable[SampleFinding] = ()
) -> IdentityBooks:
    """Return what the records say of the wood around `asked` and of all that was looked at.

    Parameters
    ----------
    asked : code of a mother tree, collection, bundle, graft lot or dispatch.
    profiles : what marker profiles showed; their items are codes.
    """
    return _Reader(connection, list(profiles)).books(asked)


class _Reader:
    """Rows of the records met so far, by code."""

    def __init__(self, connection: Connection, profiles: list[SampleFinding]) -> None:
        self._connection = connection
        self._profiles = profiles
        self.lots: dict[str, tuple[Any, ...]] = {}
        self.bundles: dict[str, Bundle] = {}
        self.parents: dict[str, dict[str, int]] = {}
        self._cut_of: dict[str, str | None] = {}
        self._by_place: dict[tuple[Any, ...], str] = {}
        self.cuts: dict[str, tuple[Any, ...]] = {}
        self.trees: dict[str, tuple[Any, ...]] = {}
        self.sent: dict[tuple[str, str], tuple[Any, ...]] = {}
        checks = rows(connection, CHECKS, ())
        items = items_standing(connection, [(row[1], as_day(row[5])) for row in checks])
        self._checks = [(row[0], item, *row[2:]) for row, item in zip(checks, items, strict=True)]

    def _rows(self, query: Query, codes: Iterable[Any]) -> list[tuple[Any, ...]]:
        wanted = list(codes)
        return rows(self._connection, query, wanted) if wanted else []

    def books(self, asked: str) -> IdentityBooks:
        """Return the books around something."""
        looked_at = {row[1].rpartition("/")[0] or row[1] for row in self._checks}
        self._meet({asked, *looked_at, *(each.item for each in self._profiles)})
        self._upward()
        near = self._above(asked)
        self._meet_same_days(near)
        self._upward()
        self._downward(near)
        self._upward()
        return self._made()

    # -------------------------------------------------------------------------------- what is met

    def _add_lots(self, found: Iterable[tuple[Any, ...]]) -> None:
        self.lots.update((row[0], row) for row in found if row[0] not in self.lots)

    def _add_bundles(self, found: Iterable[tuple[Any, ...]]) -> None:
        self.bundles.update((row[0], make_bundle(row)) for row in found)
        self._cut_of.update((row[0], row[8]) for row in found)

    def _meet(self, codes: set[str]) -> None:
        self.sent.update((row[:2], row) for row in self._rows(SENT_BY_CODE, codes))
        self._add_lots(self._rows(LOTS, codes | {lot for _, lot in self.sent}))
        self._add_bundles(self._rows(BUNDLES, codes))
        self.cuts.update((row[0], row) for row in self._rows(CUTS, codes))
        self.trees.update((row[0], row) for row in self._rows(TREES, codes))

    def _upward(self) -> None:
        """Meet all that lies upward of what was met."""
        asked: set[str] = set()
        while True:
            wanted = {row[1] for row in self.lots.values()} | set(self.bundles)
            wanted |= {parent for each in self.parents.values() for parent in each}
            wanted -= asked
            asked |= wanted
            missing = wanted - self.bundles.keys()
            self._add_bundles(self._rows(BUNDLES, missing))
            for bundle, parent, sticks in self._rows(PARENTS, wanted):
                self.parents.setdefault(bundle, {})[parent] = sticks
            cuts = {cut for cut in self._cut_of.values() if cut} - self.cuts.keys()
            self.cuts.update((row[0], row) for row in self._rows(CUTS, cuts))
            trees = {row[1] for row in self.cuts.values()} - self.trees.keys()
            self.trees.update((row[0], row) for row in self._rows(TREES, trees))
            lots = {row[7] for row in self.trees.values() if row[7]} - self.lots.keys()
            self._add_lots(self._rows(LOTS, lots))
            parents = {parent for each in self.parents.values() for parent in each}
            if not lots and parents <= asked:
                return

    def _above(self, asked: str) -> set[str]:
        """Return the codes of something and all upward of it."""
        lots = [lot for dispatch, lot in self.sent if dispatch == asked]
        found: set[str] = set()
        waiting = [asked, *lots]
        while waiting:
            code = waiting.pop()
            if code in found:
                continue
            found.add(code)
            if code in self.lots:
                waiting.append(self.lots[code][1])
            if code in self.bundles:
                waiting += [*self.parents.get(code, ()), *filter(None, (self._cut_of[code],))]
            if code in self.cuts:
                waiting.append(self.cuts[code][1])
            if code in self.trees and self.trees[code][7]:
                waiting.append(self.trees[code][7])
        return found

    def _meet_same_days(self, near: set[str]) -> None:
        """Meet what was worked, packed, cut or sent on the same day, and trees nearby."""
        off = {row[1].rpartition("/")[0] or row[1] for row in self._checks if row[8]}
        off |= {lot for dispatch, lot in self.sent if dispatch in off}
        days = {self.lots[code][3] for code in (near | off) & self.lots.keys()} - {None}
        self._add_lots(self._rows(LOTS_OF_DAYS, days))
        packed = {self.bundles[code].packed for code in near & self.bundles.keys()} - {None}
        self._add_bundles(self._rows(BUNDLES_OF_DAYS, packed))
        cut_days = {self.cuts[code][3] for code in near & self.cuts.keys()} - {None}
        self.cuts.update((row[0], row) for row in self._rows(CUTS_OF_DAYS, cut_days))
        self._upward()
        blocks = {row[2] for row in self.trees.values() if row[2]}
        self._places = {row[0]: row for row in self._rows(TREES_OF_BLOCKS, blocks)}
        self._by_place = {each[2:5]: each[0] for each in self._places.values()}
        lots = near & self.lots.keys()
        lines = self._rows(SENT_OF_LOTS, lots)
        sent_days = {row[2] for row in lines} - {None}
        self._add_sent([*lines, *self._rows(SENT_OF_DAYS, sent_days)])

    def _add_sent(self, lines: Iterable[tuple[Any, ...]]) -> None:
        codes = {row[0] for row in lines}
        self.sent.update((row[:2], row) for row in self._rows(SENT_BY_CODE, codes))
        self._add_lots(self._rows(LOTS, {lot for _, lot in self.sent} - self.lots.keys()))

    def _downward(self, near: set[str]) -> None:
        """Meet all that lies downward of what is near."""
        trees, cuts = near & self.trees.keys(), near & self.cuts.keys()
        bundles, lots = near & self.bundles.keys(), near & self.lots.keys()
        done: set[str] = set()
        while trees or cuts or bundles or lots:
            done |= trees | cuts | bundles | lots
            found = self._rows(CUTS_OF_TREES, trees)
            self.cuts.update((row[0], row) for row in found)
            tied = self._rows(BUNDLES_OF_CUTS, cuts)
            children = {row[0] for row in self._rows(CHILDREN, bundles)}
            tied += self._rows(BUNDLES, children - self.bundles.keys())
            self._add_bundles(tied)
            worked = self._rows(LOTS_OF_BUNDLES, bundles)
            self._add_lots(worked)
            self._add_sent(self._rows(SENT_OF_LOTS, lots))
            grown = self._rows(TREES_OF_LOTS, lots)
            self.trees.update((row[0], row) for row in grown)
            cuts = {row[0] for row in found} - done
            bundles = ({row[0] for row in tied} | children) - done
            lots = {row[0] for row in worked} - done
            trees = {row[0] for row in grown} - done

    # -------------------------------------------------------------------------------- what is made

    def _made(self) -> IdentityBooks:
        written = {row[1] for row in (*self.trees.values(), *self._places.values())}
        written |= {each.claimed for each in self.bundles.values() if each.claimed}
        written |= {row[9] for row in self._checks if row[9] and row[9] not in _FOUND}
        self._names = resolve_names(self._connection, written)
        self._cutting_from = self._stems_by_day()
        stems = {each.stem: each for stem in self._cutting_from.values() for each in stem}
        cuts = {code: self._cut(row, stems) for code, row in self.cuts.items()}
        for beside in {each for cut in cuts.values() for each in (cut.before, cut.after) if each}:
            stems.setdefault(beside, self._stem(self._places[beside]))
        labels = self._labels()
        beside_lots = self._worked_beside()
        living = self._live_too_much()
        lots = {
            code: self._lot(row, labels, beside_lots, code in living)
            for code, row in self.lots.items()
        }
        sent = (Sent(row[0], row[1], as_day(row[2]), *row[3:]) for row in self.sent.values())
        return IdentityBooks(
            stems=stems,
            cuts=cuts,
            bundles=self._tied(labels),
            lots=lots,
            sent=tuple(sorted(sent, key=lambda line: (line.dispatch, line.lot))),
            checks=tuple(self._check(row) for row in self._checks),
            profiles=tuple(self._profiles),
            cultivars=dict(rows(self._connection, SPECIES, ())),
        )

    def _stem(self, row: tuple[Any, ...], n: int = 0, **more: Any) -> Stem:
        stem = row[0] if not n else f"{row[0]}~{n}"
        return Stem(stem, row[0], self._names[row[1]], **more)

    def _stems_by_day(self) -> dict[str, list[Stem]]:
        """Return the stems of each tree, oldest first; the last has the tree's own code."""
        breaks: dict[str, list[tuple[dt.date, str]]] = {}
        topworked = set()
        for tree, date, event, limb in self._rows(EVENTS, self.trees):
            if event in BREAKS and date is not None and limb is None:
                breaks.setdefault(tree, []).append((as_day(date) or dt.date.min, event))
            elif event == TreeEventKind.TOPWORKED:
                topworked.add(tree)
        found = {}
        for tree, row in self.trees.items():
            ends = sorted(breaks.get(tree, ()))
            stems = [self._stem(row, i + 1, until=day) for i, (day, _) in enumerate(ends)]
            last = tree in topworked or (bool(ends) and ends[-1][1] == TreeEventKind.TOPWORKED)
            grown = {} if ends else {"grown_from": row[7], "grown_position": row[8]}
            found[tree] = [*stems, self._stem(row, topworked=last, **grown)]
        return found

    def _stem_on(self, tree: str, date: dt.date | None) -> str:
        """Return what the tree was on a day; on the day of a break, and undated, what it is now."""
        for stem in self._cutting_from[tree]:
            if stem.until is None or (date is not None and date < stem.until):
                return stem.stem
        return tree

    def _cut(self, row: tuple[Any, ...], stems: Mapping[str, Stem]) -> Cut:
        code, tree, limb, date, cutter, latitude, longitude, accuracy = row
        fix = Fix(latitude, longitude, accuracy) if None not in (latitude, longitude) else None
        stem = stems[self._stem_on(tree, as_day(date))]
        before, after = (self._at(tree, by) for by in (-1, 1))
        neighbours, solid = self._neighbours(self.trees[tree], fix)
        return Cut(
            code,
            stem.stem,
            stem.label,
            limb,
            as_day(date),
            cutter,
            neighbours,
            before,
            after,
            solid,
        )

    def _at(self, tree: str, by: int) -> str | None:
        """Return the tree some positions further along the row."""
        _, _, block, row, position, *_ = self.trees[tree]
        if None in (block, row, position):
            return None
        return self._by_place.get((block, row, position + by))

    def _neighbours(
        self, tree: tuple[Any, ...], fix: Fix | None
    ) -> tuple[tuple[Neighbour, ...], bool]:
        """Return trees of other cultivars within two positions, by the odds that one was cut.

        And whether there are trees, but none of another cultivar.
        """
        own = tree[2:5]
        if None in own:
            return (), False
        block, row, position = own
        found = []
        for by_row in range(-1, 2):
            for by_place in range(-2, 3):
                weight = NEAR.get((abs(by_row), abs(by_place)))
                code = self._by_place.get((block, row + by_row, position + by_place))
                if weight is not None and code is not None and code != tree[0]:
                    found.append((self._places[code], weight))
        label = self._names[tree[1]]
        others = [(each, w) for each, w in found if self._names[each[1]] != label]
        total = sum(weight for _, weight in others)
        neighbours = tuple(
            Neighbour(each[0], self._names[each[1]], weight / total * _likelier(each, tree, fix))
            for each, weight in others
        )
        return neighbours, bool(found) and not others

    def _labels(self) -> dict[str, str]:
        """Return the cultivar on each bundle's label."""
        given = {
            code: wood_shares(bundle, self.parents.get(code, {}))
            for code, bundle in self.bundles.items()
        }
        found: dict[str, str] = {}
        order = sources_first(
            self.bundles, lambda code: [each for each in given[code] if each is not None]
        )
        for code in order:
            cut, claimed = self._cut_of[code], self.bundles[code].claimed
            parents = {parent: share for parent, share in given[code].items() if parent}
            if cut is not None:
                found[code] = self._names[self.trees[self.cuts[cut][1]][1]]
            elif claimed is not None:
                found[code] = self._names[claimed]
            elif parents:
                found[code] = found[max(parents, key=lambda each: parents[each])]
            else:
                found[code] = ""
        self._given = given
        return found

    def _tied(self, labels: Mapping[str, str]) -> dict[str, Tied]:
        flows = read_flows(self._connection, self.bundles)
        found = {}
        for code, bundle in self.bundles.items():
            out = flows[code].out if code in flows else 0.0
            excess = (out - bundle.sticks) / out if out > bundle.sticks else None
            parents = {each: share for each, share in self._given[code].items() if each}
            total = sum(parents.values())
            found[code] = Tied(
                code,
                labels[code],
                None if parents else self._cut_of[code],
                tuple((each, share / total) for each, share in sorted(parents.items())),
                bundle.packed,
                bundle.packer,
                bundle.store,
                excess,
            )
        return found

    def _lot(
        self,
        row: tuple[Any, ...],
        labels: Mapping[str, str],
        beside: Mapping[str, tuple[str | None, str | None]],
        lives_too_much: bool,
    ) -> Worked:
        code, bundle, grafter, date, grafts, first, last, block, place, *_ = row
        before, after = beside.get(code, (None, None))
        where = None if block is None or place is None else f"{block}/{place}"
        return Worked(
            code,
            bundle,
            labels[bundle],
            grafter,
            as_day(date),
            grafts,
            first,
            last,
            before,
            after,
            lives_too_much,
            where,
        )

    def _worked_beside(self) -> dict[str, tuple[str | None, str | None]]:
        """Return the lots worked before and after each, by its grafter on its day."""
        days: dict[tuple[str, Any], list[tuple[Any, ...]]] = {}
        for row in self.lots.values():
            if row[3] is not None:
                days.setdefault((row[2], row[3]), []).append(row)
        found = {}
        for day in days.values():
            if any(row[9] is None for row in day):
                continue
            codes = [row[0] for row in sorted(day, key=lambda row: (row[9], row[0]))]
            for i, code in enumerate(codes):
                before = codes[i - 1] if i else None
                found[code] = (before, codes[i + 1] if i + 1 < len(codes) else None)
        return found

    def _live_too_much(self) -> set[str]:
        """Return the lots of which more lives than was grafted, or than lived before.

        A count of an unknown day may be older than any other, so it is no rise.
        """
        alive: dict[str, list[tuple[dt.date | None, int]]] = {}
        for lot, date, pushing, green in self._rows(COUNTS, self.lots):
            alive.setdefault(lot, []).append((as_day(date), pushing + (green or 0)))
        regrafted = {row[10] for row in self.lots.values()}
        found = set()
        for lot, counts in alive.items():
            dated = sorted((day, number) for day, number in counts if day is not None)
            rises = any(b > a for (_, a), (_, b) in pairwise(dated))
            if max(number for _, number in counts) > self.lots[lot][4] or (
                rises and lot not in regrafted
            ):
                found.add(lot)
        return found

    def _check(self, row: tuple[Any, ...]) -> Check:
        code, item, limb, looked, wrong, date, method, checked, off, found, reference = row
        lot, _, position = item.rpartition("/")
        positions = tuple(expand_positions(wrong)) if wrong else ()
        positions_checked = tuple(expand_positions(looked)) if looked else ()
        if lot:
            item, positions_checked = lot, (int(position),)
            positions = positions_checked if off else ()
        elif item in self._cutting_from:
            item = self._stem_on(item, as_day(date))
        same = SAME_TREES.search(reference or "")
        return Check(
            code,
            item,
            as_day(date),
            method,
            checked,
            off,
            self._names.get(found, found),
            limb,
            positions_checked,
            positions,
            same.group(1).rstrip(".,;") if same else None,
        )


_FOUND = {word.value for word in Found}


def _likelier(other: tuple[Any, ...], own: tuple[Any, ...], fix: Fix | None) -> float:
    """Return how much likelier a fix is beside another tree than beside the one written down."""
    if fix is None or None in (*other[5:7], *own[5:7]):
        return 1.0
    there, here = (Fix(each[5], each[6], each[10]) for each in (other, own))
    return likelier(fix, there, here)
