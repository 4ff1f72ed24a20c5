"""The command that writes field sheets: paper to fill in, and files of the same rows."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.answers import day_option
from scionreg.cli.options import By, Where, WordsFile, opened, recorder
from scionreg.records.errors import RegistryError


class Size(StrEnum):
    """Paper."""

    A4 = "A4"
    LETTER = "Letter"


def sheets(
    sheet: Annotated[
        str,
        typer.Argument(
            help="cutting, packing, grafting, counting, identity or cooler; all is a workbook of "
            "every record kind."
        ),
    ],
    files: Annotated[
        list[Path],
        typer.Argument(
            help="Where to: .pdf is paper, .csv its rows for scionreg enter, .xlsx a workbook to "
            "fill in."
        ),
    ],
    code: Annotated[
        list[str] | None,
        typer.Option(
            help="What a row is about: a tree to cut, a cutting to pack, a bundle, a graft lot; "
            "repeat it. Else what is due."
        ),
    ] = None,
    list_: Annotated[
        Path | None,
        typer.Option(
            "--list", help="CSV of trees to cut, maybe with sticks, as plan --csv writes."
        ),
    ] = None,
    season: Annotated[
        int | None, typer.Option(help="The season meant, where the list has several.")
    ] = None,
    person: Annotated[str, typer.Option("--for", help="Code of who fills it in.")] = "",
    date: Annotated[
        str, typer.Option(help="Day it is filled in (2026-02-14, today); it stands in every row.")
    ] = "",
    block: Annotated[str, typer.Option(help="Only work in this block.")] = "",
    row: Annotated[int | None, typer.Option(help="Only work in this row of the block.")] = None,
    store: Annotated[str, typer.Option(help="Only wood in this store.")] = "",
    blank: Annotated[int, typer.Option(min=0, max=1000, help="Empty rows after the others.")] = 3,
    codes: Annotated[
        bool,
        typer.Option(
            "--codes", help="Reserve a code for each row, so that paper and labels have it already."
        ),
    ] = False,
    filled: Annotated[
        bool,
        typer.Option(
            "--filled",
            help="With all: every record stands in it; change it, then scionreg import --correct.",
        ),
    ] = False,
    paper: Annotated[
        Size | None, typer.Option(help="Else A4, or Letter for a registry with US units.")
    ] = None,
    words: WordsFile = None,
    registry: Where = "",
    by: By = "",
) -> None:
    """Write field sheets: rows filled in from the registry, columns as in the CSV file.

    Without --code or --list the rows are what is due: trees that may be cut in walking order,
    cuttings to pack, bundles to use first, lots to count, trees to look at, bundles in store.

    Examples: scionreg sheets counting counting.pdf counting.csv --date 2026-06-15 --for P05;
    scionreg sheets all records.xlsx
    """
    from scionreg.documents.field_sheets.filling import Wanted
    from scionreg.documents.pdf import unknown_letters
    from scionreg.records.words import read_words
    from scionreg.sheeting import write_sheets
    from scionreg.walking import read_cutting_list

    if code and list_ is not None:
        raise RegistryError("name the codes or a list of them, not both")
    if row is not None and not block:
        raise RegistryError("a row is one of a block; name it with --block")
    about = read_cutting_list(list_, season) if list_ is not None else dict.fromkeys(code or ())
    wanted = Wanted(
        about=about,
        day=day_option(date),
        person=person,
        block=block,
        row=row,
        store=store,
    )
    with opened(registry) as opened_registry:
        written = write_sheets(
            opened_registry,
            sheet,
            files,
            wanted,
            read_words(words),
            paper=paper or "",
            blank=blank,
            reserve=codes,
            filled=filled,
            recorder=recorder(opened_registry, by) if codes else "",
        )
    for file in files:
        console.data(str(file))
    if written is not None:
        if any(file.suffix.lower() == ".pdf" for file in files):
            console.lacking(unknown_letters("".join(written.texts())))
        number = sum(bool(line.cells) for line in written.lines)
        console.talk(
            f"rows filled in: {number}" if number else "nothing is due: the rows are empty"
        )
