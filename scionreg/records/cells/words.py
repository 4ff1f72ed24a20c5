"""Cells of words: from a vocabulary, several in one cell, names of cultivars."""

from dataclasses import dataclass
from typing import Any

from scionreg.records.cells.base import Cell, CellError, refuse_ditto, seen
from scionreg.records.vocabulary import Found, Word
from scionreg.records.words import Sentence, joined


@dataclass(frozen=True, slots=True)
class Choice(Cell):
    """One word of a vocabulary."""

    words: type[Word]

    def read(self, text: str) -> str:
        """Return the word that `text` spells, a variant included."""
        word = self.words.spelled(text)
        if word is None:
            refuse_ditto(text)
            near = " or ".join(self.words.near(text))
            right = f"one of: {', '.join(self.words)}"
            raise CellError(
                "unknown_word",
                f"'{text}' is not a word used here",
                f"perhaps {near}; else {right}" if near else right,
            )
        return str(word.value)

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "string", "constraints": {"enum": [word.value for word in self.words]}}

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.one_of", words=joined(self.words, "joined.comma"))


@dataclass(frozen=True, slots=True)
class Many(Cell):
    """Several words or names in one cell, parted by ``;``; words, which hold none, by ``,`` too."""

    words: type[Word] | None = None

    def read(self, text: str) -> str:
        """Return the parts, cleaned, joined by ``;``."""
        commas = seen(text) if self.words is None else text.replace(",", ";")
        parts = [part.strip() for part in commas.split(";") if part.strip()]
        if self.words is not None:
            parts = [Choice(self.words).read(part) for part in parts]
        return ";".join(parts)

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        if self.words is None:
            return Sentence("cell.names")
        return Sentence("cell.any_of", words=joined(self.words, "joined.comma"))


@dataclass(frozen=True, slots=True)
class Name(Cell):
    """A name that is no code of a record and yet tells things apart: a limb, a customer."""

    def read(self, text: str) -> str:
        """Return the name."""
        return refuse_ditto(seen(text))


@dataclass(frozen=True, slots=True)
class CultivarName(Cell):
    """A cultivar by its name or an alias, or one of the words of `Found`."""

    or_found: bool = False

    def read(self, text: str) -> str:
        """Return the name as written; whether it is known is checked with the registry."""
        if self.or_found and (word := Found.spelled(text)) is not None:
            return word.value
        return refuse_ditto(seen(text))

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        if not self.or_found:
            return Sentence("cell.cultivar")
        return Sentence("cell.cultivar_or_found", words=joined(Found, "joined.comma"))
