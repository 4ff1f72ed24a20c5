"""Words that a nursery adds to a vocabulary: settings named ``words.GROUP.WORD``.

A setting's text tells what the word is by parts with ``;`` between them: ``also=`` its other
spellings with commas between, ``means=`` its meaning, and of a method ``sticks=`` how many sticks a
graft takes and ``take=`` the share that usually takes. All of them may be left out.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import Condition, GraftMethod, Role, Word, spelling

PREFIX = "words."

VOCABULARIES: dict[str, type[Word]] = {
    "method": GraftMethod,
    "condition": Condition,
    "role": Role,
}
"""The vocabularies that a nursery may add words to, by the group that settings call them by."""

WORD = re.compile(r"[a-z][a-z0-9_]{0,39}", re.ASCII)
NUMBERS = {"sticks": (1.0, 0.01, 9.99), "take": (0.7, 0.01, 0.99)}
"""What a method's numbers are where nothing is said, and their least and most."""

STICKS = len("sticks=") + 1, len("1.00")
"""Where a method's sticks a graft stand in its setting, for SQL: from which sign, how many."""


@dataclass(frozen=True, slots=True)
class OwnWord:
    """A word of a nursery's own: `sticks` a graft and the usual `take` are a method's alone."""

    group: str
    word: str
    also: tuple[str, ...] = ()
    means: str = ""
    sticks: float = NUMBERS["sticks"][0]
    take: float = NUMBERS["take"][0]

    @property
    def text(self) -> str:
        """Return the setting's text, always of the same form."""
        numbers = [f"sticks={self.sticks:.2f}", f"take={self.take:.2f}"]
        told = [f"also={','.join(self.also)}"] if self.also else []
        if self.means or not self.also:
            told.append(f"means={self.means or self.word.replace('_', ' ')}")
        return ";".join((numbers if self.group == "method" else []) + told)

    @property
    def spellings(self) -> set[str]:
        """Return what may be typed for it, as `spelling` has it."""
        return {spelling(each) for each in (self.word, *self.also)}


def is_own_word(name: str) -> bool:
    """Tell whether a setting is a word."""
    return name.startswith(PREFIX)


def read_own_word(name: str, text: str) -> OwnWord:
    """Return the word that a setting adds.

    Raises
    ------
    RegistryError
        Its name or text is none of a word's; the message says what would be.
    """
    group, _, word = name.removeprefix(PREFIX).partition(".")
    if group not in VOCABULARIES:
        raise RegistryError(
            f"there are no words '{group}' to add to; there are {', '.join(VOCABULARIES)}, as in "
            "words.method.NAME"
        )
    if not WORD.fullmatch(word):
        raise RegistryError(
            f"'{word}' is no word; write at most 40 small letters, digits and _, as in side_veneer"
        )
    if word in {each.value for each in VOCABULARIES[group]}:
        raise RegistryError(f"'{word}' is a word of the registry already")
    told = _parts(name, group, text)
    numbers = {each: _number(name, each, told[each]) for each in NUMBERS if each in told}
    also = tuple(filter(None, (each.strip() for each in told.get("also", "").split(","))))
    return OwnWord(group, word, also, told.get("means", ""), **numbers)


def _parts(name: str, group: str, text: str) -> dict[str, str]:
    known = (*(NUMBERS if group == "method" else ()), "also", "means")
    told = {}
    for part in filter(str.strip, text.split(";")):
        key, equals, value = part.partition("=")
        if not equals or key.strip() not in known:
            example = "sticks=1;take=0.7;also=side veneer" if group == "method" else "also=frosty"
            raise RegistryError(
                f"'{part.strip()}' tells nothing of {name}; its parts are {', '.join(known)}, "
                f'as in "{example}"'
            )
        told[key.strip()] = value.strip()
    return told


def _number(name: str, which: str, text: str) -> float:
    _, least, most = NUMBERS[which]
    try:
        number = round(float(text), 2)
    except ValueError:
        number = float("nan")
    if not least <= number <= most:
        raise RegistryError(
            f"'{text}' is no {which} of {name}; write a number from {least:g} to {most:g}"
        )
    return number


def own_words(settings: Mapping[str, str]) -> list[OwnWord]:
    """Return the words among settings by name."""
    return [read_own_word(name, text) for name, text in settings.items() if is_own_word(name)]


def check_apart(words: list[OwnWord]) -> None:
    """Raise `RegistryError` where a spelling would mean two words.

    A nursery's word goes before another spelling of a word of the registry, so that a method that
    counts as a kind of another may be told from it; it does not go before the word itself.
    """
    for group, vocabulary in VOCABULARIES.items():
        meant = {spelling(each.value): each.value for each in vocabulary}
        for own in words:
            if own.group != group:
                continue
            for each in sorted(own.spellings):
                other = meant.setdefault(each, own.word)
                if other != own.word:
                    raise RegistryError(f"'{each}' of {own.word} is a spelling of {other} already")


def by_spelling(words: list[OwnWord]) -> dict[str, dict[str, str]]:
    """Return the words by group and spelling."""
    found: dict[str, dict[str, str]] = {}
    for own in words:
        found.setdefault(own.group, {}).update(dict.fromkeys(own.spellings, own.word))
    return found
