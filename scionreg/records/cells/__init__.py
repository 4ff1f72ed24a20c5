"""What one cell may hold: how it is read from text, written back, and described.

Each cell type is small and knows nothing of tables or files. `read` takes the text of a cell that
is not empty and returns the value as a database driver stores it (text, number or bool; days and
times as ISO text), or raises `CellError` with what is wrong and what would be right; `write` is its
inverse, and also takes the `date` and `datetime` that PostgreSQL's driver returns; `schema` is the
Frictionless Table Schema of the column.
"""

from scionreg.records.cells.base import (
    NO_WORDS,
    NOT_GIVEN,
    TOTALS_ROW,
    Cell,
    CellError,
    OwnWords,
    Reader,
    is_totals,
    noun,
    plain_text,
    refuse_ditto,
    shield,
    unshield,
)
from scionreg.records.cells.codes import Code, Ref, read_code
from scionreg.records.cells.dates import span
from scionreg.records.cells.numbers import Number, Whole, YesNo
from scionreg.records.cells.places import Outline, Positions, expand_positions
from scionreg.records.cells.times import STORED_MOMENT, Day, Moment, YearOrMonth, last_day
from scionreg.records.cells.words import Choice, CultivarName, Many, Name

__all__ = [
    "NOT_GIVEN",
    "NO_WORDS",
    "STORED_MOMENT",
    "TOTALS_ROW",
    "Cell",
    "CellError",
    "Choice",
    "Code",
    "CultivarName",
    "Day",
    "Many",
    "Moment",
    "Name",
    "Number",
    "Outline",
    "OwnWords",
    "Positions",
    "Reader",
    "Ref",
    "Whole",
    "YearOrMonth",
    "YesNo",
    "expand_positions",
    "is_totals",
    "last_day",
    "noun",
    "plain_text",
    "read_code",
    "refuse_ditto",
    "shield",
    "span",
    "unshield",
]
