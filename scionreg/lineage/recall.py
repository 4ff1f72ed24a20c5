"""Down the chain: everything that may share a source, by bundle, graft lot, customer and tree."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import Connection

from scionreg.lineage.descent import Descent, grade_of
from scionreg.lineage.graph import Lot, as_day
from scionreg.lineage.recall_items import ALL, Item, OfCode, OfCutter, OfGrafter, OfStore, gather
from scionreg.lineage.sticks import Flow, read_flows, tidy
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Reach

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Item", "OfCode", "OfCutter", "OfGrafter", "OfStore", "Recall", "recall"]


class BundleReach(NamedTuple):
    """A bundle that holds, or held, wood asked about; `sticks_left` of its `sticks` remain."""

    bundle: str
    sticks: int
    sticks_left: float
    share: float
    grade: Reach


class LotReach(NamedTuple):
    """A graft lot whose wood came, wholly or in part, from there.

    `share` is the largest share of its wood that may have come from there. `standing` lists the
    positions that no regraft took, where one did.
    """

    graft_lot: str
    bundle: str
    grafts: int
    block: str | None
    row: int | None
    first: int | None
    last: int | None
    share: float
    grade: Reach
    standing: str | None = None

    @property
    def positions(self) -> str | None:
        """Return the row positions, as in ``3-7;9-40``; None where they were not recorded."""
        if self.standing is not None:
            return self.standing
        return None if self.first is None else f"{self.first}-{self.last}"


class DispatchReach(NamedTuple):
    """One line of a dispatch: trees of one graft lot that went to a customer."""

    dispatch: str
    graft_lot: str
    customer: str
    date: dt.date | None
    trees: int
    first: int | None
    last: int | None
    share: float
    grade: Reach


class TreeReach(NamedTuple):
    """A mother tree grown from the wood, `generation` graftings later (1: from its own wood)."""

    tree: str
    graft_lot: str
    generation: int
    share: float
    grade: Reach


class Excluded(NamedTuple):
    """A bundle that one would suspect, and why none of its wood came from there."""

    bundle: str
    collection: str
    tree: str
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Recall:
    """Everything that may share a source. Grades: certain, all its wood; possible, some of it.

    They speak of the recorded sources; what makes a record itself doubtful is trace's to say.
    `excluded` are the bundles cut from the same trees that hold none of the wood.
    """

    code: str
    bundles: tuple[BundleReach, ...]
    graft_lots: tuple[LotReach, ...]
    dispatches: tuple[DispatchReach, ...]
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
                for lot in sorted(self.graft_lots, key=lambda lot: lot.graft_lot)
            ],
            "dispatches": [
                {**_plain(line), "date": line.date.isoformat() if line.date else None}
                for line in self.dispatches
            ],
            "mother_trees": [_plain(tree) for tree in self.mother_trees],
            "excluded": [excluded._asdict() for excluded in self.excluded],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return one flat dictionary an item, for CSV."""
        found = []
        for item in self.bundles:
            found.append(_row("bundle", item.bundle, item, sticks_left=item.sticks_left))
        for lot in self.graft_lots:
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
    flows = read_flows(connection, descent.bundles, descent.flows()) if descent.bundles else {}
    return Recall(
        code=", ".join(str(item) for item in items),
        bundles=tuple(_bundles(descent, flows)),
        graft_lots=tuple(_lots(descent)),
        dispatches=tuple(_dispatches(descent)),
        mother_trees=tuple(_trees(descent)),
        excluded=tuple(Excluded(*row) for row in descent.read_excluded(connection)),
    )


def _bundles(descent: Descent, flows: dict[str, Flow]) -> list[BundleReach]:
    found = []
    for code, bundle in sorted(descent.bundles.items()):
        low, high = descent.bundle_bounds(code)
        if high > 0:
            left = tidy(flows[code].left_of(bundle.sticks))
            found.append(BundleReach(code, bundle.sticks, left, high, grade_of(low, high)))
    return found


Told = tuple[float, Reach]
"""Largest share, and grade."""


def _plain_bundles(descent: Descent) -> dict[str, Told]:
    """Return what is told of bundles all of whose wood is reached alike, whenever it left."""
    return {
        code: (high, grade_of(low, high))
        for code, (low, high) in descent.wood.items()
        if high > 0 and code not in descent.seeds.since
    }


def _lots(descent: Descent) -> list[LotReach]:
    """Return the lots in the order they were read; most are reached as their bundle is."""
    plain = {code: (*told, None) for code, told in _plain_bundles(descent).items()}
    special, make = descent.special_lots(), LotReach._make
    found: list[LotReach] = []
    for row in descent.lots.values():
        told = plain.get(row[1])
        if told is not None and row[0] not in special:
            found.append(make(row[:7] + told))
            continue
        low, high = descent.lot_bounds(row[0])
        if high > 0:
            left = _standing(row, descent.regrafts.get(row[0]))
            found.append(make((*row[:7], high, grade_of(low, high), left)))
    return found


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


def _dispatches(descent: Descent) -> list[DispatchReach]:
    plain, special, asked = (
        _plain_bundles(descent),
        descent.special_lots(),
        descent.seeds.dispatches,
    )
    found = []
    for line in sorted(descent.lines, key=itemgetter(2, 0, 1)):
        dispatch, lot, customer, date, trees, first, last, bundle = line
        day = as_day(date)
        told = plain.get(bundle) if lot not in special and dispatch not in asked else None
        if told is None:
            low, high = ALL if dispatch in asked else descent.trees_of(lot, first, last, day)
            told = (high, grade_of(low, high))
        if told[0] > 0:
            found.append(DispatchReach(dispatch, lot, customer, day, trees, first, last, *told))
    return found


def _trees(descent: Descent) -> list[TreeReach]:
    found = []
    for code, (tree, generation) in descent.grown.items():
        low, high = descent.tree_bounds(code)
        if high > 0:
            grade = grade_of(low, high)
            found.append(TreeReach(code, str(tree.graft_lot), generation, high, grade))
    return sorted(found, key=lambda tree: (tree.generation, tree.tree))
