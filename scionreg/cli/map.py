"""The command that draws maps."""

from collections.abc import Collection
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from scionreg.cli import console
from scionreg.cli.options import (
    By,
    Finish,
    Gates,
    Start,
    Where,
    ends_of,
    gates_of,
    listed,
    opened,
)
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.api import Registry
    from scionreg.map_pages import Links


class What(StrEnum):
    """What a map is of."""

    MOTHER_TREES = "mother-trees"
    TRACE = "trace"
    RECALL = "recall"
    WALK = "walk"
    CONFUSION = "confusion"
    ROWS_BY_TAKE = "rows-by-take"
    ROWS_BY_IDENTITY = "rows-by-identity"


ROWS = (What.ROWS_BY_TAKE, What.ROWS_BY_IDENTITY)
OF_CODES = (What.TRACE, What.RECALL, What.WALK)
OWN_OPTIONS = {
    "cultivar": (What.MOTHER_TREES, What.CONFUSION),
    "with_pages": (What.MOTHER_TREES,),
    **dict.fromkeys(("list", "start", "finish", "gate"), (What.WALK,)),
    "block": ROWS,
    "season": (*ROWS, What.WALK),
}
"""Options that mean something for some maps only."""
PICTURES = (".png", ".svg")
LAYERS = (".gpkg", ".geojson", ".gpx", ".csv")
"""Endings of files that are no page, as `documents.map_pictures` and `exchange.geo_out` write."""


def map_(
    what: Annotated[What, typer.Argument(help="What the map is of.")],
    codes: Annotated[
        list[str] | None,
        typer.Argument(help="What to trace, to recall, or which trees to walk to."),
    ] = None,
    into: Annotated[
        str,
        typer.Option(
            help="The file to write, by its ending: .html a page, .png or .svg a picture for "
            "paper, .gpkg, .geojson, .gpx or .csv for other programs; else a page named after "
            "what it is of."
        ),
    ] = "",
    colour_by: Annotated[
        str,
        typer.Option(help="Colour a picture by: status, identity, pressure or take, say."),
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
    list_: Annotated[
        Path | None,
        typer.Option(
            "--list",
            help="The trees of a walk as CSV with a column tree, maybe sticks and season, as plan "
            "--csv writes.",
        ),
    ] = None,
    block: Annotated[str, typer.Option(help="Only rows of this block.")] = "",
    season: Annotated[
        int | None,
        typer.Option(help="Rows grafted in this season, else the last of each block; of a list."),
    ] = None,
    start: Start = "",
    finish: Finish = "",
    gate: Gates = None,
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
    """Draw a map: a page that opens without a network, a picture, or layers for a GIS.

    Mother trees with what is known of them; where something came from (trace) and what shares its
    source (recall); trees in walking order with neighbours not to cut (walk); trees of two
    cultivars that may be taken for each other (confusion); nursery rows by take or by identity.
    Private places are left out, or blurred as the settings say.

    Examples: scionreg map mother-trees --into trees.html; scionreg map trace G24-0029-6/6;
    scionreg map rows-by-take --block N25 --into rows.html;
    scionreg map mother-trees --into trees.gpkg; scionreg map confusion --into confusion.png
    """
    from scionreg.cartography.page import PAGES, write_page
    from scionreg.documents.map_pictures import draw_map
    from scionreg.map_pages import file_of

    named = codes or []
    own: dict[str, Any] = {"cultivar": cultivar, "block": block, "season": season}
    asked = {"with_pages": with_pages, "list": list_, "start": start, "finish": finish}
    _check(what, named, **asked, gate=gate, **own)
    if what == What.WALK:
        ends: Any = ends_of(start, finish)
        own = {"sticks": listed(list_, season), "gates": gates_of(gate), **ends}
    file = Path(into or file_of(what, "+".join(named)))
    shared: dict[str, Any] = {"tiles": basemap, "show_private": show_private, "recorder": by}
    ending = file.suffix.lower()
    if ending not in (*PAGES, *PICTURES, *LAYERS):
        endings = ", ".join((PAGES[0], *PICTURES, *LAYERS))
        raise RegistryError(f"'{file}' is no kind of map; let its name end in one of {endings}")
    if colour_by and ending not in PICTURES:
        raise RegistryError("--colour-by is for pictures; a page has a switch for it")
    if ending in LAYERS:
        _write_layers(registry, what, named, file, show_private=show_private, by=by, **own)
        return
    with opened(registry) as opened_registry, console.progress("drawing"):
        links = write_pages(opened_registry, file.parent, **shared) if with_pages else None
        given = {name: value for name, value in own.items() if value}
        page = opened_registry.map_page(what, *named, links=links, **shared, **given)
        if ending in PICTURES:
            draw_map(page, file, by=colour_by)
        else:
            write_page(page, file)
    for line in page.says:
        console.talk(line)
    if page.basemap is not None:
        console.talk(f"{page.basemap.heading}: {page.basemap.terms} {page.basemap.terms_page}")
    console.data(str(file))


def _write_layers(
    registry: str,
    what: What,
    codes: list[str],
    file: Path,
    *,
    show_private: bool,
    by: str,
    **own: Any,
) -> None:
    """Write what the map shows as layers for other programs."""
    from scionreg.exchange.geo_out import write_layers

    kind = "rows" if what in ROWS else what.value
    given = {name: value for name, value in own.items() if value}
    with opened(registry) as opened_registry, console.progress("laying out"):
        found = opened_registry.layers(
            kind, *codes, show_private=show_private, recorder=by, **given
        )
        write_layers(found.layers, file)
    for note in found.notes:
        console.talk(note)
    if what not in ROWS:
        console.talk("places of mother trees are worth keeping to oneself")
    console.data(str(file))


def _check(what: What, codes: list[str], **options: Any) -> None:
    """Refuse what means nothing for this map."""
    if what in OF_CODES and bool(codes) == bool(options["list"]):
        raise RegistryError(
            f"name what to {what}, as in: scionreg map {what} "
            + ("T26-0001-5 T26-0002-8, or a --list of them" if what == What.WALK else "G26-0001-5")
        )
    if codes and what not in OF_CODES:
        raise RegistryError(f"the map {what} is of all of them; {' '.join(codes)} is not needed")
    for name, value in options.items():
        if value and what not in OWN_OPTIONS[name]:
            option = name.replace("_", "-")
            raise RegistryError(f"--{option} is for {' and '.join(OWN_OPTIONS[name])} only")


def write_pages(
    registry: "Registry", folder: Path, *, trees: Collection[str] = (), **shared: Any
) -> "Links":
    """Write a page of where each mother tree came from, and where its wood went; return links.

    Of all trees, or only of `trees`; `shared` as `Registry.map_page`.
    """
    from scionreg.cartography.page import write_page
    from scionreg.map_pages import file_of

    cut = {each["tree"] for each in registry.records("collections")}
    wanted = [
        (each["tree"], what, says)
        for each in registry.records("mother_trees")
        for what, says, there in (
            ("trace", "Where it came from", "graft_lot" in each),
            ("recall", "Where its wood went", each["tree"] in cut),
        )
        if there and (not trees or each["tree"] in trees)
    ]
    links: dict[str, list[tuple[str, str]]] = {}
    with console.progress("drawing") as progress:
        for number, (tree, what, says) in enumerate(wanted, 1):
            write_page(registry.map_page(what, tree, **shared), folder / file_of(what, tree))
            links.setdefault(tree, []).append((says, file_of(what, tree)))
            progress(number, len(wanted))
    return links
