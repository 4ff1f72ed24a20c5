"""The books of an invented nursery as records, in the columns of the record kinds."""

import datetime as dt
from collections.abc import Callable
from math import cos, radians
from typing import Any

from benchmarks.offtype_nursery import SPECIES, STORES, Bundle, Cut, Lot, Nursery, Sent, Tree

LATITUDE, LONGITUDE, METRES_A_DEGREE = 30.61, -96.32, 111_320.0

Row = dict[str, Any]


def rows_of(nursery: Nursery, stood_at: Callable[[Cut], Tree]) -> dict[str, list[Row]]:
    """Return the books as records by kind; `stood_at` says by which tree a cutter really stood."""
    across, along = nursery.spacing
    people = [f"P{group}{at}" for group in (1, 2, 3) for at in range(4)] + ["P40"]
    blocks = [{"block": code, "kind": kind, "row_spacing_m": across, "tree_spacing_m": along}
              for code, kind in (("M1", "bank"), ("M2", "bank"), ("N1", "nursery"))]  # fmt: skip
    return {
        "cultivars": [{"cultivar": name, "species": SPECIES} for name in nursery.cultivars],
        "people": [{"person": code} for code in people],
        "blocks": blocks,
        "stores": [{"store": f"S{at + 1}", "kind": "cooler"} for at in range(STORES)],
        "rootstock_lots": [
            {"rootstock_lot": code, "species": SPECIES, "clone": clone}
            for code, clone in nursery.stocks.items()
        ],
        "mother_trees": [_tree_row(nursery, tree) for tree in nursery.trees],
        "tree_events": [
            {"tree": tree.code, "date": tree.topworked, "event": "topworked"}
            for tree in nursery.trees
            if tree.topworked
        ],
        "collections": [_cut_row(nursery, cut, stood_at(cut)) for cut in nursery.cuts],
        "bundles": [_bundle_row(bundle) for bundle in nursery.bundles],
        "bundle_parents": [row for bundle in nursery.mixed for row in _parent_rows(bundle)],
        "graft_lots": [_lot_row(lot) for lot in nursery.lots],
        "take_counts": [
            {"graft_lot": lot.code, "date": lot.day + dt.timedelta(days=62), "scorer": "P40",
             "pushing": len(lot.standing)}
            for lot in nursery.lots
        ],
        "dispatches": [_sent_row(line) for line in nursery.sent],
    }  # fmt: skip


def _degrees(north: float, east: float) -> tuple[float, float]:
    shrunk = METRES_A_DEGREE * cos(radians(LATITUDE))
    return round(LATITUDE + north / METRES_A_DEGREE, 7), round(LONGITUDE + east / shrunk, 7)


def _tree_row(nursery: Nursery, tree: Tree) -> Row:
    row: Row = {
        "tree": tree.code, "cultivar": tree.cultivar, "kind": tree.kind, "block": tree.block,
        "row": tree.row, "position": tree.position, "planted": tree.planted, "status": "usable",
    }  # fmt: skip
    if nursery.fixed:
        latitude, longitude = _degrees(*nursery.place(tree))
        row |= {"latitude": latitude, "longitude": longitude, "accuracy_m": 0.5}
        row["fix_method"] = "survey"
    if tree.grown:
        lot, place = tree.grown
        row |= {"graft_lot": lot.code, "graft_position": lot.first + place}
    return row


def _cut_row(nursery: Nursery, cut: Cut, stood_at: Tree) -> Row:
    row: Row = {
        "collection": cut.code, "tree": cut.tree.code, "limb": cut.limb, "date": cut.day,
        "cutter": cut.cutter, "sticks": cut.sticks, "count": "counted", "order_in_day": cut.order,
    }  # fmt: skip
    if accuracy := nursery.fixes.get(cut):
        north, east = nursery.place(stood_at)
        # A radius that holds 68 % of a round Gaussian cloud is 1.51 of its standard deviations.
        north, east = (at + nursery.draw.gauss(0, accuracy / 1.51) for at in (north, east))
        latitude, longitude = _degrees(north, east)
        row |= {"latitude": latitude, "longitude": longitude, "accuracy_m": accuracy}
    return row


def _bundle_row(bundle: Bundle) -> Row:
    return {
        "bundle": bundle.code, "collection": bundle.cut and bundle.cut.code,
        "sticks": bundle.sticks - bundle.unwritten, "count": "counted", "packed": bundle.day,
        "packer": bundle.packer, "store": bundle.store,
    }  # fmt: skip


def _parent_rows(bundle: Bundle) -> list[Row]:
    """Return what a bundle was tied from; sticks nobody wrote down lack in the largest."""
    lacking = max(bundle.parents, key=lambda each: each[1])[0] if bundle.unwritten else None
    return [
        {"bundle": bundle.code, "parent": parent.code,
         "sticks": sticks - (bundle.unwritten if parent is lacking else 0)}
        for parent, sticks in bundle.parents
    ]  # fmt: skip


def _lot_row(lot: Lot) -> Row:
    return {
        "graft_lot": lot.code, "bundle": lot.bundle.code, "date": lot.day, "grafter": lot.grafter,
        "method": "whip", "rootstock_lot": lot.stock, "grafts": lot.grafts,
        "sticks_used": lot.sticks, "block": "N1", "row": lot.row, "first": lot.first,
        "last": lot.first + lot.grafts - 1, "order_in_day": lot.order,
    }  # fmt: skip


def _sent_row(line: Sent) -> Row:
    row: Row = {
        "dispatch": line.code, "graft_lot": line.lot.code, "date": line.day,
        "customer": line.customer, "trees": len(line.places), "label_cultivar": line.lot.label,
    }  # fmt: skip
    if line.placed:
        row |= {"first": line.lot.first + line.places[0], "last": line.lot.first + line.places[-1]}
    return row
