"""What makes a single link of a chain doubtful, as plain reasons.

Two things do: a day that nobody recorded, and records that contradict each other.
"""

import datetime as dt
from collections.abc import Iterator

from scionreg.lineage.chain import Chain, TreeHappening
from scionreg.lineage.graph import Bundle, Cutting, Lot, Tree
from scionreg.lineage.sticks import tidy
from scionreg.records.vocabulary import TreeEventKind


def later(first: dt.date | None, second: dt.date | None) -> bool:
    """Tell whether `first` is known to be later than `second`."""
    return first is not None and second is not None and first > second


def undated(day: dt.date | None, code: str, done: str) -> list[str]:
    """Return the reason that an unknown day is, or nothing where the day is known."""
    return [f"the day {code} was {done} is not recorded"] if day is None else []


def of_lot(chain: Chain, lot: Lot) -> list[str]:
    """Return what contradicts that a graft lot's wood came from its bundle."""
    doubts = []
    bundle = chain.bundles.get(lot.bundle)
    if bundle is not None and later(bundle.packed, lot.date):
        doubts.append(
            f"{lot.graft_lot} was grafted on {lot.date}, before {bundle.bundle} was packed on "
            f"{bundle.packed}"
        )
    return doubts


def of_bundle(chain: Chain, bundle: Bundle) -> list[str]:
    """Return what contradicts that a bundle held the recorded sticks and no others."""
    taken = chain.drawn.from_bundle.get(bundle.bundle, 0)
    if taken <= bundle.sticks:
        return []
    return [
        f"{tidy(taken)} sticks left {bundle.bundle}, but only {bundle.sticks} were there, so "
        "foreign wood may have come in"
    ]


def of_parent(bundle: Bundle, parent: Bundle) -> list[str]:
    """Return what contradicts that a bundle's sticks came from a parent."""
    if not later(parent.packed, bundle.packed):
        return []
    return [
        f"{bundle.bundle} was packed on {bundle.packed}, before its parent {parent.bundle} on "
        f"{parent.packed}"
    ]


def of_packing(bundle: Bundle, cutting: Cutting) -> list[str]:
    """Return what contradicts that a bundle's sticks came from a collection."""
    if not later(cutting.date, bundle.packed):
        return []
    return [
        f"{bundle.bundle} was packed on {bundle.packed}, before {cutting.collection} was cut on "
        f"{cutting.date}"
    ]


def of_cutting(chain: Chain, cutting: Cutting) -> list[str]:
    """Return what contradicts that a collection was cut from its tree."""
    doubts = []
    tied = chain.drawn.from_collection.get(cutting.collection, 0)
    if tied > cutting.sticks:
        doubts.append(
            f"{tidy(tied)} sticks were tied from {cutting.collection}, but only {cutting.sticks} "
            "were cut, so foreign wood may have come in"
        )
    return doubts + [
        f"{cutting.tree} {said} on {happening.date}, before {cutting.collection} was cut on "
        f"{cutting.date}"
        for happening, said in gone_before(chain, cutting)
    ]


def gone_before(chain: Chain, cutting: Cutting) -> Iterator[tuple[TreeHappening, str]]:
    """Yield events by which another plant stood there when a collection was cut."""
    tree = chain.trees.get(cutting.tree)
    for happening in chain.happenings.get(cutting.tree, ()):
        if not later(cutting.date, happening.date):
            continue
        if happening.event == TreeEventKind.DIED and happening.limb is None:
            yield happening, "died"
        elif happening.event == TreeEventKind.REPLANTED and not _is_the_new_one(tree, happening):
            yield happening, "was replanted"


def _is_the_new_one(tree: Tree | None, happening: TreeHappening) -> bool:
    return (
        tree is not None
        and tree.planted is not None
        and happening.date is not None
        and tree.planted >= happening.date
    )


def of_tree(chain: Chain, tree: Tree) -> list[str]:
    """Return what contradicts that a mother tree was grown from its graft lot."""
    lot = chain.lots.get(tree.graft_lot or "")
    if lot is None or not later(lot.date, tree.planted):
        return []
    return [f"{tree.tree} was planted on {tree.planted}, before {lot.graft_lot} on {lot.date}"]
