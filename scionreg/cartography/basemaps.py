"""Pictures of the ground from the network, none used unasked: `maps/basemaps.toml`."""

import tomllib
from dataclasses import dataclass
from urllib.parse import urlsplit

from scionreg.records.errors import RegistryError
from scionreg.resources import resource


@dataclass(frozen=True, slots=True, kw_only=True)
class Basemap:
    """One service of map tiles, whom to credit for it, and what its owner asks of users."""

    name: str
    heading: str
    url: str
    attribution: str
    terms: str
    terms_page: str
    most_zoom: int

    @property
    def origin(self) -> str:
        """Return the one place that a page may fetch pictures from."""
        parts = urlsplit(self.url)
        return f"{parts.scheme}://{parts.netloc}"


def basemaps() -> dict[str, Basemap]:
    """Return every basemap by name."""
    text = (resource("maps") / "basemaps.toml").read_text(encoding="utf-8")
    return {name: Basemap(name=name, **told) for name, told in tomllib.loads(text).items()}


def basemap(name: str) -> Basemap:
    """Return a basemap by name.

    Raises
    ------
    RegistryError
        There is none of that name.
    """
    known = basemaps()
    if name not in known:
        raise RegistryError(f"there is no basemap '{name}'; there are {', '.join(known)}")
    return known[name]
