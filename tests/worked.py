"""Worked lots put together by hand, for tests of reasoning that needs no registry."""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from scionreg.lineage.worked_lots import COUNT_COLUMNS, SOURCE_COLUMNS, WorkedLots

GRAFTED = np.datetime64("2026-04-20", "s")
DAY = np.timedelta64(1, "D")
CLASSES = COUNT_COLUMNS[3:]

USUAL: dict[str, Any] = {
    "bundle": None,
    "date": GRAFTED,
    "grafter": "P1",
    "method": "whip",
    "rootstock_lot": "R1",
    "stock_mm": None,
    "grafts": 20,
    "block": None,
    "row": None,
    "first": None,
    "last": None,
    "regraft_of": None,
    "season": 2026,
    "cultivar": "Aldern",
    "species": None,
    "store": "S1",
    "days_in_store": 60.0,
}
Row = Mapping[str, Any]


def worked_lots(rows: Iterable[Row]) -> WorkedLots:
    """Return lots from rows of the columns that differ from `USUAL`.

    `trees` maps mother trees to shares (else `tree` gives all); `late` and `early` are pushing at
    150 and 40 days, or classes by name; `counts` lists (age in days, classes).
    """
    lots, sources, counts = [], [], []
    for number, row in enumerate(rows):
        given = {**USUAL, "graft_lot": f"G{number + 1}", "bundle": f"B{number + 1}", **row}
        trees = given.pop("trees", None) or {given.pop("tree", "T1"): 1.0}
        given.pop("tree", None)
        told = list(given.pop("counts", ()))
        told += [(age, given.pop(at)) for age, at in ((40, "early"), (150, "late")) if at in given]
        lots.append(given)
        for tree, share in trees.items():
            source = {"lot": number, "mother_tree": tree, "collection": f"C{tree}", "share": share}
            sources.append(dict.fromkeys(SOURCE_COLUMNS) | source)
        for age, classes in sorted(told, key=lambda each: each[0]):
            counts.append(count(number, given["date"], age, classes))
    frame = pd.DataFrame(lots)
    frame["date"] = frame["date"].astype("datetime64[s]")
    numbers = dict.fromkeys(("row", "first", "last", "days_in_store"), "float64")
    gave = pd.DataFrame(sources, columns=list(SOURCE_COLUMNS))
    gave["cutting_day"] = gave["cutting_day"].astype("datetime64[s]")
    stood = pd.DataFrame(counts, columns=list(COUNT_COLUMNS))
    stood["date"] = stood["date"].astype("datetime64[s]")
    floats = dict.fromkeys(("age", *CLASSES), "float64")
    return WorkedLots(frame.astype(numbers), gave, stood.astype(floats))


def count(lot: int, grafted: np.datetime64, age: int, classes: "int | Row") -> dict[str, Any]:
    """Return a count; a number is of pushing alone."""
    told = dict(classes) if isinstance(classes, Mapping) else {"pushing": classes}
    return {"lot": lot, "date": grafted + age * DAY, "age": age} | told
