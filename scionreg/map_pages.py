"""Maps as pages: the layers of a registry, with what is told of them beside."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg import mapping
from scionreg.cartography.basemaps import basemap
from scionreg.cartography.chain_pages import recall_page, trace_page
from scionreg.cartography.page import MapPage
from scionreg.cartography.row_pages import rows_page
from scionreg.cartography.tree_lines import histories
from scionreg.cartography.tree_page import mother_trees_page
from scionreg.lineage.recall import OfCode, recall
from scionreg.lineage.trace import trace
from scionreg.lineage.tree_books import read_tree_books
from scionreg.records.errors import RegistryError
from scionreg.registry.settings import read_settings

if TYPE_CHECKING:
    from scionreg.mapping import MapLayers

Links = Mapping[str, Sequence[tuple[str, str]]]
"""By tree: texts, and files beside the page."""


def file_of(what: str, code: str = "") -> str:
    """Return the name of the file that the page about something goes by."""
    return f"{what}-{re.sub(r'[^A-Za-z0-9.-]', '_', code)}.html" if code else f"{what}.html"


def page_of(
    connection: Connection,
    what: str,
    codes: Sequence[str] = (),
    *,
    tiles: str = "",
    show_private: bool = False,
    links: Links | None = None,
    **options: Any,
) -> MapPage:
    """Return a map as a page.

    Parameters
    ----------
    what : one of `PAGES`.
    codes : what it is of, where it is of something.
    tiles : name of a basemap from the network; none unless named.
    links : further pages to go to from a mother tree.
    options : as `mapping.layers_of`.

    Raises
    ------
    RegistryError
        There is no such map or basemap, it is not of `codes`, or there is nothing to draw.
    """
    if what not in PAGES:
        raise RegistryError(f"there is no map of '{what}'; there are {', '.join(PAGES)}")
    below = basemap(tiles) if tiles else None
    kind, build, more = PAGES[what]
    found = mapping.layers_of(connection, kind, codes, show_private=show_private, **more, **options)
    page = build(connection, found, codes, links or {})
    return replace(page, units=read_settings(connection).units, basemap=below)


def _mother_trees(
    connection: Connection, found: "MapLayers", codes: Sequence[str], links: Links
) -> MapPage:
    history = histories(read_tree_books(connection))
    return mother_trees_page(found, history=history, links=links)


def _trace(connection: Connection, found: "MapLayers", codes: Sequence[str], _: Links) -> MapPage:
    return trace_page(found, trace(connection, codes[0]))


def _recall(connection: Connection, found: "MapLayers", codes: Sequence[str], _: Links) -> MapPage:
    return recall_page(found, recall(connection, [OfCode(code) for code in codes]))


EACH = {"each_position": True}
PAGES: dict[str, tuple[str, Callable[..., MapPage], dict[str, Any]]] = {
    "mother-trees": ("mother-trees", _mother_trees, {}),
    "trace": ("trace", _trace, {}),
    "recall": ("recall", _recall, {}),
    "rows-by-take": ("rows", lambda connection, found, *_: rows_page(found, "take"), EACH),
    "rows-by-identity": ("rows", lambda connection, found, *_: rows_page(found, "looked"), EACH),
}
"""What there are maps of: the layers it is drawn from, the page, and options of the layers."""
