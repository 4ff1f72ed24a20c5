"""Every text that people read on paper or while typing, from one catalogue a language.

`english.toml` beside this module holds every name; a translation is a file of the same form in
which any of them may be missing. Texts have the same values in braces in every language. What is
found out deeper down is said as a `Sentence`: English text that can be told in any language.
"""

import datetime as dt
import os
import string
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache, reduce
from importlib.resources import files
from pathlib import Path
from typing import Any, Self, SupportsIndex

from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Word

CATALOGUE = "english.toml"
COLUMN = "column."
"""What the names of texts begin with that say what a column means; English is in the tables."""


class _Counting(string.Formatter):
    """Puts values into a text; `{sticks:stick|sticks}` has the noun that goes with the number."""

    def format_field(self, value: Any, format_spec: str) -> Any:
        """Return a value as text, with its noun where the text gives one for 1 and one for more."""
        one, parts, more = format_spec.partition("|")
        if not parts:
            return super().format_field(value, format_spec)
        return f"{value} {one if str(value) == '1' else more}"


_COUNTING = _Counting()


class Words:
    """The printed text of one language, by names such as ``label.of_tree``."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = texts

    def __call__(self, name: str, /, **values: object) -> str:
        """Return a text with `values` in place of its braces, told in this language as `tell`.

        Raises
        ------
        KeyError
            There is no such name, or a value is lacking.
        """
        text = self._texts[name]
        told = {key: self._told(each) for key, each in values.items()}
        return _COUNTING.vformat(text, (), told) if "|" in text else text.format(**told)

    def tell(self, said: str) -> str:
        """Return a sentence, or a word of a vocabulary, in this language; other text as it is."""
        return str(self._told(said))

    def _told(self, value: object) -> object:
        match value:
            case Sentence():
                return self(value.name, **value.values)
            case Word():
                return self.word(value)
            case dt.date():
                return self.day(value)
            case _:
                return value

    def many(self, name: str, number: int, /, **values: object) -> str:
        """Return the text ``name.one`` or ``name.other``, `number` among its values."""
        return self(_form(name, number), number=number, **values)

    def word(self, word: Word) -> str:
        """Return how a word of a vocabulary is printed."""
        return self.stored(type(word), word.value)

    def stored(self, vocabulary: type[Word], value: str) -> str:
        """Return how a word is printed by what is stored of it, a nursery's own as it is."""
        known = self._texts.get(f"word.{vocabulary.__name__}.{value}")
        return value.replace("_", " ") if known is None else known

    def column(self, kind: str, name: str, english: str) -> str:
        """Return what a column means; `english` is its definition, for what is not translated."""
        return self._texts.get(f"{COLUMN}{kind}.{name}", english)

    def day(self, day: dt.date) -> str:
        """Return a day with the month as a word, which is read alike everywhere: 14 Feb 2026."""
        return self("date.day", day=day.day, month=self(f"date.month.{day.month}"), year=day.year)

    def month(self, day: dt.date) -> str:
        """Return the month and year of a day."""
        return self("date.month_of_year", month=self(f"date.month.{day.month}"), year=day.year)

    def names(self) -> set[str]:
        """Return every name there is a text for."""
        return set(self._texts)


class Sentence(str):
    """English text of the catalogue that knows its name and values, so that `Words` can tell it.

    As text it is what JSON, CSV and the screen show: its days are ISO days, its words as they are
    stored. Among its values may be other sentences, words of a vocabulary and days; all are told in
    the same language.

    >>> Sentence("fact.customer", value="CU-12")
    'to customer CU-12'
    """

    __slots__ = ("name", "values")
    name: str
    values: Mapping[str, object]

    def __new__(cls, name: str, /, **values: object) -> Self:
        """Make the sentence of a name; `KeyError` for no name, or where a value is lacking."""
        made = super().__new__(cls, _plain()(name, **values))
        made.name, made.values = name, values
        return made

    @classmethod
    def many(cls, name: str, number: int, /, **values: object) -> Self:
        """Return the sentence ``name.one`` or ``name.other``, `number` among its values."""
        return cls(_form(name, number), number=number, **values)

    def with_values(self, **values: object) -> "Sentence":
        """Return the sentence with other values in place of some."""
        return Sentence(self.name, **{**self.values, **values})

    def __reduce_ex__(self, protocol: SupportsIndex) -> tuple[Any, ...]:
        return _again, (self.name, self.values)


def _again(name: str, values: Mapping[str, object]) -> Sentence:
    """Return a sentence that was copied or pickled."""
    return Sentence(name, **values)


def joined(texts: Iterable[str], by: str) -> str:
    """Return texts put together two by two by a text of the catalogue; no text for none.

    >>> joined(["A", "B", "C"], "joined.or")
    'A or B or C'
    """
    parts = list(texts)
    if not parts:
        return ""
    return reduce(lambda before, after: Sentence(by, before=before, after=after), parts)


def _form(name: str, number: int) -> str:
    return f"{name}.{'one' if number == 1 else 'other'}"


class _Plain(Words):
    """English with days and words of vocabularies as they are stored."""

    def word(self, word: Word) -> str:
        return word.value

    def day(self, day: dt.date) -> str:
        return day.isoformat()


@cache
def _plain() -> Words:
    return _Plain(_english())


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


def _columns() -> dict[str, str]:
    """Return what columns mean by their names, as the tables say it."""
    from scionreg.records.tables import KINDS, fields

    return {
        f"{COLUMN}{kind}.{each.name}": each.info["doc"] for kind in KINDS for each in fields(kind)
    }


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
    known = _columns().get(name) if name.startswith(COLUMN) else _english().get(name)
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
        if form and "|" in form:
            form = ""  # nouns are the language's own
        if name is not None:
            yield name + (f"!{conversion}" if conversion else "") + (f":{form}" if form else "")
