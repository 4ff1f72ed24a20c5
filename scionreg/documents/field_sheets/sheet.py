"""A field sheet as plain data: what stands in its rows before it goes out, and what is to know."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from scionreg.records.tables import KINDS, fields

if TYPE_CHECKING:
    import pandas as pd

PEOPLE = {
    "collections": "cutter",
    "bundles": "packer",
    "graft_lots": "grafter",
    "take_counts": "scorer",
    "identity_checks": "by",
}
"""The column of the person who fills in a sheet."""

DAYS = {
    "collections": "date",
    "bundles": "packed",
    "graft_lots": "date",
    "take_counts": "date",
    "identity_checks": "date",
}
"""The column of the day it is filled in."""

ABOUT = {
    "collections": "tree",
    "bundles": "collection",
    "graft_lots": "bundle",
    "take_counts": "graft_lot",
    "identity_checks": "item",
    "bundle_log": "bundle",
}
"""The column that says what a row is about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A row of a sheet: texts by column, empty ones left out, as the CSV file has them.

    `told` is what is known of it, `warned` what must not be overlooked.
    """

    cells: Mapping[str, str]
    told: str = ""
    warned: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSheet:
    """A sheet of one record kind; `facts` are titles and texts for its head."""

    name: str
    kind: str
    lines: tuple[Line, ...]
    facts: tuple[tuple[str, str], ...] = ()

    def texts(self) -> Iterator[str]:
        """Yield all texts of the rows that stand on paper."""
        for line in self.lines:
            yield from (*line.cells.values(), line.told, *line.warned)

    def to_rows(self) -> list[dict[str, str]]:
        """Return the rows by column, every column in the order of the CSV file."""
        names = [column.name for column in fields(self.kind)]
        return [{name: line.cells.get(name, "") for name in names} for line in self.lines]

    def to_frame(self) -> "pd.DataFrame":
        """Return the rows as a table of texts."""
        import pandas as pd

        return pd.DataFrame(self.to_rows(), columns=[each.name for each in fields(self.kind)])

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "name": self.name,
            "kind": self.kind,
            "rows": [
                {"cells": dict(line.cells), "told": line.told, "warned": list(line.warned)}
                for line in self.lines
            ],
        }

    def with_codes(self, codes: Iterable[str]) -> "FieldSheet":
        """Return the sheet with codes of its own records; more codes than rows add blank rows."""
        key = KINDS[self.kind].KEY[0]
        lines, given = list(self.lines), list(codes)
        lines += [Line(cells={})] * (len(given) - len(lines))
        coded = [
            Line(cells={key: code, **line.cells}, told=line.told, warned=line.warned)
            for code, line in zip(given, lines, strict=True)
        ]
        return FieldSheet(name=self.name, kind=self.kind, lines=tuple(coded), facts=self.facts)
