"""Cells of words: from a vocabulary, several in one cell, names of cultivars."""

from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any

from scionreg.records.cells.base import (
    NO_WORDS,
    Cell,
    CellError,
    OwnWords,
    Reader,
    refuse_ditto,
    seen,
)
from scionreg.records.vocabulary import Found, Word, spelling
from scionreg.records.words import Sentence, joined


@dataclass(frozen=True, slots=True)
class Choice(Cell):
    """One word of a vocabulary; a nursery may add words to one that has a name, `own`."""

    words: type[Word]
    own: str = ""

    def reader(self, zone: tzinfo, own: OwnWords = NO_WORDS) -> Reader:
        """Return a function that reads a word, the nursery's own before other spellings."""
        mine = own.get(self.own, {})
        if not mine:
            return self.read

        def read(text: str) -> str:
            wanted = spelling(text)
            known = wanted in {spelling(word.value) for word in self.words}
            return mine[wanted] if wanted in mine and not known else self.read(text)

        return read

    def read(self, text: str) -> str:
        """Return the word that `text` spells, a variant included."""
        word = self.words.spelled(text)
        if word is None:
            refuse_ditto(text)
            near = " or ".join(self.words.near(text))
            right = f"one of: {', '.join(self.words)}"
            if self.own:
                right += f"; or make it a word of yours: settings --set words.{self.own}.NAME=…"
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
    own: str = ""

    def reader(self, zone: tzinfo, own: OwnWords = NO_WORDS) -> Reader:
        """Return a function that reads the parts, the nursery's own words among them."""
        if self.words is None:
            return self.read
        read_one = Choice(self.words, self.own).reader(zone, own)

        def read(text: str) -> str:
            parts = [part.strip() for part in text.replace(",", ";").split(";")]
            return ";".join(read_one(part) for part in parts if part)

        return read

    def read(self, text: str) -> str:
        """Return the parts, cleaned, joined by ``;``."""
        if self.words is not None:
            return str(self.reader(UTC)(text))
        return ";".join(part.strip() for part in seen(text).split(";") if part.strip())

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
