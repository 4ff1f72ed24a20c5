"""The command that types in what was written on paper."""

from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import By, Where, WordsFile, opened, recorder
from scionreg.records.errors import RegistryError
from scionreg.records.shell import quoted

if TYPE_CHECKING:
    from scionreg.entering import Entry


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

    Every cell and row is checked at once and kept at once; stop with Ctrl-D and go on another day
    with the same command. At the end all rows are recorded together, or none. The ditto sign
    repeats the cell above, < goes back, ? says what may stand in a cell, a full stop is the end.

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
        for line in entry.introduction():
            console.talk(line)
        try:
            keys = _follow(entry)
        except KeyboardInterrupt:
            _tell_kept(entry, sheet)
            raise
        except RegistryError:
            _tell_kept(entry, sheet)
            raise
    for key in keys:
        console.data(key)
    if keys:
        console.talk(said("typing.recorded", number=len(keys)))
    if not keys or entry.draft.unfinished():
        _tell_kept(entry, sheet)


def _follow(entry: "Entry") -> tuple[str, ...]:
    """Ask cell by cell; return the keys recorded at the end, none where it was stopped before."""
    row = None
    while True:
        if row != entry.draft.row:
            row = entry.draft.row
            console.talk(console.one_line(entry.heading()))
        answer = console.typed(entry.prompt, entry.offers)
        if answer is None:
            return ()
        said = entry.take(answer)
        for line in said.lines:
            console.talk(console.one_line(line))
        if said.over:
            return said.keys


def _tell_kept(entry: "Entry", sheet: str) -> None:
    if entry.draft.saves:
        console.talk(entry.words("typing.kept", file=entry.draft.path))
        console.talk(entry.words("typing.resume", sheet=quoted(sheet)))
