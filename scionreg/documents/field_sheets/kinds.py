"""Which sheets there are, and what each of their columns is on paper and on the screen.

A sheet has the columns of one record kind, in the order of the CSV file and but for those that no
sheet of a day needs: they are read from the record tables, so paper, screen and file cannot part.
"""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Column

from scionreg.lineage.known import Known
from scionreg.records.cells import Cell, Choice, Code, CultivarName, Number, YesNo
from scionreg.records.codes import LETTER_OF
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, fields
from scionreg.records.vocabulary import Found, Word
from scionreg.records.words import Words, english

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


def on_paper(kind: str) -> list[Column[Any]]:
    """Return the columns of a kind that its sheet has: all but those filled in at the desk only."""
    return [each for each in fields(kind) if not each.info.get("desk")]


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
        """Return a stored text in this unit; what is no number stays as it is."""
        try:
            return f"{round(float(text) / self.size, 3):.10g}"
        except ValueError:
            return text


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


ANSWERS = {"yes": "yes", "y": "yes", "no": "no", "n": "no"}
"""The answers of the catalogue, with what is stored for each."""


def answers(words: Words) -> dict[str, str]:
    """Return what may be typed for yes and no in a language, in English too, as it is stored."""
    return {
        each(f"typing.answer.{name}").casefold(): stored
        for each in (english(), words)
        for name, stored in ANSWERS.items()
    }


def vocabulary_of(cell: Cell) -> type[Word] | None:
    """Return the words that a cell may hold, None where it is not of words."""
    match cell:
        case Choice(words=words):
            return words
        case CultivarName(or_found=True):
            return Found
        case _:
            return None


def spoken(cell: Cell, words: Words) -> dict[str, str]:
    """Return what may be typed into a cell in a language, in small letters, as it is stored."""
    if isinstance(cell, YesNo):
        return answers(words)
    return {words.word(word).casefold(): word.value for word in vocabulary_of(cell) or ()}


def shown(cell: Cell, text: str, words: Words) -> str:
    """Return a stored text as paper and screen have it: words and answers in the language."""
    if isinstance(cell, YesNo) and text in ANSWERS:
        return words(f"typing.answer.{ANSWERS[text]}")
    vocabulary = vocabulary_of(cell)
    return words.stored(vocabulary, text) if vocabulary and text else text


def heading(column: Any, words: Words, units: str) -> str:
    """Return what a column is called on paper and on the screen, with its unit."""
    cell = column.info["cell"]
    measure = measure_of(cell, units)
    unit = measure.unit if measure else getattr(cell, "unit", "")
    return words(f"field_sheet.heading.{column.name}", unit=unit)


def is_issued(column: Any) -> bool:
    """Tell whether the records' own code is issued where the cell stays empty."""
    kind = column.table.name
    own = column.name == KINDS[kind].KEY[0] and isinstance(column.info["cell"], Code)
    return own and kind in LETTER_OF


def must_be_filled(column: Any) -> bool:
    """Tell whether a cell may not stay empty; a code may that is issued when it is recorded."""
    return not column.nullable and not is_issued(column)


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


def described(column: Any, words: Words) -> str:
    """Return what a column means and holds, the words with their numerals."""
    cell = column.info["cell"]
    named = ", ".join(
        f"{number} {shown(cell, word, words)}" for number, word in numbered(cell).items()
    )
    return words(
        f"typing.holds.{'must' if must_be_filled(column) else 'may'}",
        means=words.column(column.table.name, column.name, column.info["doc"]),
        holds=named or cell.describe(),
    )
