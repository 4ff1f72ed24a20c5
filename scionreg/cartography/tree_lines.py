"""The history of a mother tree in short lines, newest first, for its pop-up on a map.

People and free text are left out, since a map may leave the nursery.
"""

import datetime as dt
from collections.abc import Iterable, Iterator

from scionreg.lineage.tree_books import Check, TreeBook
from scionreg.records.vocabulary import CheckMethod, TreeEventKind

MOST_LINES = 12
LOOKED: dict[str, str] = {
    CheckMethod.DNA: "marker profile",
    CheckMethod.FRUIT: "fruit",
    CheckMethod.LEAF: "leaf and habit",
    CheckMethod.BUD: "buds",
    CheckMethod.PAPER: "papers",
}
HAPPENED: dict[str, str] = {
    TreeEventKind.HOLD: "put on hold",
    TreeEventKind.NOTICE: "put under notice",
    TreeEventKind.RELEASED: "hold ended",
}


def history(book: TreeBook) -> list[str]:
    """Return what is recorded of a tree, newest first, the undated last; `MOST_LINES` at most."""
    dated = sorted(_lines(book), key=lambda line: line[0] or dt.date.min, reverse=True)
    told = [f"{day or 'day not recorded'}: {text}" for day, text in dated]
    rest = len(told) - MOST_LINES
    return told if rest <= 0 else [*told[:MOST_LINES], f"and {rest} earlier"]


def _lines(book: TreeBook) -> Iterator[tuple[dt.date | None, str]]:
    if book.planted is not None:
        yield book.planted, "planted"
    for event in book.events:
        text = HAPPENED.get(event.event, event.event.replace("_", " "))
        yield event.date, text + _of_limb(event.limb)
    for check in book.checks:
        yield check.date, _looked(check)
    for cut in book.cuts:
        yield cut.date, f"cut, {cut.sticks} sticks{_of_limb(cut.limb)}"


def _looked(check: Check) -> str:
    by = f"looked at by {LOOKED.get(check.method, check.method)}{_of_limb(check.limb)}"
    if not check.off:
        return f"{by}: as named"
    return f"{by}: not as named" + (f", {check.found}" if check.found else "")


def _of_limb(limb: str | None) -> str:
    return f" ({limb})" if limb else ""


def histories(books: Iterable[TreeBook]) -> dict[str, list[str]]:
    """Return the history of each tree, by its code."""
    return {book.tree: history(book) for book in books}
