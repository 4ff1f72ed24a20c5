"""Cells of places: positions in a row, outlines on the ground."""

import json
import re
from dataclasses import dataclass

from scionreg.records.cells.base import Cell, CellError
from scionreg.records.cells.numbers import digits
from scionreg.records.words import Sentence

POSITIONS = re.compile(r"\d+(-\d+)?", re.ASCII)
LAST_POSITION = 99_999
"""The last position that a row can have (a limit of ours: 100 km of a nursery's row)."""
RUN = re.compile(r"\s*[-\u2010-\u2015\u2212]\s*")
"""What may stand between the ends of a run: spreadsheets and word processors make dashes of it."""


@dataclass(frozen=True, slots=True)
class Positions(Cell):
    """Row positions as a list of numbers and ranges: ``3;7;12-15``; commas part them too."""

    def read(self, text: str) -> str:
        """Return the list, cleaned."""
        plain = RUN.sub("-", digits(text)).replace(",", ";")
        parts = [part.strip() for part in plain.split(";") if part.strip()]
        for part in parts:
            ends = part.split("-")
            if not POSITIONS.fullmatch(part) or int(ends[0]) < 1 or int(ends[0]) > int(ends[-1]):
                raise CellError(
                    "not_a_position",
                    f"'{part}' is no row position or range of them",
                    "write positions parted by ; as in 3;7;12-15",
                )
            if int(ends[-1]) > LAST_POSITION:
                raise CellError(
                    "not_a_position",
                    f"'{part}' goes on beyond position {LAST_POSITION:,}, further than any row",
                    "write positions parted by ; as in 3;7;12-15",
                )
        return ";".join(parts)

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.positions")


@dataclass(frozen=True, slots=True)
class Outline(Cell):
    """A GeoJSON Polygon or MultiPolygon in WGS 84 (RFC 7946), as JSON text."""

    def read(self, text: str) -> str:
        """Return the geometry with its outer rings counter-clockwise, seven decimals at most."""
        from shapely import GEOSException, set_precision
        from shapely.geometry import mapping, shape
        from shapely.geometry.polygon import orient

        right = "a closed GeoJSON Polygon of longitude, latitude pairs (RFC 7946)"
        try:
            geometry = set_precision(shape(json.loads(text)), 1e-7).normalize()
            parts = list(getattr(geometry, "geoms", [geometry]))
            west, south, east, north = geometry.bounds
        except (ValueError, TypeError, KeyError, AttributeError, GEOSException) as fault:
            raise CellError("broken_outline", "the outline cannot be read", right) from fault
        if geometry.is_empty or any(part.geom_type != "Polygon" for part in parts):
            raise CellError("broken_outline", "the outline is no polygon", right)
        if west < -180 or east > 180 or south < -90 or north > 90:
            raise CellError("off_the_globe", "the outline is off the globe", right)
        rings = [mapping(orient(part))["coordinates"] for part in parts]
        if len(rings) == 1:
            return json.dumps({"type": "Polygon", "coordinates": rings[0]})
        return json.dumps({"type": "MultiPolygon", "coordinates": rings})

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.outline")


def expand_positions(text: str) -> list[int]:
    """Return the positions of a list such as ``3;7;12-15``.

    >>> expand_positions("3;7;12-15")
    [3, 7, 12, 13, 14, 15]
    """
    found: list[int] = []
    for part in filter(None, text.split(";")):
        first, _, last = part.partition("-")
        found.extend(range(int(first), int(last or first) + 1))
    return found
