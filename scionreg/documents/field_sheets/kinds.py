"""Which sheets there are, and what each of their columns is on paper and on the screen.

A sheet has the columns of one record kind, all of them and in the order of the CSV file: they are
read from the record tables, so paper, screen and file cannot part.
"""

from dataclasses import dataclass
from typing import Any

from scionreg.lineage.known import Known
from scionreg.records.cells import Cell, Choice, Code, Number
from scionreg.records.codes import LETTER_OF
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS
from scionreg.records.words import Words

SHEETS = {
    "cutting": "collections",
    "packing": "bundles",
    "grafting": "graft_lots",
    "counting": "take_counts",
    "identity": "identity_checks",
    "cooler": "bundle_log",
}
"""The sheets by name, and the record kind that a row of each is."""


def kind_of_sheet(name: str) -> str:
    """Return the record kind of a sheet; a kind's own name will do too.

    Raises
    ------
    RegistryError
        There is no such sheet.
    """
    kind = SHEETS.get(name, name)
    if kind not in KINDS:
        raise RegistryError(f"there is no sheet '{name}'; the sheets are {', '.join(SHEETS)}")
    return kind


@dataclass(frozen=True, slots=True)
class Measure:
    """The unit that a column is written in where the nursery measures in US units.

    `size` is how many of the column's own units one of these is.
    """

    unit: str
    size: float

    def stored(self, text: str) -> str:
        """Return the text in the column's own unit; what is no number stays as it is."""
        try:
            return f"{round(float(text) * self.size, 4):.10g}"
        except ValueError:
            return text

    def shown(self, text: str) -> str:
        """Return a stored text in this unit."""
        return f"{round(float(text) / self.size, 3):.10g}"


US = {"cm": Measure("in", 2.54), "m": Measure("ft", 0.3048)}
"""Inches and feet (exact by the international yard and pound agreement of 1959)."""


def measure_of(cell: Cell, units: str) -> Measure | None:
    """Return the unit to write a column in, None where it is the column's own."""
    return US.get(cell.unit) if units == "US" and isinstance(cell, Number) else None


def numbered(cell: Cell) -> dict[str, str]:
    """Return the words of a cell by the numerals that stand for them on paper and screen."""
    if not isinstance(cell, Choice):
        return {}
    return {str(number): word.value for number, word in enumerate(cell.words, start=1)}


def must_be_filled(column: Any) -> bool:
    """Tell whether a cell may not stay empty; a code may that is issued when it is recorded."""
    kind = column.table.name
    issued = column.name == KINDS[kind].KEY[0] and isinstance(column.info["cell"], Code)
    return not column.nullable and not (issued and kind in LETTER_OF)


def tell(known: Known, words: Words) -> str:
    """Return in one line what is known of a code, to see that it is the one that was meant."""
    parts = [" + ".join(known.cultivars)] if known.cultivars else []
    if known.tree:
        parts.append(known.tree)
    if known.date:
        parts.append(words.day(known.date))
    if known.number is not None:
        of = "grafts" if known.kind == "graft_lots" else "sticks"
        parts.append(words.many(f"field_sheet.{of}", known.number))
    parts += place(known, words)
    return words("field_sheet.between").join(parts)


def place(known: Known, words: Words) -> list[str]:
    """Return where something stands, as far as it is known."""
    if known.block is None:
        return []
    if known.row is None:
        return [known.block]
    said = words("field_sheet.row", block=known.block, row=known.row)
    if known.first is None:
        return [said]
    if known.last in (known.first, None):
        return [said + words("field_sheet.position", first=known.first)]
    return [said + words("field_sheet.positions", first=known.first, last=known.last)]


def described(column: Any) -> str:
    """Return what a column means and holds, the words with their numerals."""
    cell = column.info["cell"]
    words = ", ".join(f"{number} {word}" for number, word in numbered(cell).items())
    holds = words or cell.describe()
    must = "; must be filled in" if must_be_filled(column) else ""
    return f"{column.info['doc']}: {holds}{must}"
