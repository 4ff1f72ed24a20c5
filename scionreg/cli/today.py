"""The command that tells what a day asks for."""

from pathlib import Path
from typing import Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import Json, Where, WordsFile, opened

MOST = 15
"""Rows of one part on the screen."""


def today(
    at: Annotated[str, typer.Option(help="As it is on this day; else today.")] = "",
    until: Annotated[str, typer.Option(help="What runs out until this day; else four weeks.")] = "",
    into: Annotated[
        Path | None, typer.Option(help="Write it as a page to print: a PDF or HTML file.")
    ] = None,
    words: WordsFile = None,
    registry: Where = "",
    json: Json = False,
) -> None:
    """Tell what is due, what runs out, what is wrong and what changed.

    Lots to count, stores to look through, wood to use first and wood that may not be used; looks,
    rights, permissions, ages and rests that end; holds, alarms, sheets not recorded yet, and what
    was recorded since yesterday.

    Examples: scionreg today; scionreg today --until 2027-03-31 --into today.pdf
    """
    from scionreg.cli.answers import day_option
    from scionreg.documents.pdf import unknown_letters
    from scionreg.documents.today_page import today_paper, write_today
    from scionreg.records.words import read_words

    used = read_words(words)
    with opened(registry) as opened_registry:
        found = opened_registry.today(at=day_option(at), until=day_option(until))
    if into is not None:
        paper = write_today(found, into, used)
        console.talk(f"written: {into}")
        if into.suffix.lower() == ".pdf":
            console.lacking(unknown_letters("".join(paper.texts())))
    if json:
        console.as_json(found.to_dict())
    elif into is None:
        paper = today_paper(found, used, MOST)
        console.data(console.one_line(paper.lead))
        for section in paper.sections:
            console.data("")
            console.data(section.title)
            if section.table is not None:
                names = {str(i): name for i, name in enumerate(section.table.columns)}
                lines = [dict(zip(names, row, strict=True)) for row in section.table.rows]
                console.table(lines, names)
            for line in section.lines:
                console.data(line)
