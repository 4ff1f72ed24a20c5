"""Maps on paper: a page's layers as PNG or SVG, with scale bar, north arrow and legend.

Symbols are those of the page (`maps/symbols.toml`): for each look a colour, and a shape or line of
its own. What was laid out and not measured has a dotted ring.
"""

import math
import os
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from scionreg import __version__
from scionreg.cartography.symbols import Look, Theme, theme
from scionreg.documents.take_pictures import save_picture, write_words
from scionreg.geodesy.ground import Plane
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.legend import Legend
    from numpy.typing import NDArray

    from scionreg.cartography.page import MapPage, Shown

LONG, SHORT = 10.2, 7.5
"""Sides of the picture in inches: A4 and Letter within their margins."""
EDGE, LINE = 0.1, 0.15
"""Inches beside the map, and of a line of text."""
LETTERS, LEGEND_COLUMNS = 145, 4
DPI = 150
GREY, PALE = "#595959", "#E9E9E9"
MARKERS = {
    "circle": "o",
    "ring": "o",
    "square": "s",
    "diamond": "D",
    "triangle": "^",
    "wedge": "v",
    "cross": "x",
    "plus": "+",
    "star": "*",
    "hexagon": "h",
}
HOLLOW = ("ring",)
STROKED = ("cross", "plus")
LINES: dict[str, Any] = {
    "solid": "solid",
    "long": (0, (5, 2)),
    "dots": (0, (1, 1.5)),
    "dashdot": (0, (5, 1.5, 1, 1.5)),
}
LEAST_POINTS, MOST_POINTS = 4.5, 12.0
"""Width of a symbol."""
MOST_LABELS = 60
"""Labels on one sheet: more cannot be read."""
MOST_SYMBOLS = 2000
"""Symbols of a layer that labels keep clear of; where there are more, none is labelled."""
FOOT_M = 0.3048


@dataclass(frozen=True, slots=True)
class Sheet:
    """The plane a map is drawn on, what of it is seen (metres), and the picture's sides (inches).

    `foot` and `head` are the room below and above the map.
    """

    plane: Plane
    west: float
    south: float
    east: float
    north: float
    foot: float
    head: float = 0.5

    @property
    def wide(self) -> float:
        """Return the width of the ground, m."""
        return self.east - self.west

    @property
    def tall(self) -> float:
        """Return the height of the ground, m."""
        return self.north - self.south

    @property
    def inches_a_metre(self) -> float:
        """Return the scale: as large as the ground fits, lying or upright."""
        width, height = (SHORT, LONG) if self.tall > self.wide else (LONG, SHORT)
        room = width - 2 * EDGE, height - self.foot - self.head
        return min(room[0] / self.wide, room[1] / self.tall)

    @property
    def sides(self) -> tuple[float, float]:
        """Return width and height of the picture: no more paper than is needed."""
        width = max(self.wide * self.inches_a_metre + 2 * EDGE, SHORT)
        return width, self.tall * self.inches_a_metre + self.foot + self.head

    @property
    def map_box(self) -> tuple[float, float, float, float]:
        """Return where the map lies in the picture: left, bottom, width, height, as shares."""
        (width, height), wide = self.sides, self.wide * self.inches_a_metre
        tall = self.tall * self.inches_a_metre
        return (width - wide) / 2 / width, self.foot / height, wide / width, tall / height


def draw_map(page: "MapPage", file: str | os.PathLike[str], *, by: str = "") -> None:
    """Draw the layers of a map on one sheet, as PNG or SVG.

    Parameters
    ----------
    page : what is drawn, and what is said of it.
    by : the theme that features are coloured by, where a layer has it; else each layer's first.

    Raises
    ------
    RegistryError
        There is nothing to draw, no layer has that theme, or the file cannot be written.
    """
    from matplotlib.figure import Figure

    shown = [each for each in page.layers if not each.background and not each.frame.empty]
    if not shown:
        raise RegistryError("there is nothing to draw: nothing of it has a place that may be shown")
    themes = list(dict.fromkeys(name for each in shown for name in each.themes))
    if by and by not in themes:
        raise RegistryError(f"this map is not coloured by '{by}'; there are {', '.join(themes)}")
    says = _said(page)
    grounds = [layer for layer in page.layers if layer.background]
    sheet = _sheet(shown, grounds, _foot(says, 1))
    figure = Figure()
    axes = figure.add_axes(sheet.map_box)
    axes.set_xlim(sheet.west, sheet.east)
    axes.set_ylim(sheet.south, sheet.north)
    labels = _Labels(sheet, shown)
    legend: list[Any] = []
    for each in grounds:
        _ground(axes, each, sheet, labels)
    for each in shown:
        # What the page draws only from near is left out where this sheet is further off.
        if not each.from_m or 1 / sheet.inches_a_metre / DPI <= each.from_m:
            known = theme(by if by in each.themes else each.themes[0])
            legend += _layer(axes, each, known, sheet, labels)
    _frame(axes, sheet, page.units)
    sheet = _with_legend(figure, sheet, says, legend)
    axes.set_position(sheet.map_box)
    _say(figure, sheet, page.title, says)
    save_picture(figure, file)


def _foot(says: Sequence[str], lines: int) -> float:
    """Return the room that a legend of some lines and what is said take, inches."""
    return 0.3 + LINE * len(says) + 1.3 * LINE * lines


def _sheet(shown: "Sequence[Shown]", grounds: "Sequence[Shown]", foot: float) -> Sheet:
    """Return a sheet of all that is shown, and of whole blocks that it touches.

    Blocks are cut off where they would leave all else less than half its size.
    """
    found = np.array([each.frame.total_bounds for each in shown])
    plane = Plane(float(found[:, 1::2].mean()), float(found[:, ::2].mean()))
    box = _around(_on_ground(plane, found))
    every = [_on_ground(plane, each.frame.bounds.to_numpy()) for each in grounds]
    blocks = np.concatenate([np.empty((0, 4)), *every])
    touched = (blocks[:, :2] <= box[2:]).all(axis=1) & (blocks[:, 2:] >= box[:2]).all(axis=1)
    whole = _around(np.vstack([box, blocks[touched]]))
    if max(whole[2:] - whole[:2]) <= 2 * max(box[2:] - box[:2]):
        box = whole
    room = max(0.06 * float(max(box[2:] - box[:2])), 5.0)
    (left, bottom), (right, top) = (box[:2] - room).tolist(), (box[2:] + room).tolist()
    return Sheet(plane, left, bottom, right, top, foot)


def _on_ground(plane: Plane, bounds: "NDArray[Any]") -> "NDArray[Any]":
    """Return bounds (west, south, east, north) in metres, shape (n, 4)."""
    return np.hstack([plane.metres(bounds[:, i + 1], bounds[:, i]) for i in (0, 2)])


def _around(boxes: "NDArray[Any]") -> "NDArray[Any]":
    """Return the bounds that hold all of some."""
    return np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])


def _said(page: "MapPage") -> list[str]:
    """Return the lines below the map; what only a screen can do is not said on paper."""
    sentences = [part for line in page.says for part in line.split(". ") if "click" not in part]
    joined = " ".join(part if part.endswith(".") else f"{part}." for part in sentences)
    lines = (joined, *page.cautions, f"scionreg {__version__}")
    return [part for line in lines for part in textwrap.wrap(line, LETTERS)]


def _layer(
    axes: "Axes", shown: "Shown", known: Theme, sheet: Sheet, labels: "_Labels"
) -> list[Any]:
    """Draw a layer and return its part of the legend."""
    import pandas as pd
    from shapely import get_coordinates

    shapes = _on_plane(shown, sheet)
    unknown = pd.Series(index=shown.frame.index, dtype=object)
    looks = known.sorted_out(shown.frame.get(known.name, unknown))
    legend: list[Any] = []
    points = shapes[0].geom_type == "Point"
    at = get_coordinates(shapes)
    size = _size(at, sheet) if points else 0.0
    # A regraft lies above the lot it stands in; then what the legend names first above the rest.
    heights = 2 + shown.frame.get("regraft_of", unknown).notna().to_numpy() / 2
    width = min(max(72 * shown.wide_m * sheet.inches_a_metre, 1.4), 8.0)
    for number, look in enumerate(known.looks):
        its = looks == number
        if its.any():
            drawn = (
                _points(axes, look, at[its], size)
                if points
                else _lines(axes, look, shapes[its], heights[its] - number / 100, width)
            )
            legend.append((drawn, f"{look.says or shown.name} ({its.sum():,})"))
    if points and "estimated" in shown.frame:
        legend += _laid_out(axes, at[shown.frame["estimated"].to_numpy(dtype=bool)], size)
    labels.write(axes, shown, shapes, size / 2)
    return legend


def _on_plane(shown: "Shown", sheet: Sheet) -> "NDArray[Any]":
    from shapely import transform

    geometry = shown.frame.geometry.to_numpy()
    return np.asarray(transform(geometry, lambda at: sheet.plane.metres(at[:, 1], at[:, 0])))


def _ground(axes: "Axes", shown: "Shown", sheet: Sheet, labels: "_Labels") -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    for code, shape in zip(shown.frame["code"], _on_plane(shown, sheet), strict=True):
        rings = [
            np.asarray(ring.coords)
            for part in getattr(shape, "geoms", [shape])
            for ring in (part.exterior, *part.interiors)
        ]
        path = Path.make_compound_path(*(Path(ring, closed=True) for ring in rings))
        axes.add_patch(PathPatch(path, facecolor=PALE, edgecolor="#B0B0B0", linewidth=0.6))
        west, south, east, north = shape.bounds
        if west < sheet.east and east > sheet.west and south < sheet.north and north > sheet.south:
            above = north + 14 / 72 / sheet.inches_a_metre < sheet.north
            corner = max(west, sheet.west), min(north, sheet.north)
            labels.keep_clear(*corner, len(str(code)), above=above)
            text = axes.annotate(
                "",
                corner,
                (3, 3 if above else -3),
                textcoords="offset points",
                va="bottom" if above else "top",
                fontsize=8,
                color=GREY,
            )
            write_words(text, str(code))


def _size(at: "NDArray[Any]", sheet: Sheet) -> float:
    """Return how wide symbols are, in points, so that they hardly cover their neighbours."""
    from scipy.spatial import KDTree

    if len(at) == 1:
        return MOST_POINTS
    nearest = np.asarray(KDTree(at).query(at, k=2)[0])[:, 1]
    apart = 72 * sheet.inches_a_metre * float(np.quantile(nearest, 0.25))
    return min(max(apart, LEAST_POINTS), MOST_POINTS)


def _points(axes: "Axes", look: Look, at: "NDArray[Any]", size: float) -> Any:
    """Draw points of one look, its letter within where there is room."""
    style: dict[str, Any] = {"marker": MARKERS[look.shape], "s": size**2, "zorder": 3}
    if look.shape in STROKED:
        style |= {"color": look.colour, "linewidths": 1.6}
    else:
        face = "white" if look.shape in HOLLOW else look.colour
        edge = look.colour if look.shape in HOLLOW else "#333333"
        style |= {"facecolors": face, "edgecolors": edge, "linewidths": 0.6}
    drawn = axes.scatter(at[:, 0], at[:, 1], **style)
    if look.letter and size >= 7:
        for east, north in at:
            axes.text(
                east,
                north,
                look.letter,
                fontsize=size * 0.6,
                color="white" if _dark(look) and look.shape not in HOLLOW else "black",
                ha="center",
                va="center_baseline",
                zorder=4,
            )
    return drawn


def _dark(look: Look) -> bool:
    """Tell whether white can be read on a colour (relative luminance, ITU-R BT.709)."""
    red, green, blue = (int(look.colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue < 0.45


def _lines(
    axes: "Axes", look: Look, shapes: "NDArray[Any]", heights: "NDArray[Any]", width: float
) -> Any:
    """Draw lines of one look, the higher above the lower, and return one for the legend."""
    from matplotlib.collections import LineCollection
    from matplotlib.lines import Line2D

    style: dict[str, Any] = {"color": look.colour, "linestyle": LINES[look.line]}
    for height in np.unique(heights):
        its = [np.asarray(each.coords) for each in shapes[heights == height]]
        lines = LineCollection(its, linewidths=width, capstyle="butt", zorder=height, **style)
        axes.add_collection(lines)
    # In the legend a thin line: of a broad one's dashes there would be only the first.
    return Line2D([], [], linewidth=min(width, 3.0), **style)


def _laid_out(axes: "Axes", at: "NDArray[Any]", size: float) -> Iterator[tuple[Any, str]]:
    """Draw a dotted ring about places that nobody measured."""
    if len(at):
        ring: dict[str, Any] = {"facecolors": "none", "edgecolors": "black", "linestyles": ":"}
        east, north = at.T
        drawn = axes.scatter(east, north, (size + 4) ** 2, linewidths=0.9, zorder=3, **ring)
        yield drawn, f"place laid out, not measured ({len(at):,})"


class _Labels:
    """Labels above or to the right of what they name, that cover no other label and no symbol.

    Where there is no room, there is none: a label beside another tree would be worse.
    """

    def __init__(self, sheet: Sheet, shown: "Sequence[Shown]") -> None:
        self._points = 72 * sheet.inches_a_metre
        self._taken: list[tuple[float, float, float, float]] = []
        for each in shown:
            if each.frame.geom_type.iloc[0] == "Point" and len(each.frame) <= MOST_SYMBOLS:
                at = sheet.plane.metres(each.frame.geometry.y, each.frame.geometry.x)
                r = _size(at, sheet) / 2
                for x, y in (at * self._points).tolist():
                    self._taken.append((x - r, y - r, x + r, y + r))

    def keep_clear(self, east: float, north: float, letters: int, *, above: bool) -> None:
        """Keep labels off the code of a block, written at a place (m), above it or below."""
        left, low = east * self._points, north * self._points - (0 if above else 12)
        self._taken.append((left, low, left + 3 + 5.5 * letters, low + 12))

    def write(self, axes: "Axes", shown: "Shown", shapes: "NDArray[Any]", radius: float) -> None:
        """Write what is told of each feature, where there are not too many to read.

        `radius` is that of its symbol, in points.
        """
        if shown.label not in shown.frame or len(shapes) > MOST_LABELS:
            return
        for value, shape in zip(shown.frame[shown.label], shapes, strict=True):
            if value is None or value != value:
                continue
            line = shape.geom_type == "LineString"
            at = shape.interpolate(0.5, normalized=True) if line else shape
            letters = len(str(value))
            off = (0.0, 0.0) if shown.within else self._room(at.x, at.y, letters, radius)
            if off is None:
                continue
            text = axes.annotate(
                "",
                (at.x, at.y),
                off,
                textcoords="offset points",
                ha="center",
                va="center_baseline" if shown.within else "center",
                fontsize=7,
                zorder=5,
                annotation_clip=True,
            )
            if not shown.within:
                text.set_bbox({"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.6})
            write_words(text, str(value))

    def _room(
        self, east: float, north: float, letters: int, radius: float
    ) -> tuple[float, float] | None:
        """Return how far off a place its label fits, in points; None where there is no room."""
        wide = 2.2 * letters  # half of it
        for off in ((0.0, radius + 5.5), (wide + radius + 3, 0.0)):
            x, y = east * self._points + off[0], north * self._points + off[1]
            box = (x - wide, y - 4, x + wide, y + 4)
            if not any(_overlap(box, each) for each in self._taken):
                self._taken.append(box)
                return off
        return None


def _overlap(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _frame(axes: "Axes", sheet: Sheet, units: str) -> None:
    """Draw the frame and the scale bar."""
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color("#B0B0B0")
    feet = units == "US"
    length, unit = _round_length(sheet.wide / 5, feet=feet), "ft" if feet else "m"
    metres = length * FOOT_M if feet else length
    left, low = sheet.west + 0.02 * sheet.wide, sheet.south + 0.03 * sheet.tall
    bar: dict[str, Any] = {"color": "black", "solid_capstyle": "butt", "zorder": 6}
    axes.plot([left, left + metres], [low, low], linewidth=3, **bar)
    axes.plot([left, left + metres / 2], [low, low], linewidth=1.6, **(bar | {"color": "white"}))
    axes.annotate(
        f"{length:g} {unit}",
        (left + metres, low),
        (4, 0),
        textcoords="offset points",
        va="center",
        fontsize=8,
        zorder=6,
    )


def _round_length(most: float, *, feet: bool) -> float:
    """Return the longest of 1, 2 and 5 times a power of ten within some metres, in m or ft."""
    longest = most / FOOT_M if feet else most
    power = 10.0 ** math.floor(math.log10(longest))
    return power * max(each for each in (1, 2, 5) if each * power <= longest)


def _with_legend(
    figure: "Figure", sheet: Sheet, says: Sequence[str], legend: Sequence[tuple[Any, str]]
) -> Sheet:
    """Write the legend in as many columns as fit beside each other; return the sheet it is on."""
    for columns in range(LEGEND_COLUMNS, 0, -1):
        sheet = replace(sheet, foot=_foot(says, math.ceil(len(legend) / columns)))
        figure.set_size_inches(sheet.sides)
        keys = _keys(figure, sheet, legend, columns)
        if columns == 1 or keys.get_window_extent().width <= figure.bbox.width:
            break
        keys.remove()
    return sheet


def _keys(
    figure: "Figure", sheet: Sheet, legend: Sequence[tuple[Any, str]], columns: int
) -> "Legend":
    keys = figure.legend(
        [handle for handle, _ in legend],
        [label for _, label in legend],
        loc="upper center",
        bbox_to_anchor=(0.5, (sheet.foot - 0.02) / sheet.sides[1]),
        ncols=columns,
        handlelength=3,
        frameon=False,
        fontsize=8,
    )
    for text in keys.get_texts():
        text.set_parse_math(False)
    return keys


def _say(figure: "Figure", sheet: Sheet, title: str, says: Sequence[str]) -> None:
    """Write the title, and what is said of the map."""
    width, height = sheet.sides
    write_words(
        figure.text(0.5, 1 - 0.25 / height, "", fontsize=13, fontweight="bold", ha="center"), title
    )
    # North is up the sheet.
    figure.text(1 - EDGE / width, 1 - 0.45 / height, "N ▲", fontsize=11, ha="right")
    below = figure.text(EDGE / width, 0.08 / height, "", fontsize=7, color=GREY, va="bottom")
    write_words(below, "\n".join(says))
