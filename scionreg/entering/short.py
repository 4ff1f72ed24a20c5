"""What may be typed in short: words by their beginning, codes by their last digits."""

import re
from collections.abc import Iterable, Mapping

from sqlalchemy import Connection, select

from scionreg.records import codes
from scionreg.records.cells import dates
from scionreg.records.tables import code_column

LAST_DIGITS = re.compile(r"\d{1,7}", re.ASCII)

OF_ONE_SEASON = frozenset({"collections", "bundles", "graft_lots", "dispatches", "identity_checks"})
"""Kinds of which those of the season are meant; trees, stores and rootstocks stay for years."""


def looks_like_day(text: str) -> bool:
    """Tell whether a text is, or may be meant as, a day."""
    return bool(
        dates.readings(text)
        or dates.months_and_days(text)
        or dates.NUMBERS.fullmatch(text)
        or text.casefold() in dates.RELATIVE
    )


def beginning_of(text: str, known: Mapping[str, str]) -> list[str]:
    """Return the stored words that a text begins, or whose initials it is.

    `known` are the words as stored by how they may be typed, in small letters.

    >>> beginning_of("e", {"counted": "counted", "estimated": "estimated"})
    ['estimated']
    >>> beginning_of("wt", {"whip": "whip", "whip and tongue": "whip_and_tongue"})
    ['whip_and_tongue']
    """
    wanted = text.casefold()
    begun = {stored for typed, stored in known.items() if typed.startswith(wanted)}
    if not begun:
        begun = {stored for typed, stored in known.items() if wanted in _initials(typed)}
    return sorted(begun)


def _initials(words: str) -> tuple[str, str]:
    """Return the initials of words, all of them and without the small word and."""
    parts = words.split()
    return "".join(part[0] for part in parts), "".join(p[0] for p in parts if p != "and")


def codes_ending(connection: Connection, kinds: Iterable[str], text: str, season: int) -> list[str]:
    """Return the issued codes that are recorded and have a serial number, or it and the digit.

    `417` and `4177` are both B26-0417-7; zeros at the beginning leave no other serial. Of what is
    made anew every season, codes of the `season` come before all others.
    """
    if not LAST_DIGITS.fullmatch(text):
        return []
    found: list[str] = []
    for kind in kinds:
        if letter := codes.LETTER_OF.get(kind):
            wanted = [code for year in range(100) for code in _with_digits(letter, year, text)]
            column = code_column(kind)
            there = set(connection.execute(select(column).where(column.in_(wanted))).scalars())
            now = {code for code in there if code[1:3] == f"{season % 100:02d}"}
            found += sorted(now or there if kind in OF_ONE_SEASON else there)
    return found


def _with_digits(letter: str, year: int, text: str) -> Iterable[str]:
    """Yield the codes of a year that the last digits typed may be of."""
    yield from _of_serial(letter, year, text)
    for code in _of_serial(letter, year, text[:-1]):
        if code.endswith(text[-1]):
            yield code


def _of_serial(letter: str, year: int, serial: str) -> Iterable[str]:
    if serial and int(serial) > 0:
        code = codes.issue(letter, year, int(serial))
        if not serial.startswith("0") or f"-{serial}-" in code:
            yield code
