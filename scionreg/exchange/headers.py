"""Which record kind a file holds and which column a header names, the trade's variants included."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from scionreg.records.cells import CellError, noun
from scionreg.records.tables import KINDS, fields

FILE_VARIANTS = {
    "trees": "mother_trees",
    "source_trees": "mother_trees",
    "stock_plants": "mother_trees",
    "varieties": "cultivars",
    "cuttings": "collections",
    "grafts": "graft_lots",
    "counts": "take_counts",
    "checks": "identity_checks",
    "rootstocks": "rootstock_lots",
    "shipments": "dispatches",
}
"""Other names of files and sheets that mean one record kind."""

COLUMN_VARIANTS = {
    "variety": "cultivar",
    "source_tree": "tree",
    "mother_tree": "tree",
    "stock_plant": "tree",
    "donor": "tree",
    "collector": "cutter",
    "budder": "grafter",
    "understock": "rootstock_lot",
    "grove": "block",
    "lat": "latitude",
    "lon": "longitude",
    "lng": "longitude",
    "long": "longitude",
}
"""Other headers that mean one column. Words that mean several things are not among them."""


@dataclass(frozen=True, slots=True)
class Header:
    """A file's header: the columns it names, in the file's order."""

    columns: tuple[str, ...]


def plain(text: str) -> str:
    """Return a header or file name in the form that columns have."""
    return re.sub(r"[\W_]+", "_", text.strip().lower()).strip("_")


def kind_named(name: str) -> str | None:
    """Return the record kind that a name means, one or several of it, or None.

    >>> kind_named("Person"), kind_named("tree"), kind_named("Graft lots"), kind_named("boxes")
    ('people', 'mother_trees', 'graft_lots', None)
    """
    wanted = plain(name)
    if wanted in KINDS:
        return wanted
    singular = {plain(noun(kind)): kind for kind in KINDS}
    several = (wanted, f"{wanted}s", f"{wanted.removesuffix('y')}ies")
    return singular.get(wanted) or next(filter(None, map(FILE_VARIANTS.get, several)), None)


def known_columns(kind: str, cells: Iterable[str]) -> int:
    """Return how many cells of a row name columns of a kind."""
    known = {column.name for column in fields(kind)} | COLUMN_VARIANTS.keys()
    return sum(plain(cell) in known for cell in cells)


def read_header(kind: str, cells: list[str]) -> Header:
    """Return the columns that a header row names.

    Raises
    ------
    CellError
        A column is unknown, named twice, or required and not there.
    """
    known = {column.name: column for column in fields(kind)}
    columns: list[str] = []
    for cell in cells:
        name = plain(cell)
        name = name if name in known else COLUMN_VARIANTS.get(name, name)
        if name not in known:
            raise CellError(
                "unknown_column",
                f"{kind} have no column '{cell.strip()}'",
                f"the columns are {', '.join(known)}",
            )
        if name in columns:
            raise CellError("unknown_column", f"the column '{name}' is there twice", "keep one")
        columns.append(name)
    missing = [name for name, each in known.items() if not each.nullable and name not in columns]
    if missing:
        raise CellError(
            "missing_column",
            f"the column '{missing[0]}' is not there",
            f"{kind} need {', '.join(name for name, each in known.items() if not each.nullable)}",
        )
    return Header(tuple(columns))
