"""Typing in what was written on paper: row by row, kept at every cell, recorded all at once."""

from scionreg.entering.checking import Checker
from scionreg.entering.draft import begin, lay_aside, place_of
from scionreg.entering.loop import SIGNS, Entry, Said
from scionreg.entering.printed import read_printed
from scionreg.records.words import Words, english
from scionreg.registry.store import Store

__all__ = ["SIGNS", "Entry", "Said", "open_entry"]


def open_entry(
    store: Store, sheet: str, *, by: str, anew: bool = False, words: Words | None = None
) -> Entry:
    """Return a sheet to type in, where it was left off.

    `sheet` is the name of one, for paper whose rows are blank, or the CSV file that was written
    with the paper and has its rows filled in. What the person `by` typed of it and did not record
    yet is there again; with `anew` it is laid aside. `words` is the language, English if None.

    Raises
    ------
    RegistryError
        There is no such sheet or file, or rows of another one are not recorded yet.
    """
    printed = read_printed(sheet)
    path = place_of(store, printed.name, by)
    if anew:
        lay_aside(path)
    draft = begin(path, name=printed.name, kind=printed.kind, filled=printed.rows, of=printed.of)
    return Entry(Checker(store, printed.kind, by=by, words=words or english()), draft)
