"""The text of everything that is printed, from one catalogue a language.

`english.toml` beside this module holds every name; a translation is a file of the same form in
which any of them may be missing. Texts have the same values in braces in every language.
"""

import datetime as dt
import os
import string
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Word

CATALOGUE = "english.toml"


class Words:
    """The printed text of one language, by names such as ``label.of_tree``."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = texts

    def __call__(self, name: str, /, **values: object) -> str:
        """Return a text with `values` in place of its braces; raise `KeyError` for no name."""
        return self._texts[name].format(**values)

    def many(self, name: str, number: int, /, **values: object) -> str:
        """Return the text ``name.one`` or ``name.other``, `number` among its values."""
        form = "one" if number == 1 else "other"
        return self(f"{name}.{form}", number=number, **values)

    def word(self, word: Word) -> str:
        """Return how a word of a vocabulary is printed."""
        return self.stored(type(word), word.value)

    def stored(self, vocabulary: type[Word], value: str) -> str:
        """Return how a word is printed that is known by what is stored of it."""
        return self(f"word.{vocabulary.__name__}.{value}")

    def day(self, day: dt.date) -> str:
        """Return a day with the month as a word, which is read alike everywhere: 14 Feb 2026."""
        return self("date.day", day=day.day, month=self(f"date.month.{day.month}"), year=day.year)

    def month(self, day: dt.date) -> str:
        """Return the month and year of a day."""
        return self("date.month_of_year", month=self(f"date.month.{day.month}"), year=day.year)

    def names(self) -> set[str]:
        """Return every name there is a text for."""
        return set(self._texts)


@cache
def english() -> Words:
    """Return the English text, which has every name."""
    return Words(_english())


def read_words(file: str | os.PathLike[str] | None = None) -> Words:
    """Return the text of a translation, English where it has none; English without a file.

    Raises
    ------
    RegistryError
        The file cannot be read, has a name that English has not, or other values in braces.
    """
    if file is None:
        return english()
    try:
        own = _flat(tomllib.loads(Path(file).read_text(encoding="utf-8-sig")))
    except OSError as error:
        raise RegistryError(f"'{file}' cannot be read: {error.strerror or error}") from error
    except ValueError as error:
        raise RegistryError(f"'{file}' is no catalogue of words: {error}") from error
    for name, text in own.items():
        _check(name, text, f"'{file}'")
    return Words(_english() | own)


@cache
def _english() -> dict[str, str]:
    return _flat(tomllib.loads((files(__package__) / CATALOGUE).read_text(encoding="utf-8")))


def _flat(tables: Mapping[str, Any], above: str = "") -> dict[str, str]:
    """Return nested tables as one, names joined by dots; raise `ValueError` for other values."""
    flat: dict[str, str] = {}
    for name, value in tables.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{above}{name}.")
        elif isinstance(value, str):
            flat[f"{above}{name}"] = value
        else:
            raise ValueError(f"{above}{name} is not text; write it in quotes")
    return flat


def _check(name: str, text: str, file: str) -> None:
    known = _english().get(name)
    if known is None:
        raise RegistryError(f"{file} has '{name}', which {CATALOGUE} has not; take it out")
    try:
        found = set(_values(text))
    except ValueError as error:
        raise RegistryError(f"{file}: '{name}' has braces that do not close: {error}") from error
    if found != set(_values(known)):
        wanted = ", ".join(sorted(f"{{{each}}}" for each in _values(known))) or "none"
        raise RegistryError(f"{file}: '{name}' has other values in braces than {wanted}")


def _values(text: str) -> Iterator[str]:
    """Yield the values in braces, each with how it is formatted."""
    for _, name, form, conversion in string.Formatter().parse(text):
        if name is not None:
            yield name + (f"!{conversion}" if conversion else "") + (f":{form}" if form else "")
