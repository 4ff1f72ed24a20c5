"""What a cell most likely holds: as the row above where a day's work goes on, or what follows.

It is offered, and taken where whoever types agrees.
"""

from collections.abc import Mapping

Cells = Mapping[str, str]
"""The texts of a row by column."""

WORK_DAY: Mapping[str, str] = {
    "tree_events": "date",
    "collections": "date",
    "bundles": "packed",
    "bundle_log": "time",
    "store_readings": "time",
    "graft_lots": "date",
    "take_counts": "date",
    "identity_checks": "date",
    "dispatches": "date",
    "holds": "date",
}
"""The column with the day, or the time, on which the work was done."""

STAYS: Mapping[str, tuple[str, ...]] = {
    "cultivars": ("species",),
    "blocks": ("kind", "row_spacing_m", "tree_spacing_m", "counted_from"),
    "stores": ("kind",),
    "rootstock_lots": ("species", "supplier", "received"),
    "mother_trees": (
        *("cultivar", "kind", "block", "row", "fix_method", "planted", "received_from"),
        "rootstock",
    ),
    "permissions": ("host", "valid_from", "valid_until"),
    "tree_events": ("date",),
    "collections": ("date", "cutter", "count"),
    "bundles": ("count", "packed", "packer", "store", "shelf"),
    "bundle_parents": ("bundle",),
    "bundle_log": ("time", "event", "store"),
    "store_readings": ("store",),
    "graft_lots": ("date", "grafter", "method", "rootstock_lot", "stock_mm", "block", "row"),
    "take_counts": ("date", "scorer"),
    "identity_checks": ("date", "method", "by"),
    "genotypes": ("sample", "item", "cultivar", "laboratory"),
    "dispatches": ("date", "customer"),
    "holds": ("date", "event", "by"),
}
"""What stays the same from one record to the next of a day's work; what is counted never does."""

HANDS = ("cutter", "grafter")
"""Whose turns in the day are counted."""


def likely(kind: str, name: str, here: Cells, above: Cells) -> str:
    """Return the likely text of the cell `name` of a row, empty where nothing is likely."""
    match kind, name:
        case "graft_lots", "first":
            return _after(above, "last", here, same=("block", "row"))
        case "graft_lots", "last":
            return _last(here)
        case "mother_trees", "position":
            return _after(above, "position", here, same=("block", "row"))
        case _, "order_in_day":
            same = ("date", *(each for each in HANDS if each in above))
            return _after(above, "order_in_day", here, same=same)
        case _:
            pass
    return above.get(name, "") if name in STAYS.get(kind, ()) else ""


def _after(above: Cells, name: str, here: Cells, *, same: tuple[str, ...]) -> str:
    """Return the number after the one above, where both rows agree in what must be the same."""
    number = _whole(above.get(name))
    agree = all(here.get(each) and here.get(each) == above.get(each) for each in same)
    return str(number + 1) if number is not None and agree else ""


def _last(here: Cells) -> str:
    """Return the last position of a lot that fills a run of them."""
    first, grafts = _whole(here.get("first")), _whole(here.get("grafts"))
    return str(first + grafts - 1) if first and grafts else ""


def _whole(text: str | None) -> int | None:
    return int(text) if text and text.isdecimal() and len(text) < 9 else None
