"""Maps as pages: the layers of a registry, with what is told of them beside."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from scionreg import mapping
from scionreg.cartography.basemaps import basemap
from scionreg.cartography.chain_pages import recall_page, trace_page
from scionreg.cartography.meridian import in_one_piece
from scionreg.cartography.page import MapPage
from scionreg.cartography.row_pages import rows_page
from scionreg.cartography.tree_lines import histories
from scionreg.cartography.tree_page import mother_trees_page
from scionreg.cartography.walk_pages import confusion_page, walk_page
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a page is asked for: of which codes, and how."""

    connection: Connection
    codes: Sequence[str]
    sticks: Mapping[str, int | None] | None
    show_private: bool
    links: Links
    units: str
    options: Mapping[str, Any]

    def layers(self, kind: str, **more: Any) -> "MapLayers":
        """Return the layers of a kind, errors as `mapping.layers_of`."""
        return mapping.layers_of(
            self.connection,
            kind,
            self.codes,
            show_private=self.show_private,
            **more,
            **self.options,
        )


def page_of(
    connection: Connection,
    what: str,
    codes: Sequence[str] = (),
    *,
    sticks: Mapping[str, int | None] | None = None,
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
    sticks : the trees of a walk with the sticks to cut of each, in place of codes.
    tiles : name of a basemap from the network; none unless named.
    links : further pages to go to from a mother tree.
    options : as the function of its kind in `mapping`.

    Raises
    ------
    RegistryError
        There is no such map or basemap, it is not of `codes`, or there is nothing to draw.
    """
    if what not in PAGES:
        raise RegistryError(f"there is no map of '{what}'; there are {', '.join(PAGES)}")
    below = basemap(tiles) if tiles else None
    asked = Asked(
        connection=connection,
        codes=codes,
        sticks=sticks,
        show_private=show_private,
        links=links or {},
        units=read_settings(connection).units,
        options=options,
    )
    page = PAGES[what](asked)
    frames = in_one_piece([each.frame for each in page.layers])
    layers = (replace(one, frame=its) for one, its in zip(page.layers, frames, strict=True))
    return replace(page, layers=tuple(layers), units=asked.units, basemap=below)


def _mother_trees(asked: Asked) -> MapPage:
    history = histories(read_tree_books(asked.connection))
    found = asked.layers("mother-trees")
    return mother_trees_page(found, history=history, links=asked.links, units=asked.units)


def _trace(asked: Asked) -> MapPage:
    found = asked.layers("trace")
    return trace_page(found, trace(asked.connection, asked.codes[0]))


def _recall(asked: Asked) -> MapPage:
    found = asked.layers("recall")
    return recall_page(found, recall(asked.connection, [OfCode(code) for code in asked.codes]))


def _rows_by_take(asked: Asked) -> MapPage:
    return rows_page(asked.layers("rows", each_position=True), "take")


def _rows_by_identity(asked: Asked) -> MapPage:
    return rows_page(asked.layers("rows", each_position=True), "looked")


def _walk(asked: Asked) -> MapPage:
    trees = asked.sticks or asked.codes
    found, walk = mapping.drawn_walk(
        asked.connection, trees, show_private=asked.show_private, **asked.options
    )
    return walk_page(found, walk, asked.units)


def _confusion(asked: Asked) -> MapPage:
    return confusion_page(asked.layers("confusion"), asked.units)


PAGES: dict[str, Callable[[Asked], MapPage]] = {
    "mother-trees": _mother_trees,
    "trace": _trace,
    "recall": _recall,
    "walk": _walk,
    "confusion": _confusion,
    "rows-by-take": _rows_by_take,
    "rows-by-identity": _rows_by_identity,
}
"""What there are maps of."""
