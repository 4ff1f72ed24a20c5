"""The sizes of labels, and the sheets they are on, in millimetres."""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from scionreg.documents.pdf import PAPERS
from scionreg.records.errors import RegistryError

INCH = 25.4
MOST = 1200.0
"""The largest side of a label or sheet, mm."""
MOST_IN_A_ROW = 100
"""The most labels one beside the other, or one below the other, on a sheet."""
EDGE = 7.0
"""Margin of plain paper that printers leave white, mm."""

SIZES = {
    "tag": (96.0, 40.0),
    "wood": (96.0, 40.0),
    "bundle": (96.0, 40.0),
    "stake": (96.0, 30.0),
    "tree": (96.0, 28.0),
    "box": (96.0, 70.0),
    "rootstock": (96.0, 40.0),
}
"""Width and height of labels by name; each kind of label has one of its own."""

NUMBER = r"(\d+(?:\.\d+)?)"
SIZE = re.compile(rf"{NUMBER}\s*[x×]\s*{NUMBER}\s*(mm|in)?", re.IGNORECASE)
LENGTH = re.compile(rf"{NUMBER}\s*(mm|in)?", re.IGNORECASE)

Size = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """A sheet of labels: `paper` and `label` are width and height.

    `top` and `left` are where the first label begins, `gap_y` and `gap_x` the room between rows and
    between columns. Plain paper is cut apart, so it gets `cut_lines`. All in mm.
    """

    paper: Size
    label: Size
    rows: int = 1
    columns: int = 1
    top: float = 0
    left: float = 0
    gap_y: float = 0
    gap_x: float = 0
    cut_lines: bool = False

    @property
    def number(self) -> int:
        """Return the number of labels on a sheet."""
        return self.rows * self.columns

    def places(self) -> Iterator[Size]:
        """Yield where each label of a sheet has its upper left corner, row by row."""
        width, height = self.label
        for row in range(self.rows):
            for column in range(self.columns):
                yield (
                    self.left + column * (width + self.gap_x),
                    self.top + row * (height + self.gap_y),
                )


def single(label: Size) -> Stock:
    """Return a roll: every label is a page of its own."""
    return Stock(paper=label, label=label)


def plain(paper: Size, label: Size) -> Stock:
    """Return plain paper with as many labels as fit, in its middle, to be cut apart.

    Raises
    ------
    RegistryError
        Not one fits.
    """
    (width, height), (wide, high) = paper, label
    columns, rows = int((width - 2 * EDGE) // wide), int((height - 2 * EDGE) // high)
    if not columns or not rows:
        raise RegistryError(
            f"no label of {shown(label)} fits on paper of {shown(paper)} with an edge of {EDGE:g} "
            "mm; take a smaller one"
        )
    return Stock(
        paper=paper,
        label=label,
        rows=rows,
        columns=columns,
        top=(height - rows * high) / 2,
        left=(width - columns * wide) / 2,
        cut_lines=True,
    )


def sheet(
    paper: Size,
    *,
    rows: int,
    columns: int,
    margins: Size = (0, 0),
    gaps: Size = (0, 0),
    label: Size | None = None,
) -> Stock:
    """Return label stock of `rows` and `columns`.

    `margins` are top and left (bottom and right are alike), `gaps` those between rows and between
    columns. The labels' size follows, unless `label` says that they are smaller.

    Raises
    ------
    RegistryError
        Nothing is left for the labels, or they do not fit.
    """
    if not (1 <= rows <= MOST_IN_A_ROW and 1 <= columns <= MOST_IN_A_ROW):
        raise RegistryError(f"a sheet of labels has 1 to {MOST_IN_A_ROW} rows and columns")
    (top, left), (gap_y, gap_x) = margins, gaps
    room = (
        (paper[0] - 2 * left - (columns - 1) * gap_x) / columns,
        (paper[1] - 2 * top - (rows - 1) * gap_y) / rows,
    )
    if min(room) <= 0:
        raise RegistryError(
            f"{rows} rows and {columns} columns with these margins and gaps leave no room for "
            f"labels on paper of {shown(paper)}"
        )
    wanted = label or room
    # What is printed on a box of labels is rounded.
    if wanted[0] > room[0] + 0.05 or wanted[1] > room[1] + 0.05:
        raise RegistryError(
            f"{rows} rows and {columns} columns leave {shown(room)} a label, less than "
            f"{shown(wanted)}"
        )
    return Stock(
        paper=paper,
        label=wanted,
        rows=rows,
        columns=columns,
        top=top,
        left=left,
        gap_y=gap_y,
        gap_x=gap_x,
    )


def read_size(text: str) -> Size:
    """Return a size that is named, or written as 70x37, 70x37mm or 3x1.5in."""
    if text.strip().lower() in SIZES:
        return SIZES[text.strip().lower()]
    match = SIZE.fullmatch(text.strip())
    size = _scaled(match) if match else None
    if size is None or len(size) != 2 or not all(0 < each <= MOST for each in size):
        raise RegistryError(
            f"'{text}' is no size of a label; write width x height, as in 70x37, 70x37mm or "
            f"3x1.5in, or one of {', '.join(SIZES)}"
        )
    return size[0], size[1]


def read_paper(text: str) -> Size:
    """Return the size of paper that is named, or written as a label's size is."""
    for name, size in PAPERS.items():
        if name.lower() == text.strip().lower():
            return size
    if SIZE.fullmatch(text.strip()):
        return read_size(text)
    raise RegistryError(
        f"'{text}' is no paper; write {', '.join(PAPERS)}, roll, or width x height in mm"
    )


def read_pair(text: str, what: str) -> Size:
    """Return one or two lengths, parted by a comma; one counts twice. `what` names them."""
    parts = [LENGTH.fullmatch(part.strip()) for part in text.split(",")]
    lengths = [_scaled(part)[0] for part in parts if part]
    if len(lengths) != len(parts) or len(lengths) > 2:
        raise RegistryError(f"'{text}' are no {what}; write one or two in mm, as in 13,7.5")
    return lengths[0], lengths[-1]


def _scaled(match: re.Match[str]) -> list[float]:
    """Return the numbers of a match in mm; its last group is the unit."""
    *numbers, unit = match.groups()
    return [float(each) * (INCH if (unit or "").lower() == "in" else 1) for each in numbers]


def shown(size: Size, units: str = "SI") -> str:
    """Return a size in words, in mm or inches."""
    if units == "US":
        return f"{size[0] / INCH:.2f} x {size[1] / INCH:.2f} in"
    return f"{size[0]:.4g} x {size[1]:.4g} mm"
