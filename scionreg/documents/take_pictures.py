"""Pictures of take: intervals on one scale, and a block's rows with every lot's take.

Colours are told apart by colour-blind people (M. Okabe & K. Ito 2008, Color Universal Design; the
map's scale is cividis, J. Nuñez, C. Anderton & R. Renslow 2018, PLOS ONE 13:e0199239), and none is
the only cue: shapes, words and printed numbers say the same.
"""

import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import LowTake

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from scionreg.take.row_map import RowMap, Stretch
    from scionreg.take.table import Suspect, TakeTable

BLUE, ORANGE, GREY = "#0072B2", "#D55E00", "#595959"
MOST_ITEMS = 40
"""Items in one picture: more cannot be read on a page."""
ROWS_IN_COLUMN = 55
"""Rows of a block beneath each other, before the map goes on beside them."""
FULL, REGRAFT = 0.86, 0.4
"""How high a lot and a regraft on it are drawn, in rows."""
SAID = {LowTake.LOW: "low", LowTake.TIED: "tied", LowTake.NOT_ENOUGH: "not enough"}
FORMATS = (".png", ".svg")


def draw_intervals(table: "TakeTable", file: str | os.PathLike[str]) -> None:
    """Draw the take of each item with its interval, raw and shrunken, as PNG or SVG.

    Raw is the share of its own grafts with Wilson's 95 % interval. Shrunken is what it would take
    on lots like the average of all, with the 90 % interval of its effect.

    Raises
    ------
    RegistryError
        The file's ending is neither ``.png`` nor ``.svg``, or it cannot be written.
    """
    shown = table.suspects[:MOST_ITEMS]
    figure = new_figure(8, 1.7 + 0.27 * len(shown))
    axes = figure.add_subplot()
    usual = table.taken / table.grafts
    axes.axvline(100 * usual, color=GREY, linewidth=0.8, linestyle=":")
    for place, suspect in enumerate(shown):
        _interval(axes, place, suspect, usual)
    _name_items(axes, shown)
    axes.set_xlim(0, 100)
    axes.set_ylim(len(shown) - 0.4, -0.7)
    axes.set_xlabel(f"grafts that took at the {table.stage} count, %")
    write_words(axes.title, f"Take by {table.factor.replace('_', ' ').replace('*', ' and ')}")
    axes.grid(axis="x", color="#DDDDDD", linewidth=0.6)
    axes.set_axisbelow(True)
    _explain(figure, axes, usual, len(table.suspects) - len(shown))
    save_picture(figure, file)


def _interval(axes: "Axes", place: int, suspect: "Suspect", usual: float) -> None:
    """Draw one item: raw above, shrunken below."""
    raw, shrunken = place - 0.16, place + 0.16
    axes.plot([100 * suspect.low, 100 * suspect.high], [raw, raw], color=GREY, linewidth=1)
    axes.plot(100 * suspect.rate, raw, "o", color=GREY, markerfacecolor="white", markersize=5)
    if suspect.effect is None or suspect.effect_low is None or suspect.effect_high is None:
        return
    low = suspect.verdict in (LowTake.LOW, LowTake.TIED)
    color, marker = (ORANGE, "D") if low else (BLUE, "s")
    ends = [100 * _take(usual, each) for each in (suspect.effect_low, suspect.effect_high)]
    axes.plot(ends, [shrunken, shrunken], color=color, linewidth=2)
    axes.plot(100 * _take(usual, suspect.effect), shrunken, marker, color=color, markersize=5)


def _take(usual: float, effect: float) -> float:
    """Return the take that an effect in logit makes of the usual one."""
    inner = min(max(usual, 1e-6), 1 - 1e-6)
    return 1 / (1 + math.exp(-(math.log(inner / (1 - inner)) + effect)))


def _name_items(axes: "Axes", shown: "tuple[Suspect, ...]") -> None:
    """Write each item beside its interval, and to the right its grafts and verdict."""
    axes.set_yticks(range(len(shown)), [each.item for each in shown])
    for label, suspect in zip(axes.get_yticklabels(), shown, strict=True):
        label.set_parse_math(False)
        if suspect.verdict in (LowTake.LOW, LowTake.TIED):
            label.set_fontweight("bold")
    for place, suspect in enumerate(shown):
        said = SAID.get(suspect.verdict, "")
        axes.text(
            1.01,
            place,
            f"{suspect.grafts:.0f} grafts" + (f", {said}" if said else ""),
            transform=axes.get_yaxis_transform(),
            va="center",
            fontsize=8,
        )


def _explain(figure: "Figure", axes: "Axes", usual: float, left_out: int) -> None:
    from matplotlib.lines import Line2D

    raw = Line2D([], [], linewidth=1, marker="o", markersize=5, color=GREY, markerfacecolor="white")
    raw.set_label("raw, 95 % interval")
    lines = [
        raw,
        Line2D([], [], linewidth=2, marker="s", markersize=5, color=BLUE, label="shrunken, 90 %"),
        Line2D([], [], linewidth=2, marker="D", markersize=5, color=ORANGE, label="low or tied"),
        Line2D([], [], linewidth=0.8, linestyle=":", color=GREY, label=f"all: {usual:.0%}"),
    ]
    figure.legend(handles=lines, loc="outside lower center", ncols=4, frameon=False, fontsize=8)
    if left_out > 0:
        axes.set_title(f"{left_out} more are not shown", loc="right", fontsize=8, color=GREY)


def draw_row_map(found: "RowMap", file: str | os.PathLike[str]) -> None:
    """Draw a block's rows with the lots coloured by take, the percentage printed in each.

    Lots that were not counted are hatched; a regraft lies as a narrower bar on its row. Errors as
    `draw_intervals`.
    """
    rows = sorted({each.row for each in found.stretches})
    if not rows:
        raise RegistryError(f"no lot of block {found.block} has a row and positions recorded")
    columns = math.ceil(len(rows) / ROWS_IN_COLUMN)
    in_column = math.ceil(len(rows) / columns)
    figure = new_figure(1.2 + 5.6 * columns, 1.5 + 0.19 * in_column)
    parts = figure.subplots(1, columns, sharex=True, squeeze=False)[0]
    scale = _scale()
    ends = max(each.last for each in found.stretches)
    for number, axes in enumerate(parts):
        _rows_beneath(axes, found, rows[number * in_column :][:in_column], scale)
        axes.set_xlim(0.5, ends + 0.5)
        axes.set_xlabel("position in the row")
    parts[0].set_ylabel("row")
    write_words(
        figure.suptitle(""),
        f"Block {found.block}, {found.season}: take at the {found.stage} count, % of grafts",
    )
    bar = figure.colorbar(scale, ax=list(parts), shrink=min(1, 12 / in_column), aspect=25, pad=0.02)
    bar.set_label("grafts that took, %")
    _say_what_is_not_there(figure, found)
    save_picture(figure, file)


def _scale() -> Any:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    return ScalarMappable(Normalize(0, 100), "cividis")


def _rows_beneath(axes: "Axes", found: "RowMap", rows: list[int], scale: Any) -> None:
    places = {row: place for place, row in enumerate(rows)}
    regrafts = [each for each in found.stretches if each.regraft]
    for stretch in found.stretches:
        if stretch.row in places:
            beneath = any(_over(each, stretch) for each in regrafts if each is not stretch)
            _stretch(axes, stretch, places[stretch.row], scale, beneath)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    step = 1 if len(rows) <= 30 else 5
    ticked = [row for row in rows if row % step == 0 or row == rows[0]]
    axes.set_yticks([places[row] for row in ticked], [str(row) for row in ticked])
    axes.tick_params(length=2, labelsize=8)


def _over(one: "Stretch", other: "Stretch") -> bool:
    """Tell whether two lots share positions."""
    return one.row == other.row and one.first <= other.last and other.first <= one.last


def _stretch(axes: "Axes", stretch: "Stretch", place: int, scale: Any, beneath: bool) -> None:
    """Draw one lot; the number of one `beneath` a regraft stands above that."""
    from matplotlib.patches import Rectangle

    height = REGRAFT if stretch.regraft else FULL
    top = place + FULL / 2 - height
    box = (stretch.first - 0.5, top), stretch.last - stretch.first + 1, height
    if stretch.rate is None:
        empty = Rectangle(*box, facecolor="white", edgecolor=GREY, linewidth=0.5, hatch="////")
        axes.add_patch(empty)
        return
    color = scale.to_rgba(100 * stretch.rate)
    axes.add_patch(Rectangle(*box, facecolor=color, edgecolor="white", linewidth=0.8))
    room = FULL - REGRAFT if beneath and not stretch.regraft else height
    axes.text(
        (stretch.first + stretch.last) / 2,
        top + room / 2,
        f"{100 * stretch.rate:.0f}",
        ha="center",
        va="center_baseline",
        fontsize=7 if room == FULL else 5,
        color="black" if _light(color) else "white",
    )


def _light(color: tuple[float, ...]) -> bool:
    """Tell whether black can be read on a colour (relative luminance, ITU-R BT.709)."""
    red, green, blue = color[:3]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue > 0.45


def _say_what_is_not_there(figure: "Figure", found: "RowMap") -> None:
    told = []
    if any(each.rate is None for each in found.stretches):
        told.append("hatched: not counted then")
    if any(each.regraft for each in found.stretches):
        told.append("narrow: regraft")
    if found.unplaced:
        told.append(f"without a place in the block: {len(found.unplaced)} lots")
    if told:
        figure.supxlabel("; ".join(told), fontsize=8, color=GREY)


# Files


def new_figure(width: float, height: float) -> "Figure":
    """Return an empty picture, sizes in inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def write_words(text: Any, words: str) -> None:
    """Set a text that a user's names are part of: a dollar sign in one begins no formula."""
    text.set_parse_math(False)
    text.set_text(words)


def save_picture(figure: "Figure", file: str | os.PathLike[str]) -> None:
    """Write a picture as PNG or SVG; errors as `draw_intervals`."""
    import matplotlib

    path = Path(file)
    if path.suffix.lower() not in FORMATS:
        raise RegistryError(f"'{path}' is no picture file; let its name end in {_or(FORMATS)}")
    # The same picture is the same file.
    same = {"Date": None} if path.suffix.lower() == ".svg" else {"Software": None}
    try:
        with matplotlib.rc_context({"svg.hashsalt": "scionreg"}):
            figure.savefig(path, dpi=150, metadata=same)
    except OSError as error:
        raise RegistryError(f"'{path}' cannot be written: {error.strerror or error}") from error


def _or(words: tuple[str, ...]) -> str:
    return " or ".join(words)
