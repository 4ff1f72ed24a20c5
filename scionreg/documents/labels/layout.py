"""Where everything on a label goes: as large as all of it fits, and never too small to read.

Plain numbers in millimetres from the upper left corner, so that a page and a picture are drawn from
the same layout, and a test can look at it.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

from scionreg.documents import pdf
from scionreg.documents.labels.saying import Fact, Label
from scionreg.records.errors import RegistryError

ARMS_LENGTH, NEAR = 700.0, 350.0
"""How far off a code is read, and the facts, mm."""
DISTANCE_A_HEIGHT = 200
"""Letters are at least a 200th of the distance they are read from high: US Federal Aviation
Administration, Human Factors Awareness, "Character and Symbol Size"."""
LEAST_CODE = ARMS_LENGTH / DISTANCE_A_HEIGHT
LEAST_FACT = NEAR / DISTANCE_A_HEIGHT
"""Least height of the code's capitals, and of the facts', mm."""

CODE_HEIGHTS = (LEAST_CODE, 11.0)
HEADING_HEIGHTS = (LEAST_FACT * 1.2, 7.0)
FACT_HEIGHTS = (LEAST_FACT, 3.5)
PEN_HEIGHTS = (5.0, 8.0)
"""Height of a line for a marker pen (common practice, no source)."""
MODULES = (0.4, 0.9)
"""Side of a module of the QR code that phones and hand scanners read (common practice, no
source)."""
QUIET = 4
"""White modules around a QR code (ISO/IEC 18004)."""

EDGE = 1.5
"""Left white along the edge, mm."""
LEADING = 1.75
"""Height of a row, in heights of its capitals."""
STEPS = 24
TICK = 1.1
"""Room that a box to tick takes before its word, in font sizes."""
LINE = 0.25
"""Thickness of a line to write on, mm."""


class Text(NamedTuple):
    """Text that stands on its baseline; `size` is the font's, mm."""

    x: float
    y: float
    size: float
    font: str
    text: str


class Bar(NamedTuple):
    """A black rectangle."""

    x: float
    y: float
    width: float
    height: float


class Box(NamedTuple):
    """An empty box to tick."""

    x: float
    y: float
    side: float


class Symbol(NamedTuple):
    """A QR code without its quiet zone; each row is a string of 0 and 1."""

    x: float
    y: float
    module: float
    rows: tuple[bytes, ...]


Item = Text | Bar | Box | Symbol


@dataclass(frozen=True, slots=True)
class Drawing:
    """A label as it is to be drawn. `left_out` names what the label was too small for."""

    size: tuple[float, float]
    items: tuple[Item, ...]
    left_out: tuple[str, ...] = ()


class TooSmallError(RegistryError):
    """A label is too small for what has to be read on it."""


@lru_cache(maxsize=4096)
def symbol(code: str) -> tuple[bytes, ...]:
    """Return the QR code of a code, with as much error correction as its size holds."""
    import segno

    return tuple(bytes(row) for row in segno.make_qr(code, error="m", boost_error=True).matrix)


def lay_out(label: Label, size: tuple[float, float], *, dot: float = 0) -> Drawing:
    """Return a label's drawing, as large as everything fits; what need not be on it goes first.

    `dot` is the size of a printer's dots in mm: modules of the QR code are whole dots.

    Raises
    ------
    TooSmallError
        The code could not be read at arm's length, or what has to be on the label has no room.
    """
    facts = list(label.facts)
    left_out: list[str] = []
    while True:
        largest = _largest(label, facts, size, dot)
        if largest is not None:
            return Drawing(size, tuple(largest), tuple(left_out))
        spare = [each for each in facts if not each.must]
        if not spare:
            raise _too_small(label, size)
        facts.remove(spare[-1])
        left_out.append(spare[-1].name)


def _largest(
    label: Label, facts: Sequence[Fact], size: tuple[float, float], dot: float
) -> "list[Item] | None":
    """Return the largest layout that fits: first of everything, then of the code alone."""
    pieces = tuple(_pieces(facts))

    def tried(scale: int, code_scale: int) -> "list[Item] | None":
        return _Page(label, pieces, size, dot, scale / STEPS, code_scale / STEPS).laid_out()

    if tried(0, 0) is None:
        return None
    scale = _last(0, lambda step: tried(step, step) is not None)
    return tried(scale, _last(scale, lambda step: tried(scale, step) is not None))


def _last(known: int, fits: Callable[[int], bool]) -> int:
    """Return the last step that fits, by halving: larger ones fit less."""
    beyond = STEPS + 1
    while beyond - known > 1:
        middle = (known + beyond) // 2
        known, beyond = (middle, beyond) if fits(middle) else (known, middle)
    return known


def _too_small(label: Label, size: tuple[float, float]) -> TooSmallError:
    """Return what is refused, with the next size of the same shape that holds it."""
    where = f"{size[0]:.4g} x {size[1]:.4g} mm"
    needed = [each for each in label.facts if each.must]
    if _largest(label, (), size, 0) is None:
        what = (
            f"its code, which is to be read at arm's length ({LEAST_CODE:g} mm high, with its QR "
            "code beside it)"
        )
    else:
        what = ", ".join(each.name for each in needed)
    said = f"{label.code}: a label of {where} is too small for {what}"
    for percent in range(110, 1000, 10):
        wide, high = (math.ceil(side * percent / 100) for side in size)
        if _largest(label, needed, (wide, high), 0) is not None:
            return TooSmallError(f"{said}; {wide} x {high} mm is large enough")
    return TooSmallError(said)


class _Piece(NamedTuple):
    """What stands together in a row: a title, then text, a line to write on, or boxes to tick.

    `wide` is the width of its letters and boxes, in font sizes; `room` that of the line, mm.
    """

    title: str
    text: str
    room: float
    ticks: tuple[str, ...]
    wide: float

    def width(self, size: float) -> float:
        """Return its width where the font has a `size`, mm."""
        return self.wide * size + self.room

    def parted(self, size: float, room: float) -> "tuple[_Piece, _Piece | None]":
        """Return as many of its words as a room holds, and the rest of them."""
        words = self.text.split()
        for taken in range(len(words) - 1, 0, -1):
            begun = _piece(self.title, " ".join(words[:taken]))
            if taken == 1 or begun.width(size) <= room:
                return begun, _piece("", " ".join(words[taken:]))
        return self, None


def _piece(title: str, text: str = "", room: float = 0, ticks: tuple[str, ...] = ()) -> _Piece:
    wide = _width(title, pdf.REGULAR) + _width(text, pdf.BOLD)
    wide += sum(_width(each, pdf.REGULAR) + TICK + 1 for each in ticks) - bool(ticks)
    return _Piece(title, text, room, ticks, wide)


def _pieces(facts: Iterable[Fact]) -> Iterator[_Piece]:
    """Yield the pieces of facts; a fact's boxes to tick may come in the next row."""
    for fact in facts:
        title = f"{fact.title} " if fact.title else ""
        piece = _piece(title, fact.text or "", fact.room if fact.text is None else 0)
        wide = max((_piece(title, each).wide for each in fact.instead), default=0)
        yield piece._replace(wide=max(piece.wide, wide))
        if fact.choices:
            yield _piece("", ticks=fact.choices)


@dataclass(slots=True)
class _Page:
    """One try: everything at a `scale` from 0, the least that can be read, to 1.

    `code_scale` is that of the code and the QR code.
    """

    label: Label
    pieces: Sequence[_Piece]
    size: tuple[float, float]
    dot: float
    scale: float
    code_scale: float
    y: float = EDGE
    items: list[Item] = field(default_factory=list)
    beside: float = 0
    """Width of the QR code with its quiet zone."""

    def laid_out(self) -> "list[Item] | None":
        """Return everything in its place, None where it does not fit."""
        if self._symbol() and self._code() and self._heading():
            self._rows(self.pieces)
            if self.y <= self.size[1] - EDGE:
                return self.items
        return None

    def _room(self, height: float) -> float:
        """Return the width there is for a row of some height, beside the QR code or below it."""
        clear = self.y >= self.beside
        return self.size[0] - EDGE - (EDGE if clear else max(self.beside, EDGE))

    def _symbol(self) -> bool:
        """Place the QR code in the upper right corner."""
        rows = symbol(self.label.code)
        module = _at(self.code_scale, MODULES)
        if self.dot:
            module = max(module // self.dot, -(-MODULES[0] // self.dot)) * self.dot
        self.beside = (len(rows) + 2 * QUIET) * module
        quiet = QUIET * module
        self.items.append(Symbol(self.size[0] - self.beside + quiet, quiet, module, rows))
        return self.beside <= self.size[1] and self.beside <= self.size[0] * 0.55

    def _code(self) -> bool:
        """Place the code, in one line or two, with a bar beneath that tells which way up it is."""
        most = _at(self.code_scale, CODE_HEIGHTS) / pdf.CAP_HEIGHT
        room = self._room(0)
        for lines in _in_lines(self.label.code):
            fitting = room / max(_width(line, pdf.CODE) for line in lines)
            size = min(most, fitting)
            height = size * pdf.CAP_HEIGHT
            if height >= LEAST_CODE - 1e-9:
                break
        else:
            return False
        for line in lines:
            self.y += height
            self.items.append(Text(EDGE, self.y, size, pdf.CODE, line))
            self.y += 0.25 * height
        wide = max(_width(line, pdf.CODE) for line in lines) * size
        self.items.append(Bar(EDGE, self.y, wide, 0.1 * height))
        self.y += 0.35 * height
        return True

    def _heading(self) -> bool:
        """Place the heading in bold, smaller or in two lines where it is long."""
        heading = self.label.heading
        if heading.text is None:
            self._rows([_piece(f"{heading.title} ", room=heading.room)])
            return True
        height = _at(self.scale, HEADING_HEIGHTS)
        least = HEADING_HEIGHTS[0]
        room = self._room(height)
        wide = _width(heading.text, pdf.BOLD) / pdf.CAP_HEIGHT
        height = max(least, min(height, room / wide))
        for line in _wrapped(heading.text, pdf.BOLD, height / pdf.CAP_HEIGHT, room):
            self.y += height
            self.items.append(Text(EDGE, self.y, height / pdf.CAP_HEIGHT, pdf.BOLD, line))
            if _width(line, pdf.BOLD) * height / pdf.CAP_HEIGHT > room + 1e-6:
                return False
            self.y += 0.5 * height
        return True

    def _rows(self, pieces: Sequence[_Piece]) -> None:
        """Place pieces in rows, as many in each as fit; a longer one goes on in the next row."""
        height = _at(self.scale, FACT_HEIGHTS)
        size = height / pdf.CAP_HEIGHT
        rest = list(pieces)
        while rest and self.y <= self.size[1]:
            room = self._room(height)
            first, more = rest.pop(0), None
            if first.width(size) > room:
                first, more = first.parted(size, room)
            row, spare = [first], room - first.width(size)
            if more is not None:
                rest.insert(0, more)
            elif spare < 0:
                self.y = self.size[1] + 1
                return
            while rest and more is None and size + rest[0].width(size) <= spare:
                spare -= size + rest[0].width(size)
                row.append(rest.pop(0))
            self._row(row, size, spare)

    def _row(self, row: Sequence[_Piece], size: float, spare: float) -> None:
        """Place one row; lines to write on share the room that is left."""
        lines = sum(each.room > 0 for each in row)
        height = size * pdf.CAP_HEIGHT
        high = max(_at(self.scale, PEN_HEIGHTS) if lines else 0, height * LEADING)
        base = self.y + high - (1.0 if lines else height * 0.4)
        x = EDGE
        for piece in row:
            written = x + _width(piece.title, pdf.REGULAR) * size
            self._text(x, base, size, pdf.REGULAR, piece.title)
            self._text(written, base, size, pdf.BOLD, piece.text)
            x += piece.width(size) + size
            if piece.room:
                x += max(0.0, spare) / lines
                self.items.append(Bar(written, base, x - size - written, LINE))
            at = written
            for word in piece.ticks:
                self.items.append(Box(at, base - height, height))
                self._text(at + TICK * size, base, size, pdf.REGULAR, word)
                at += (_width(word, pdf.REGULAR) + TICK + 1) * size
        self.y += high

    def _text(self, x: float, y: float, size: float, font: str, text: str) -> None:
        if text:
            self.items.append(Text(x, y, size, font, text))


def _at(scale: float, least_and_most: tuple[float, float]) -> float:
    least, most = least_and_most
    return least + (most - least) * scale


def _in_lines(code: str) -> Iterator[tuple[str, ...]]:
    """Yield a code in one line, then in two, parted after the group that makes them most alike."""
    yield (code,)
    parted = [(code[: i + 1], code[i + 1 :]) for i, sign in enumerate(code[:-1]) if sign in "-/ ._"]
    if parted:
        yield min(parted, key=lambda lines: max(map(len, lines)))


def _wrapped(text: str, font: str, size: float, room: float) -> Iterator[str]:
    """Yield text in lines of at most `room`; a word that is longer stands alone."""
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if line and _width(longer, font) * size > room:
            yield line
            line = word
        else:
            line = longer
    if line:
        yield line


@lru_cache(maxsize=65_536)
def _width(text: str, font: str) -> float:
    """Return how wide text is in font sizes."""
    return pdf.width(text, font, 1000) / 1000
