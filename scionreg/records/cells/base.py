"""What every cell type is, and the dirt that any of them may meet."""

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Any

from scionreg.records.words import Sentence

Reader = Callable[[str], Any]

OwnWords = Mapping[str, Mapping[str, str]]
"""A nursery's own words by the name of their vocabulary and their spelling."""
NO_WORDS: OwnWords = {}


class CellError(ValueError):
    """A cell's text cannot be taken; `wrong` says why and `right` how to write it."""

    def __init__(self, rule: str, wrong: str, right: str) -> None:
        self.rule, self.wrong, self.right = rule, wrong, right
        super().__init__(f"{wrong}; {right}")


def noun(kind: str) -> Sentence:
    """Return what one record of a kind is called.

    >>> noun("graft_lots"), noun("people")
    ('graft lot', 'person')
    """
    return Sentence(f"noun.{kind}")


@dataclass(frozen=True, slots=True)
class Cell:
    """Any text; the parent of every cell type."""

    def reader(self, zone: tzinfo, own: OwnWords = NO_WORDS) -> Reader:
        """Return a function that reads a cell in a registry of that time zone and own words."""
        return self.read

    def read(self, text: str) -> Any:
        """Return the value of a cell's text."""
        return refuse_ditto(plain_text(text))

    def typed(self, text: str, today: date) -> str:
        """Return what a person typed as a file would have it: days that go by today's, codes."""
        return text

    def write(self, value: Any) -> str:
        """Return the text of a value."""
        return str(value)

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "string"}

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.text")


TURNING = re.compile(r"[\ufeff\u202a-\u202e\u2066-\u2069]")
"""A mark of the byte order, and signs that turn the reading direction round."""


def plain_text(text: str) -> str:
    """Return text in one form of Unicode (NFC), so that what looks the same is the same.

    Raises
    ------
    CellError
        It holds a NUL character, or one that would make print another order of it.
    """
    if "\x00" in text:
        raise CellError("unreadable_text", "holds a NUL character", "remove it")
    if text.isascii():
        return text
    if found := TURNING.search(text):
        raise _unseen(text, found.start())
    return unicodedata.normalize("NFC", text)


def seen(text: str) -> str:
    """Return a code or name with plain blanks; raise `CellError` for what cannot be seen in it."""
    if text.isascii():
        return text
    for place, sign in enumerate(text):
        if unicodedata.category(sign) in ("Cf", "Zl", "Zp", "Co", "Cn"):
            raise _unseen(text, place)
    return re.sub(r"[^\S\x00-\x1f]", " ", text)


def _unseen(text: str, place: int) -> CellError:
    sign = text[place]
    name = unicodedata.name(sign, "no character").lower()
    where = f"after '{text[:place][-20:]}'" if place else "at its beginning"
    return CellError(
        "unreadable_text",
        f"holds an invisible character {where}: {name}, U+{ord(sign):04X}",
        "type it anew without it",
    )


DITTO = re.compile(r"(ditto|do\.|\"|''|〃|-\"-|same|same as above|idem|id\.)", re.IGNORECASE)


def refuse_ditto(text: str) -> str:
    """Return `text`, unless it only points at the cell above."""
    if DITTO.fullmatch(text):
        raise CellError(
            "ditto",
            f"'{text}' points at the cell above",
            "write the value itself in every row, since rows get sorted and cut apart",
        )
    return text


TOTALS = re.compile(r"\s*(sub|grand )?(total|totals|sum|gesamt|summe)\b", re.IGNORECASE)
TOTALS_ROW = CellError(
    "totals_row", "this looks like a row of totals", "leave totals out of the file"
)
NOT_GIVEN = CellError("missing_value", "no value is given", "give one")
"""What is missing from a record that comes from no file, and so has no cells."""


def is_totals(row: Sequence[str]) -> bool:
    """Tell whether a row is one of totals: its first cell that is not empty says so."""
    return TOTALS.match(next(filter(str.strip, row), "")) is not None


SHIELDED = re.compile(r"'+[=+\-@\t\r]")
EXPOSED = re.compile(r"'*[=+\-@\t\r]")


def shield(text: str) -> str:
    """Return text with an apostrophe before what a spreadsheet would run as a formula.

    >>> shield("=cmd()"), unshield("'=cmd()"), shield("plain")
    ("'=cmd()", '=cmd()', 'plain')
    """
    return f"'{text}" if EXPOSED.match(text) else text


def unshield(text: str) -> str:
    """Undo `shield`."""
    return text[1:] if text.startswith("'") and SHIELDED.match(text) else text
