"""Down the chain: everything that may share a source, by bundle, graft lot, customer and tree."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress, groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg.lineage.descent import Descent, grade_of
from scionreg.lineage.graph import Lot, as_day
from scionreg.lineage.reached import (
    UNREACHED,
    BundleReach,
    DispatchReach,
    Excluded,
    LotReach,
    Reached,
    Told,
    TreeReach,
    make_dispatch,
    make_lot,
)
from scionreg.lineage.recall_items import (
    ALL,
    Bounds,
    Item,
    OfCode,
    OfCutter,
    OfGrafter,
    OfStore,
    gather,
)
from scionreg.lineage.sticks import Flow, read_flows, tidy
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Reach

if TYPE_CHECKING:
    import pandas as pd

Run = tuple[str, list[tuple[Any, ...]]]
"""A bundle, and graft lots of it as rows of `LOTS`."""

__all__ = ["Item", "OfCode", "OfCutter", "OfGrafter", "OfStore", "Recall", "recall"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recall:
    """Everything that may share a source. Grades: certain, all its wood; possible, some of it.

    They speak of the recorded sources; what makes a record itself doubtful is trace's to say.
    `excluded` are the bundles cut from the same trees that hold none of the wood.
    """

    code: str
    bundles: tuple[BundleReach, ...]
    graft_lots: Sequence[LotReach]
    dispatches: Sequence[DispatchReach]
    mother_trees: tuple[TreeReach, ...]
    excluded: tuple[Excluded, ...]

    def customers(self) -> dict[str, dict[str, int]]:
        """Return, by customer, the trees sent by grade."""
        found: dict[str, dict[str, int]] = {}
        for line in self.dispatches:
            grades = found.setdefault(line.customer, {})
            grades[line.grade.value] = grades.get(line.grade.value, 0) + line.trees
        return found

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "code": self.code,
            "bundles": [_plain(bundle) for bundle in self.bundles],
            "graft_lots": [
                {**_plain(lot, "standing"), "positions": lot.positions}
                for lot in self._lots_by_code()
            ],
            "dispatches": [
                {**_plain(line), "date": line.date.isoformat() if line.date else None}
                for line in self.dispatches
            ],
            "mother_trees": [_plain(tree) for tree in self.mother_trees],
            "excluded": [excluded._asdict() for excluded in self.excluded],
        }

    def _lots_by_code(self) -> list[LotReach]:
        """Return the lots in one order, whichever database they come from."""
        return sorted(self.graft_lots, key=lambda lot: lot.graft_lot)

    def to_rows(self) -> list[dict[str, Any]]:
        """Return one flat dictionary an item, for CSV."""
        found = []
        for item in self.bundles:
            found.append(_row("bundle", item.bundle, item, sticks_left=item.sticks_left))
        for lot in self._lots_by_code():
            place = {"block": lot.block, "row": lot.row, "positions": lot.positions}
            found.append(_row("graft_lot", lot.graft_lot, lot, grafts=lot.grafts, **place))
        for line in self.dispatches:
            sent = {"customer": line.customer, "date": line.date, "graft_lot": line.graft_lot}
            found.append(_row("dispatch", line.dispatch, line, trees=line.trees, **sent))
        for tree in self.mother_trees:
            found.append(_row("mother_tree", tree.tree, tree, graft_lot=tree.graft_lot))
        for out in self.excluded:
            found.append(
                dict.fromkeys(ROW)
                | {
                    "kind": "bundle",
                    "code": out.bundle,
                    "grade": Reach.EXCLUDED.value,
                    "share": 0.0,
                }
            )
        return found

    def to_frame(self) -> "pd.DataFrame":
        """Return one row an item, columns as in `to_rows`."""
        import pandas as pd

        return pd.DataFrame(self.to_rows(), columns=list(ROW))


ROW = (
    "kind",
    "code",
    "grade",
    "share",
    "sticks_left",
    "grafts",
    "block",
    "row",
    "positions",
    "graft_lot",
    "customer",
    "date",
    "trees",
)


def _row(kind: str, code: str, item: Any, **more: Any) -> dict[str, Any]:
    told = {"kind": kind, "code": code, "grade": item.grade.value, "share": item.share}
    return dict.fromkeys(ROW) | told | more


def _plain(item: Any, *without: str) -> dict[str, Any]:
    values = item._asdict()
    values["grade"] = item.grade.value
    return {name: value for name, value in values.items() if name not in without}


def recall(connection: Connection, items: Sequence[Item]) -> Recall:
    """Return everything downward of the wood that `items` stand for, taken together.

    Raises
    ------
    NotFoundError
        Nothing is recorded under one of the codes.
    RegistryError
        No items, or one that is no wood.
    """
    if not items:
        raise RegistryError("name what to recall: a code, a store and period, a cutter and day")
    seeds = gather(connection, items)
    descent = Descent.read(connection, seeds)
    lots, lines = descent.read_lots(connection), descent.read_lines(connection)
    runs = [(bundle, list(run)) for bundle, run in groupby(lots, itemgetter(1))]
    flows = read_flows(connection, descent.bundles, descent.flows(runs)) if descent.bundles else {}
    alike = _reached_alike(descent)
    return Recall(
        code=", ".join(str(item) for item in items),
        bundles=tuple(_bundles(descent, flows, alike)),
        graft_lots=_lots(descent, runs, alike),
        dispatches=_dispatches(descent, lines, alike),
        mother_trees=tuple(_trees(descent)),
        excluded=tuple(Excluded(*row) for row in descent.read_excluded(connection)),
    )


def _bundles(descent: Descent, flows: dict[str, Flow], alike: dict[str, Told]) -> list[BundleReach]:
    found = []
    for code, bundle in sorted(descent.bundles.items()):
        high, grade = alike.get(code) or _told(descent.bundle_bounds(code))
        if high > 0:
            left = tidy(flows[code].left_of(bundle.sticks))
            found.append(BundleReach(code, bundle.sticks, left, high, grade))
    return found


def _told(bounds: Bounds) -> Told:
    return bounds[1], grade_of(*bounds)


def _reached_alike(descent: Descent) -> dict[str, Told]:
    """Return what is told of bundles all of whose wood is reached alike, whenever it left."""
    return {
        code: _told(bounds)
        for code, bounds in descent.wood.items()
        if bounds[1] > 0 and code not in descent.seeds.since
    }


def _lots(descent: Descent, runs: Sequence[Run], alike: dict[str, Told]) -> Reached[LotReach]:
    """Return the lots, in runs of one bundle; nearly all are reached as it is, and come first."""
    apart = descent.lots_apart()
    unlike = {lot.bundle for code, lot in descent.known.items() if code in apart}
    found: list[tuple[Any, ...]] = []
    told: list[tuple[Any, ...]] = []
    others: list[tuple[Any, ...]] = []
    for bundle, run in runs:
        of_bundle = alike.get(bundle)
        if of_bundle is None:
            others += [row for row in run if row[0] in descent.known]
            continue
        if bundle in unlike:
            others += [row for row in run if row[0] in apart]
            run = [row for row in run if row[0] not in apart]
        found += run
        told += [of_bundle] * len(run)
    for row in others:
        high, grade = _told(descent.lot_bounds(row[0]))
        if high > 0:
            found.append(row)
            told.append((high, grade, _standing(row, descent.regrafts.get(row[0]))))
    return Reached(make_lot, found, told)


def _standing(row: tuple[Any, ...], regrafts: Sequence[Lot] | None) -> str | None:
    """Return the positions that no regraft took, None where there was no regraft."""
    if regrafts is None or row[5] is None or row[6] is None:
        return None
    left = set(range(row[5], row[6] + 1))
    for lot in regrafts:
        if lot.first is not None and lot.last is not None and lot.grafts == lot.span:
            left -= set(range(lot.first, lot.last + 1))
    return ";".join(_runs(sorted(left)))


def _runs(positions: list[int]) -> list[str]:
    runs: list[list[int]] = []
    for position in positions:
        if runs and runs[-1][1] == position - 1:
            runs[-1][1] = position
        else:
            runs.append([position, position])
    return [f"{first}-{last}" if first != last else str(first) for first, last in runs]


def _dispatches(
    descent: Descent, lines: list[tuple[Any, ...]], alike: dict[str, Told]
) -> Reached[DispatchReach]:
    """Return the lines of dispatches by customer; nearly all are reached as their bundle is."""
    lines.sort(key=itemgetter(2, 0, 1))
    asked, known = descent.seeds.dispatches, descent.known
    told = [
        _told_of_line(descent, line)
        if line[1] in known or line[0] in asked
        else alike.get(line[7], UNREACHED)
        for line in lines
    ]
    reached = [each is not UNREACHED for each in told]
    return Reached(make_dispatch, list(compress(lines, reached)), list(compress(told, reached)))


def _told_of_line(descent: Descent, line: tuple[Any, ...]) -> Told:
    dispatch, lot, _, date, _, first, last, _ = line
    if dispatch in descent.seeds.dispatches:
        return _told(ALL)
    bounds = descent.trees_of(lot, first, last, as_day(date))
    return _told(bounds) if bounds[1] > 0 else UNREACHED


def _trees(descent: Descent) -> list[TreeReach]:
    found = []
    for code, (tree, generation) in descent.grown.items():
        high, grade = _told(descent.tree_bounds(code))
        if high > 0:
            found.append(TreeReach(code, str(tree.graft_lot), generation, high, grade))
    return sorted(found, key=lambda tree: (tree.generation, tree.tree))
