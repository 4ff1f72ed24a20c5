"""Which of some known names was probably meant by another."""

import difflib
from collections.abc import Iterable

from scionreg.records.vocabulary import spelling

OFFERED = 3


def nearest(name: str, known: Iterable[str]) -> list[str]:
    """Return the known names that `name` is near to, likeliest first: misspelt, or cut short.

    >>> nearest("unit", ["units", "time_zone"]), nearest("blur", ["place.private_blur_m"])
    (['units'], ['place.private_blur_m'])
    """
    spelled = {spelling(each): each for each in known}
    wanted = spelling(name)
    close = difflib.get_close_matches(wanted, spelled, OFFERED, 0.75)
    close += [each for each in spelled if len(wanted) > 2 and wanted in each]
    return [spelled[each] for each in dict.fromkeys(close)][:OFFERED]


def perhaps(name: str, known: Iterable[str], else_: str) -> str:
    """Return what is right where `name` is not: the nearest known names, else as `else_` says."""
    near = nearest(name, known)
    return f"perhaps {' or '.join(near)}" if near else else_
