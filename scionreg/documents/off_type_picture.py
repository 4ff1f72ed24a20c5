"""A picture of where an identity broke: the chain from mother trees to customers, suspects marked.

Colours are of Okabe and Ito's set, which colour-blind people can tell apart (M. Okabe & K. Ito
2008, Color Universal Design); shapes and words say the same.
"""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from scionreg.documents.chain_layout import KINDS, Placed, Shown, choose, place
from scionreg.identity.off_type import CERTAIN, LIKELY, POSSIBLE, grade
from scionreg.identity.reasons import looks_in_words
from scionreg.identity.sureness import is_otherwise_off, per_cent
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from scionreg.identity.off_type import ChainItem, OffType

ORANGE, BLUE, SKY, GREY, LINE = "#D55E00", "#0072B2", "#56B4E9", "#595959", "#9A9A9A"
WIDE, HIGH = 2.3, 0.42
"""Inches from column to column, and from a thing to the next below it."""
LEFT, ROOM = 0.3, 1.62
"""Inches to the first column, and of a column that a mark and the words beside it take up."""
MARGIN = 0.13
"""Inches between a mark's middle and a line that ends at it."""
LETTERS = (24, 21)
"""Letters that fit there, and of bold ones."""
FORMATS = (".png", ".svg")
TITLES = {
    "mother_tree": "mother trees",
    "collection": "collections",
    "bundle": "bundles",
    "graft_lot": "graft lots",
    "dispatch": "dispatches",
}


class Mark(NamedTuple):
    """How a thing is drawn: matplotlib's marker, its size in points, colours, and what it means."""

    shape: str
    size: float
    face: str
    edge: str
    means: str


MARKS = {
    "suspect": Mark("D", 13, ORANGE, "black", "suspect step, with the number of its cause"),
    "partner": Mark("h", 11, "white", ORANGE, "tied to it by that cause"),
    "certain": Mark("s", 9, BLUE, "black", f"not as labelled: certain, from {CERTAIN:.0%} on"),
    "likely": Mark("s", 9, SKY, "black", f"likely, from {LIKELY:.0%} on"),
    "possible": Mark("^", 9, "white", BLUE, f"possible, from {POSSIBLE:.0%} on"),
    "otherwise": Mark("X", 9, "white", "black", "found off, for another reason"),
    "excluded": Mark("o", 7, "white", GREY, f"excluded, below {POSSIBLE:.0%}"),
}


def draw_chain(answer: "OffType", file: str | os.PathLike[str]) -> None:
    """Draw the part of the chain that the answer is about, as PNG or SVG.

    Beside each thing stand its code, its label, how many of the trees looked at were off, and the
    probability that it is not as labelled. Suspect steps bear the numbers of the causes, which are
    written out above.

    Raises
    ------
    RegistryError
        The file's ending is neither ``.png`` nor ``.svg``, or it cannot be written.
    """
    path = Path(file)
    if path.suffix.lower() not in FORMATS:
        raise RegistryError(f"'{path}' is no picture file; let its name end in .png or .svg")
    _Picture(answer).save(path)


class _Picture:
    """One picture in the making; its unit is the inch."""

    def __init__(self, answer: "OffType") -> None:
        from matplotlib.figure import Figure

        self._answer = answer
        self._shown: Shown = choose(answer)
        self._placed: Placed = place(self._shown.items, self._shown.ties)
        heights = [height for _, height in self._placed.places.values()]
        self._low, self._top = min(heights), max(heights)
        words = self._causes()
        above, below = 1.1 + 0.135 * words.count("\n"), 0.85
        size = (
            max(WIDE * len(self._placed.layers) + LEFT, 7.5),
            HIGH * (self._top - self._low + 1) + above + below,
        )
        self._figure = Figure(figsize=size)
        self._axes: Axes = self._figure.add_axes((0, 0, 1, 1))
        self._axes.set_xlim(0, size[0])
        self._axes.set_ylim(0, size[1])
        self._axes.axis("off")
        self._base = below + HIGH / 2
        self._title(size, words)
        self._used: set[str] = set()
        self._lines()
        for code, item in self._shown.items.items():
            self._thing(code, item)
        self._legend()

    def _at(self, column: int, height: float) -> tuple[float, float]:
        return LEFT + WIDE * column, self._base + HIGH * (height - self._low)

    # -------------------------------------------------------------------------------- what is said

    def _causes(self) -> str:
        from textwrap import fill

        width = 34 * max(len(self._placed.layers), 3)
        told = [
            fill(
                f"{number}  {per_cent(each.probability)}: {each.because}",
                width,
                subsequent_indent="    ",
            )
            for number, each in enumerate(self._shown.faults, 1)
        ]
        return "\n".join(told)

    def _title(self, size: tuple[float, float], words: str) -> None:
        answer = self._answer
        title = self._axes.text(0.2, size[1] - 0.2, "", fontsize=12, weight="bold", va="top")
        _write(title, f"{answer.code}, labelled {answer.label}: {looks_in_words(answer)}")
        _write(self._axes.text(0.2, size[1] - 0.48, "", fontsize=8, va="top"), words)
        for column, (generation, kind, tied) in enumerate(self._placed.layers):
            name = "tied again" if tied else TITLES[KINDS[kind]]
            again = ", grown here" if generation and kind == 0 else ""
            x, y = self._at(column, self._top)
            self._axes.text(
                x - 0.1, y + 0.36, f"{name}{again}", fontsize=9, color=GREY, weight="bold"
            )

    # -------------------------------------------------------------------------------- what is drawn

    def _lines(self) -> None:
        items = self._shown.items
        for source, code, way in self._placed.lines:
            wrong = items[code].probability >= LIKELY and items[source].probability >= LIKELY
            look = {"color": BLUE, "linewidth": 1.4} if wrong else {"color": LINE, "linewidth": 0.8}
            self._line([self._at(*each) for each in way], **look)
        for tie in self._shown.ties:
            one, other = (self._at(*self._placed.places[code]) for code in (tie.partner, tie.item))
            look = {"color": ORANGE, "linewidth": 1.4, "linestyle": (0, (3, 2))}
            if tie.cut_instead:
                self._line([one, other], **look)
            else:
                self._arc(one, other, **look)

    def _line(self, points: list[tuple[float, float]], **look: Any) -> None:
        """Draw a line from beside a thing's words to the mark of another, level at both ends."""
        from matplotlib.patches import PathPatch

        (x, y), *rest = points
        ways = [(1, (x + ROOM, y))]
        for i, (to, height) in enumerate(rest):
            half = (ways[-1][1][0] + to) / 2
            end = (to - MARGIN, height)
            ways += [(4, (half, ways[-1][1][1])), (4, (half, height)), (4, end)]
            if i < len(rest) - 1:
                ways.append((2, (to + ROOM, height)))
        self._axes.add_patch(PathPatch(_path(ways), fill=False, zorder=1, **look))

    def _arc(self, one: tuple[float, float], other: tuple[float, float], **look: Any) -> None:
        """Draw an arc at the left of two things of a column."""
        from matplotlib.patches import PathPatch

        left = min(one[0], other[0]) - MARGIN
        out = left - 0.25
        ways = [
            (1, (left, one[1])),
            (4, (out, one[1])),
            (4, (out, other[1])),
            (4, (left, other[1])),
        ]
        self._axes.add_patch(PathPatch(_path(ways), fill=False, zorder=1, **look))

    def _thing(self, code: str, item: "ChainItem") -> None:
        x, y = self._at(*self._placed.places[code])
        kind = self._kind(code, item)
        mark, numbers = MARKS[kind], self._shown.numbers(code)
        self._used.add(kind)
        look: dict[str, Any] = {"markerfacecolor": mark.face, "markeredgecolor": mark.edge}
        self._axes.plot(x, y, mark.shape, markersize=mark.size, zorder=3, **look)
        asked = code == self._answer.code.partition("/")[0]
        first = self._axes.text(x + 0.17, y + 0.02, "", fontsize=7.5, va="bottom", zorder=3)
        bold = asked or bool(numbers)
        _write(first, _short(item, LETTERS[bold]))
        if bold:
            first.set_fontweight("bold")
        second = self._axes.text(
            x + 0.17, y - 0.01, "", fontsize=6.5, va="top", color=GREY, zorder=3
        )
        _write(second, ", ".join(self._said(item)))
        if numbers:
            small = 7.5 if len(numbers) == 1 else 5
            inside: dict[str, Any] = {
                "color": "white",
                "weight": "bold",
                "ha": "center",
                "va": "center_baseline",
            }
            self._axes.text(x, y, ",".join(map(str, numbers)), fontsize=small, zorder=4, **inside)
        if asked:
            self._frame(x, y)

    def _frame(self, x: float, y: float) -> None:
        from matplotlib.patches import FancyBboxPatch

        corner, size = (x - MARGIN, y - 0.15), (ROOM + MARGIN - 0.05, 0.31)
        box = FancyBboxPatch(corner, *size, boxstyle="round,pad=0.01", fill=False, linewidth=1.2)
        self._axes.add_patch(box)

    def _kind(self, code: str, item: "ChainItem") -> str:
        if self._shown.numbers(code):
            return "suspect"
        if self._shown.partner(code):
            return "partner"
        return "otherwise" if is_otherwise_off(item) else grade(item.probability)

    def _said(self, item: "ChainItem") -> list[str]:
        """Return what was seen of a thing, how likely it is wrong, and what is not drawn of it."""
        told = [f"{item.off} of {item.checked} off"] if item.checked else []
        if any(tie.cut_instead and tie.partner == item.code for tie in self._shown.ties):
            told.append("cut instead?")
        if item.probability and not is_otherwise_off(item):
            told.append(_brief(item.probability))
        hidden = self._shown.hidden.get(item.code)
        return [*told, f"+{hidden} more"] if hidden else told

    def _legend(self) -> None:
        from matplotlib.lines import Line2D

        lines = [
            Line2D(
                [],
                [],
                linestyle="",
                marker=mark.shape,
                markersize=mark.size * 0.8,
                markerfacecolor=mark.face,
                markeredgecolor=mark.edge,
                label=mark.means,
            )
            for kind, mark in MARKS.items()
            if kind in self._used
        ]
        said = "framed: asked about; per cent: not as labelled; +n more: came of it and not drawn"
        self._axes.text(0.2, 0.12, said, fontsize=7.5, color=GREY)
        self._figure.legend(
            handles=lines,
            loc="lower left",
            bbox_to_anchor=(0.01, 0.3 / self._figure.get_figheight()),
            ncols=3,
            frameon=False,
            fontsize=7.5,
            labelspacing=0.9,
        )

    def save(self, path: Path) -> None:
        """Write the picture into a file."""
        import matplotlib

        # The same picture is the same file.
        same = {"Date": None} if path.suffix.lower() == ".svg" else {"Software": None}
        try:
            with matplotlib.rc_context({"svg.hashsalt": "scionreg"}):
                self._figure.savefig(path, dpi=150, metadata=same)
        except OSError as error:
            raise RegistryError(f"'{path}' cannot be written: {error.strerror or error}") from error


def _path(ways: list[tuple[int, tuple[float, float]]]) -> Any:
    """Return a path from matplotlib's codes (1 begin, 2 straight, 4 curve) and points."""
    from matplotlib.path import Path as Way

    return Way([point for _, point in ways], [code for code, _ in ways])


def _short(item: "ChainItem", room: int) -> str:
    """Return a code, and of a dispatch's customer or a cultivar's name as much as there is room."""
    said = f"to {item.place}" if item.kind == "dispatch" else item.label
    left = room - len(item.code) - 2
    if len(said) > left:
        said = f"{said[: left - 1]}…" if left > 3 else ""
    return f"{item.code}  {said}".rstrip()


def _brief(probability: float) -> str:
    return per_cent(probability).replace("more than ", ">").replace("less than ", "<")


def _write(text: Any, words: str) -> None:
    """Set a text that a user's names are part of: a dollar sign in one begins no formula."""
    text.set_parse_math(False)
    text.set_text(words)
