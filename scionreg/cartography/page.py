"""A map as one page that opens without a network: layers, symbols, search, pop-ups and lists.

Everything the page needs is inside it, and its content security policy forbids anything else. The
map is folium's; what is drawn goes into it as short lists of numbers (`packing`), one canvas shows
it (`maps/page.js`). Whatever comes from records is text there, never markup.
"""

import base64
import datetime as dt
import hashlib
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd

from scionreg import __version__
from scionreg.cartography.basemaps import Basemap
from scionreg.cartography.packing import pack_places, pack_values
from scionreg.cartography.symbols import theme
from scionreg.records.errors import RegistryError
from scionreg.resources import resource

MOST_ZOOM = 23
"""Closer than any tiles: trees of a nursery row stand 20 cm apart."""
LEAFLET = "xstatic.pkg.leaflet"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One layer of a page.

    Parameters
    ----------
    name : what its features are, in the plural.
    frame : GeoDataFrame of points, of lines or of polygons in WGS 84; `code` names a feature.
    themes : columns whose values give colour and shape, each by the theme of that name; the first
        is shown first. A constant look is ``plain``.
    filters, told : columns to choose by, and those of the pop-up, with their headings; one that
        the frame has not is passed over.
    label : the column written beside each feature, or `within` its symbol.
    history, links : lines by code; texts and files by code, for the pop-up.
    apart_m, least, most : metres between neighbours, which symbols must not cover; and the
        smallest and largest radius of a symbol in pixels.
    wide_m : width of a line on the ground, 0 for a thin one.
    from_m : it is drawn only where a pixel is at most so many metres, 0 for always.
    background : it is neither found nor clicked nor counted.
    """

    name: str
    frame: Any
    themes: tuple[str, ...] = ("plain",)
    filters: Mapping[str, str] = field(default_factory=dict)
    told: Mapping[str, str] = field(default_factory=dict)
    label: str = ""
    within: bool = False
    history: Mapping[str, Sequence[str]] = field(default_factory=dict)
    links: Mapping[str, Sequence[tuple[str, str]]] = field(default_factory=dict)
    apart_m: float = 3.0
    least: int = 4
    most: int = 9
    wide_m: float = 0.0
    from_m: float = 0.0
    background: bool = False

    def packed(self) -> dict[str, Any]:
        """Return what the page needs, as short as it goes."""
        wanted = {"code", *self.filters, *self.told, "cultivar", "estimated", self.label}
        columns = [name for name in self.frame.columns if name in wanted]
        return {
            "name": self.name,
            "places": pack_places(self.frame.geometry),
            "columns": {name: pack_values(self.frame[name]) for name in columns},
            "themes": [self._theme(name) for name in self.themes],
            "filters": [each for each in self.filters.items() if each[0] in columns],
            "told": [each for each in self.told.items() if each[0] in columns],
            "label": self.label,
            "within": self.within,
            "history": self._history(),
            "links": self.links,
            "apart": self.apart_m,
            "least": self.least,
            "most": self.most,
            "wide": self.wide_m,
            "from": self.from_m,
            "background": self.background,
        }

    def _theme(self, name: str) -> dict[str, Any]:
        known = theme(name)
        values = self.frame[name] if name in self.frame else pd.Series(index=self.frame.index)
        return {
            "name": name,
            "heading": known.heading,
            "looks": [look.drawn() for look in known.looks],
            "of": pack_values(pd.Series(known.sorted_out(values))),
        }

    def _history(self) -> dict[str, Any] | None:
        if not self.history:
            return None
        lines = [self.history.get(code, ()) for code in self.frame["code"]]
        return {
            "counts": pack_values(pd.Series([len(each) for each in lines])),
            "lines": pack_values(
                pd.Series([line for each in lines for line in each], dtype=object)
            ),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A list beside the map. Columns numbered in `codes` hold codes: one on the map can be clicked.

    `notes` are said beneath the rows, one each; `none` where there are no rows.
    """

    heading: str
    columns: tuple[str, ...]
    rows: Sequence[Sequence[Any]]
    codes: tuple[int, ...] = (0,)
    notes: Sequence[str] = ()
    none: str = "None."


@dataclass(frozen=True, kw_only=True)
class MapPage:
    """A map with what is said about it; layers from the lowest up."""

    title: str
    says: tuple[str, ...] = ()
    layers: tuple[Shown, ...]
    tables: tuple[Table, ...] = ()
    cautions: tuple[str, ...] = ()
    units: str = "SI"
    basemap: Basemap | None = None

    @cached_property
    def codes(self) -> frozenset[str]:
        """Return the codes that can be found on the map."""
        return frozenset(
            code for each in self.layers if not each.background for code in each.frame["code"]
        )

    @property
    def empty(self) -> bool:
        """Tell whether nothing can be drawn."""
        return not self.codes


PAGES = (".html", ".htm")
"""Endings of a page's file."""


def page_path(file: str | os.PathLike[str]) -> Path:
    """Return the path of a page; raise `RegistryError` where its ending is not ``.html``."""
    path = Path(file)
    if path.suffix.lower() not in PAGES:
        raise RegistryError(f"'{path}' is no page; let its name end in .html")
    return path


def write_page(page: MapPage, file: str | os.PathLike[str]) -> None:
    """Write a map as HTML.

    Raises
    ------
    RegistryError
        The file's ending is not ``.html``, or it cannot be written.
    """
    path = page_path(file)
    try:
        path.write_text(render(page), encoding="utf-8")
    except OSError as error:
        raise RegistryError(f"'{path}' cannot be written: {error.strerror or error}") from error


def render(page: MapPage, *, made: dt.date | None = None) -> str:
    """Return the map as HTML; `made` is the day on it, today if None."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    ground, drawn_by = _ground(page.basemap)
    look = resource("maps")
    styles = [leaflet_css(), (look / "page.css").read_text(encoding="utf-8")]
    scripts = [leaflet_js(), drawn_by + (look / "page.js").read_text(encoding="utf-8")]
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string((look / "page.html").read_text(encoding="utf-8"))
    day = made or dt.datetime.now().astimezone().date()
    return template.render(
        page=page,
        policy=_policy(styles, scripts, page.basemap),
        ground=Markup(ground),
        styles=[Markup(style) for style in styles],
        scripts=[Markup(script) for script in scripts],
        told=Markup(
            _json({"units": page.units, "sheets": [layer.packed() for layer in page.layers]})
        ),
        made=f"Made on {day.isoformat()} with scionreg {__version__}; drawn with Leaflet.",
    )


def _json(value: Any) -> str:
    """Return JSON that ends no script element, whatever words it holds."""
    import orjson

    text = orjson.dumps(value, option=orjson.OPT_SERIALIZE_NUMPY).decode()
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _ground(chosen: Basemap | None) -> tuple[str, str]:
    """Return folium's map, empty or with tiles, as its element and its script."""
    import folium

    ground = folium.Map(tiles=None, zoom_start=2, location=(0, 0), zoom_snap=0.25)
    ground._id = "nursery"
    # These would be links; the page brings what it needs itself.
    ground.default_js = ground.default_css = []
    ground.options |= {
        "maxZoom": MOST_ZOOM,
        "attributionControl": chosen is not None,
        "fadeAnimation": False,
    }
    if chosen is not None:
        folium.TileLayer(
            tiles=chosen.url,
            attr=chosen.attribution,
            max_zoom=MOST_ZOOM,
            max_native_zoom=chosen.most_zoom,
        ).add_to(ground)
    root = ground.get_root()
    assert isinstance(root, folium.Figure)
    root.render()
    return root.html.render(), root.script.render()


def _policy(styles: Iterable[str], scripts: Iterable[str], chosen: Basemap | None) -> str:
    """Return what the page may load: the scripts and styles inside it, and tiles if asked for."""
    pictures = "data:" if chosen is None else f"data: {chosen.origin}"
    return (
        "default-src 'none'; "
        f"script-src {' '.join(map(_hash, scripts))}; "
        f"style-src {' '.join(map(_hash, styles))}; "
        f"img-src {pictures}; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


@cache
def leaflet_js() -> str:
    """Return Leaflet's script."""
    text = (files(LEAFLET) / "data" / "leaflet.js").read_text(encoding="utf-8")
    return re.sub(r"//# sourceMappingURL=.*", "", text)


@cache
def leaflet_css() -> str:
    """Return Leaflet's style sheet with its pictures inside."""
    data = files(LEAFLET) / "data"

    def inside(found: re.Match[str]) -> str:
        picture = base64.b64encode((data / found[1]).read_bytes()).decode()
        return f"url(data:image/png;base64,{picture})"

    text = (data / "leaflet.css").read_text(encoding="utf-8")
    return re.sub(r"url\((images/[\w.-]+)\)", inside, text)
