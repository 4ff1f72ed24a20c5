"""The command that says where an identity broke."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from scionreg.cli import console
from scionreg.cli.options import (
    By,
    Csv,
    Json,
    Where,
    WordsFile,
    Workings,
    Yes,
    one_asked,
    opened,
    workings_shown,
)
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.identity.off_type import OffType


def offtype(
    codes: Annotated[
        list[str] | None,
        typer.Argument(
            help="A single tree (graft lot/position or block/row/position), lot, dispatch, bundle, "
            "collection or mother tree; else all that was found off."
        ),
    ] = None,
    picture: Annotated[
        str, typer.Option(help="Draw the chain of one of them into this PNG or SVG file.")
    ] = "",
    page: Annotated[
        str, typer.Option(help="Write a one-page timeline of one of them into this HTML file.")
    ] = "",
    hold: Annotated[
        bool,
        typer.Option(
            "--hold", help="Hold what it proposes to hold, check, rename, graft over or remove."
        ),
    ] = False,
    words: WordsFile = None,
    workings: Workings = "",
    yes: Yes = False,
    registry: Where = "",
    by: By = "",
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Say where an identity broke, and what else shares the fault.

    Causes with probabilities, which of them nothing can tell apart, what is affected and excluded,
    and which check is worth its cost. With --hold it shows what it would hold, and asks. Exit code
    3 where a step of the chain likely failed.

    Examples: scionreg offtype G24-0029-6/6; scionreg offtype D26-0001-7 --picture chain.png
    """
    from scionreg.cli.holding import hold_proposed
    from scionreg.cli.telling_off_type import tell_off_types
    from scionreg.records.vocabulary import Failure

    if (picture or page) and len(codes or ()) != 1:
        raise RegistryError("a picture or a page is of one thing; name one code")
    with opened(registry) as opened_registry:
        asked = [one_asked(opened_registry, each) for each in codes or ()]
        with console.progress("weighing") as progress:
            found = opened_registry.off_types(*asked, progress=progress)
        shown = workings_shown(opened_registry, workings, found)
        if picture or page:
            _put_on_paper(opened_registry, found.answers[0], picture, page, words)
        stops = opened_registry.proposed_holds(found) if hold else []
        if shown:
            pass  # the answer is part of it
        elif json:
            proposed = {"holds": [each.to_dict() for each in stops]} if hold else {}
            console.as_json(found.to_dict() | proposed)
        elif csv:
            console.as_csv(found.to_rows())
        else:
            tell_off_types(found, in_full=bool(asked))
        if hold:
            hold_proposed(opened_registry, stops, by, yes=yes)
    if any(each.causes[0].failure != Failure.NONE_OF_THESE for each in found.answers):
        raise typer.Exit(3)


def _put_on_paper(
    registry: "Registry", found: "OffType", picture: str, page: str, words: Path | None
) -> None:
    if picture:
        from scionreg.documents.off_type_picture import draw_chain

        draw_chain(found, picture)
        console.talk(f"drawn: {picture}")
    if page:
        from scionreg.documents.off_type_page import write_page
        from scionreg.records.words import read_words

        write_page(found, registry.timeline(found.code), page, read_words(words))
        console.talk(f"written: {page}")
