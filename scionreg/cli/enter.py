"""The command that types in what was written on paper."""

from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import By, Where, WordsFile, opened, recorder
from scionreg.records.errors import RegistryError
from scionreg.records.shell import quoted

if TYPE_CHECKING:
    from scionreg.entering import Entry
    from scionreg.registry.recording import Recorded


def enter(
    sheet: Annotated[
        str,
        typer.Argument(
            help="cutting, packing, grafting, counting, identity or cooler, any record kind, or "
            "the CSV file that was written with the paper."
        ),
    ],
    anew: Annotated[
        bool,
        typer.Option("--anew", help="Begin anew; what was typed and not recorded is laid aside."),
    ] = False,
    words: WordsFile = None,
    registry: Where = "",
    by: By = "",
) -> None:
    """Type in a field sheet, row by row as on the paper.

    Every cell and row is checked at once and kept at once; stop with Ctrl-D (on Windows Ctrl-Z and
    Enter) and go on another day with the same command. At the end all rows are recorded together,
    or none. Enter takes what is offered, the ditto sign repeats the cell above, < goes back, ? says
    what may stand in a cell, a comma takes the rest as offered, a full stop is the end.

    Examples: scionreg enter counting; scionreg enter counting.csv
    """
    if not console.is_terminal():
        raise RegistryError(
            "nobody is here to type; a filled CSV file or workbook goes in with: scionreg import"
        )
    from scionreg.records.words import read_words

    said = read_words(words)
    with opened(registry) as opened_registry:
        who = recorder(opened_registry, by)
        entry = opened_registry.enter(sheet, recorder=who, anew=anew, words=said)
        try:
            made = follow(entry)
        except (KeyboardInterrupt, RegistryError):
            _tell_kept(entry, sheet)
            raise
    for each in made or ():
        console.data(each.key)
    if made:
        console.talk(said("typing.recorded", number=len(made)))
    if not made or entry.draft.unfinished():
        _tell_kept(entry, sheet)


def follow(entry: "Entry") -> "tuple[Recorded, ...] | None":
    """Ask cell by cell; return the records made at the end, None where it was stopped before."""
    for line in entry.introduction():
        console.talk(console.one_line(line))
    row = None
    while True:
        if row != entry.draft.row:
            row = entry.draft.row
            for line in entry.opening():
                console.talk(console.one_line(line))
        answer = console.typed(entry.prompt, entry.offers)
        if answer is None:
            return None
        said = entry.take(answer)
        for line in said.lines:
            console.talk(console.one_line(line))
        if said.over:
            return said.made


def _tell_kept(entry: "Entry", sheet: str) -> None:
    if entry.draft.saves:
        console.talk(entry.words("typing.kept", file=entry.draft.path))
        console.talk(entry.words("typing.resume", sheet=quoted(sheet)))
