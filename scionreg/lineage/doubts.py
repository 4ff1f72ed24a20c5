"""What makes a single link of a chain doubtful, as plain reasons.

Two things do: a day that nobody recorded, and records that contradict each other.
"""

import datetime as dt
from collections.abc import Iterator

from scionreg.lineage.chain import Chain, TreeHappening
from scionreg.lineage.graph import Bundle, Cutting, Lot, Tree
from scionreg.lineage.sticks import tidy
from scionreg.records.vocabulary import TreeEventKind
from scionreg.records.words import Sentence


def later(first: dt.date | None, second: dt.date | None) -> bool:
    """Tell whether `first` is known to be later than `second`."""
    return first is not None and second is not None and first > second


def undated(day: dt.date | None, code: str, done: str) -> list[Sentence]:
    """Return the reason that an unknown day is, or nothing where the day is known.

    `done` is what was done then: cut, packed, grafted or sent.
    """
    return [Sentence(f"doubt.undated.{done}", code=code)] if day is None else []


def of_lot(chain: Chain, lot: Lot) -> list[Sentence]:
    """Return what contradicts that a graft lot's wood came from its bundle."""
    bundle = chain.bundles.get(lot.bundle)
    if bundle is None or not later(bundle.packed, lot.date):
        return []
    return [
        Sentence(
            "doubt.grafted_before_packed",
            lot=lot.graft_lot,
            day=lot.date,
            bundle=bundle.bundle,
            packed=bundle.packed,
        )
    ]


def of_wood(lot: Lot, cutting: Cutting | None) -> list[Sentence]:
    """Return what contradicts that a graft lot's wood was cut as one of its sources, if it was."""
    if cutting is None or not later(cutting.date, lot.date):
        return []
    return [
        Sentence(
            "doubt.grafted_before_cut",
            lot=lot.graft_lot,
            day=lot.date,
            collection=cutting.collection,
            cut=cutting.date,
        )
    ]


def of_bundle(chain: Chain, bundle: Bundle) -> list[Sentence]:
    """Return what contradicts that a bundle held the recorded sticks and no others."""
    taken = chain.drawn.from_bundle.get(bundle.bundle, 0)
    if taken <= bundle.sticks:
        return []
    return [
        Sentence("doubt.more_left", sticks=tidy(taken), bundle=bundle.bundle, there=bundle.sticks)
    ]


def of_parent(bundle: Bundle, parent: Bundle) -> list[Sentence]:
    """Return what contradicts that a bundle's sticks came from a parent."""
    if not later(parent.packed, bundle.packed):
        return []
    return [
        Sentence(
            "doubt.packed_before_parent",
            bundle=bundle.bundle,
            day=bundle.packed,
            parent=parent.bundle,
            packed=parent.packed,
        )
    ]


def of_packing(bundle: Bundle, cutting: Cutting) -> list[Sentence]:
    """Return what contradicts that a bundle's sticks came from a collection."""
    if not later(cutting.date, bundle.packed):
        return []
    return [
        Sentence(
            "doubt.packed_before_cut",
            bundle=bundle.bundle,
            day=bundle.packed,
            collection=cutting.collection,
            cut=cutting.date,
        )
    ]


def of_cutting(chain: Chain, cutting: Cutting) -> list[Sentence]:
    """Return what contradicts that a collection was cut from its tree."""
    doubts = []
    tied = chain.drawn.from_collection.get(cutting.collection, 0)
    if tied > cutting.sticks:
        doubts.append(
            Sentence(
                "doubt.more_tied",
                sticks=tidy(tied),
                collection=cutting.collection,
                cut=cutting.sticks,
            )
        )
    return doubts + [
        Sentence(
            f"doubt.gone_before.{happening.event}",
            tree=cutting.tree,
            day=happening.date,
            collection=cutting.collection,
            cut=cutting.date,
        )
        for happening in _gone_before(chain, cutting)
    ]


def _gone_before(chain: Chain, cutting: Cutting) -> Iterator[TreeHappening]:
    """Yield events by which another plant stood there when a collection was cut."""
    tree = chain.trees.get(cutting.tree)
    for happening in chain.happenings.get(cutting.tree, ()):
        if not later(cutting.date, happening.date):
            continue
        died = happening.event == TreeEventKind.DIED and happening.limb is None
        replanted = happening.event == TreeEventKind.REPLANTED
        if died or (replanted and not _is_the_new_one(tree, happening)):
            yield happening


def _is_the_new_one(tree: Tree | None, happening: TreeHappening) -> bool:
    return (
        tree is not None
        and tree.planted is not None
        and happening.date is not None
        and tree.planted >= happening.date
    )


def of_tree(chain: Chain, tree: Tree) -> list[Sentence]:
    """Return what contradicts that a mother tree was grown from its graft lot."""
    lot = chain.lots.get(tree.graft_lot or "")
    if lot is None or not later(lot.date, tree.planted):
        return []
    return [
        Sentence(
            "doubt.planted_before_grafted",
            tree=tree.tree,
            day=tree.planted,
            lot=lot.graft_lot,
            grafted=lot.date,
        )
    ]
