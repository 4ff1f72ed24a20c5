"""The command that draws maps."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scionreg.cli import console
from scionreg.cli.options import By, Where, opened
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.map_pages import Links


class What(StrEnum):
    """What a map is of."""

    MOTHER_TREES = "mother-trees"
    TRACE = "trace"
    RECALL = "recall"
    ROWS_BY_TAKE = "rows-by-take"
    ROWS_BY_IDENTITY = "rows-by-identity"


ROWS = (What.ROWS_BY_TAKE, What.ROWS_BY_IDENTITY)
OF_CODES = (What.TRACE, What.RECALL)
OWN_OPTIONS = {
    "cultivar": (What.MOTHER_TREES,),
    "with_pages": (What.MOTHER_TREES,),
    "block": ROWS,
    "season": ROWS,
}
"""Options that mean something for some maps only."""


def map_(
    what: Annotated[What, typer.Argument(help="What the map is of.")],
    codes: Annotated[
        list[str] | None, typer.Argument(help="What to trace or recall, else none.")
    ] = None,
    into: Annotated[
        str, typer.Option(help="The HTML file to write; else named after what it is of.")
    ] = "",
    cultivar: Annotated[str, typer.Option(help="Only mother trees of this cultivar.")] = "",
    with_pages: Annotated[
        bool,
        typer.Option(
            "--with-pages",
            help="Beside the mother trees also a page of each: where it came from, where its wood "
            "went.",
        ),
    ] = False,
    block: Annotated[str, typer.Option(help="Only rows of this block.")] = "",
    season: Annotated[
        int | None, typer.Option(help="Rows grafted in this season; else the last of each block.")
    ] = None,
    basemap: Annotated[
        str,
        typer.Option(
            help="A picture of the ground from the network: street, usa-aerial or "
            "usa-topographic. Whoever serves it learns where the map is looked at."
        ),
    ] = "",
    show_private: Annotated[
        bool,
        typer.Option("--show-private", help="Show private places too; the journal keeps by whom."),
    ] = False,
    by: By = "",
    registry: Where = "",
) -> None:
    """Draw a map as one page that opens without a network.

    Mother trees with what is known of them; where something came from (trace) and what shares its
    source (recall); nursery rows by take or by identity. Private places are left out, or blurred as
    the settings say.

    Examples: scionreg map mother-trees --into trees.html; scionreg map trace G24-0029-6/6;
    scionreg map rows-by-take --block N25 --into rows.html
    """
    from scionreg.cartography.page import write_page
    from scionreg.map_pages import file_of

    named = codes or []
    own: dict[str, Any] = {"cultivar": cultivar, "block": block, "season": season}
    _check(what, named, own | {"with_pages": with_pages})
    file = Path(into or file_of(what, "+".join(named)))
    shared: dict[str, Any] = {"tiles": basemap, "show_private": show_private, "recorder": by}
    with opened(registry) as opened_registry:
        links = write_pages(opened_registry, file.parent, **shared) if with_pages else None
        chosen = {name: value for name, value in own.items() if value}
        page = opened_registry.map_page(what, *named, links=links, **shared, **chosen)
        write_page(page, file)
    for line in page.says:
        console.talk(line)
    if page.basemap is not None:
        console.talk(f"{page.basemap.heading}: {page.basemap.terms} {page.basemap.terms_page}")
    console.data(str(file))


def _check(what: What, codes: list[str], options: dict[str, Any]) -> None:
    """Refuse what means nothing for this map."""
    if what in OF_CODES and not codes:
        raise RegistryError(f"name what to {what}, as in: scionreg map {what} G24-0029-6")
    if codes and what not in OF_CODES:
        raise RegistryError(f"the map {what} is of all of them; {' '.join(codes)} is not needed")
    for name, value in options.items():
        if value and what not in OWN_OPTIONS[name]:
            option = name.replace("_", "-")
            raise RegistryError(f"--{option} is for {' and '.join(OWN_OPTIONS[name])} only")


def write_pages(registry: "Registry", folder: Path, **shared: Any) -> "Links":
    """Write pages of what the mother trees came from and where their wood went; return links."""
    from scionreg.cartography.page import write_page
    from scionreg.map_pages import file_of

    trees = list(registry.records("mother_trees"))
    cut = {each["tree"] for each in registry.records("collections")}
    links: dict[str, list[tuple[str, str]]] = {}
    with console.progress("drawing") as progress:
        for number, tree in enumerate(trees, 1):
            code = tree["tree"]
            wanted = [("trace", "Where it came from")] if tree.get("graft_lot") else []
            wanted += [("recall", "Where its wood went")] if code in cut else []
            for what, says in wanted:
                write_page(registry.map_page(what, code, **shared), folder / file_of(what, code))
                links.setdefault(code, []).append((says, file_of(what, code)))
            progress(number, len(trees))
    return links
