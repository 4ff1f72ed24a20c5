"""A field sheet on paper: wide rows to write in with a marker, everything known beneath them.

Nothing is cut off: text that is too long is broken into lines, and its row grows.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scionreg.documents import pdf
from scionreg.documents.field_sheets import icons
from scionreg.documents.field_sheets.kinds import heading, must_be_filled, numbered, on_paper, shown
from scionreg.documents.field_sheets.sheet import FieldSheet, Line
from scionreg.documents.pdf import BLACK, BOLD, CODE, GREY, LIGHT, MM, REGULAR, width
from scionreg.records.cells import (
    Choice,
    Code,
    CultivarName,
    Day,
    Moment,
    Number,
    Positions,
    Ref,
    Whole,
    YesNo,
)
from scionreg.records.vocabulary import Found
from scionreg.records.words import Words

MARGIN = 9.0
NUMBER = 8.0
"""Width of the column of row numbers."""
WRITTEN = 9.0
"""Height of what is written into, enough for a marker held in a glove."""
HEAD, TITLE = 17.0, 14.0
HEADING_EDGES = 1.2
"""Room left and right of a heading together."""
LEADING = 3.6
TOLD, FINE = 8.0, 6.6
"""Sizes of print in points; all other measures in mm."""

CAUTIONS = {
    "cutting": ("tools", "rights"),
    "packing": ("tools",),
    "grafting": ("tools", "rights"),
    "counting": (),
    "identity": ("laboratory",),
    "cooler": (),
}


@dataclass(frozen=True, slots=True)
class _Column:
    """A column on paper: `left` and `wide` in mm."""

    of: Any
    heading: str
    left: float
    wide: float


def write_pdf(
    sheet: FieldSheet, path: Path, words: Words, *, units: str = "SI", paper: str = "", blank: int
) -> None:
    """Write a sheet as pages of PDF, with at least `blank` empty rows at the end.

    `paper` is A4 or Letter, else what goes with the units.

    Raises
    ------
    RegistryError
        The file cannot be written.
    """
    short, long = pdf.PAPERS[paper or pdf.usual_paper(units)]
    title = words(f"field_sheet.title.{sheet.name}")
    with pdf.new_pdf(path, (long, short), title=title) as canvas:
        page = _Paper(canvas, sheet, words, units, (long, short))
        pages = page.divided([*sheet.lines, *[Line(cells={})] * blank])
        first = 1
        for number, lines in enumerate(pages, start=1):
            page.draw(lines, first, number, len(pages))
            first += len(lines)


class _Paper:
    """Draws the pages of one sheet."""

    def __init__(
        self,
        canvas: Any,
        sheet: FieldSheet,
        words: Words,
        units: str,
        size: tuple[float, float],
    ) -> None:
        self.canvas, self.sheet, self.words = canvas, sheet, words
        self.wide, self.high = size
        self.columns = _columns(sheet.kind, words, units, self.wide - 2 * MARGIN - NUMBER)
        self.legend = self._broken(_legend(sheet.kind, words), TOLD)
        said = [words(f"caution.{name}") for name in CAUTIONS[sheet.name]]
        self.cautions = self._broken(said, FINE)

    # Which rows on which page

    def divided(self, lines: Sequence[Line]) -> list[list[Line]]:
        """Return the rows page by page; the last page is filled up with empty ones."""
        pages: list[list[Line]] = [[]]
        room = self._room(1)
        for line in lines:
            if self._height(line) > room and pages[-1]:
                pages.append([])
                room = self._room(len(pages))
            pages[-1].append(line)
            room -= self._height(line)
        pages[-1] += [Line(cells={})] * int(room // self._height(Line(cells={})))
        return pages

    def _room(self, page: int) -> float:
        """Return the height that a page has for rows; the cautions are on the first one only."""
        below = len(self._below(page)) * LEADING
        return self.high - 2 * MARGIN - TITLE - HEAD - below - 1

    def _height(self, line: Line) -> float:
        told = len(self._told(line))
        return self._written(line) + (told * LEADING + 1 if told else 0)

    def _written(self, line: Line) -> float:
        """Return the height of a row's cells: one line of print, or as many as a text needs."""
        most = max((len(_fitted(each, line, self.words)[0]) for each in self.columns), default=1)
        return max(WRITTEN, 2 + most * LEADING)

    def _told(self, line: Line) -> list[tuple[str, bool]]:
        """Return the lines beneath a row, each with whether it warns."""
        room = self.wide - 2 * MARGIN - NUMBER - 6
        found = [(text, False) for text in _wrapped(line.told, REGULAR, TOLD, room)]
        for warned in line.warned:
            found += [(text, True) for text in _wrapped(warned, BOLD, TOLD, room)]
        return found

    def _broken(self, texts: Sequence[str], size: float) -> list[str]:
        room = self.wide - 2 * MARGIN
        return [line for text in texts for line in _wrapped(text, REGULAR, size, room)]

    # Drawing

    def draw(self, lines: Sequence[Line], first: int, number: int, pages: int) -> None:
        """Draw one page, whose first row has the number `first`."""
        top = self.high - MARGIN
        self._title(top, number, pages)
        top = self._head(top - TITLE)
        for row, line in enumerate(lines, start=first):
            top = self._row(top, row, line)
        self._foot(number)
        self.canvas.showPage()

    def _title(self, top: float, number: int, pages: int) -> None:
        icons.draw(self.canvas, icons.SHEETS[self.sheet.name], MARGIN * MM, (top - 9) * MM, 9 * MM)
        self._print(
            MARGIN + 12, top - 7.5, self.words(f"field_sheet.title.{self.sheet.name}"), BOLD, 18
        )
        of = self.words("field_sheet.page", number=number, pages=pages)
        self._print(self.wide - MARGIN - width(of, REGULAR, 9) / MM, top - 4, of, REGULAR, 9)
        left = self.wide / 2 - 20
        for title, text in self.sheet.facts:
            self._print(left, top - 3, title, REGULAR, FINE, GREY)
            self._print(left, top - 8, text, BOLD, 11)
            wide = max(24.0, width(text, BOLD, 11) / MM)
            if not text:
                self._rule(left, top - 9, left + wide, top - 9)
            left += wide + 6

    def _head(self, top: float) -> float:
        """Draw the heads of the columns and return where the rows begin."""
        self.canvas.setFillColor(LIGHT)
        self._box(MARGIN, top - HEAD, self.wide - 2 * MARGIN, HEAD, fill=1)
        self.canvas.setFillColor(BLACK)
        for each in self.columns:
            icon = icons.of_column(self.sheet.kind, each.of.name)
            icons.draw(self.canvas, icon, (each.left + 0.8) * MM, (top - 5.2) * MM, 4.4 * MM)
            for line, text in enumerate(
                _wrapped(each.heading, BOLD, FINE, each.wide - HEADING_EDGES)
            ):
                self._print(each.left + 0.8, top - 8 - line * 2.7, text, BOLD, FINE)
            self._rule(each.left, top, each.left, top - HEAD)
        return top - HEAD

    def _row(self, top: float, number: int, line: Line) -> float:
        written, high = self._written(line), self._height(line)
        self._box(MARGIN, top - high, self.wide - 2 * MARGIN, high)
        size = min(10, 10 * (NUMBER - 2) / (width(str(number), BOLD, 10) / MM))
        self._print(MARGIN + 1, top - 6, str(number), BOLD, size)
        self._rule(MARGIN + NUMBER, top, MARGIN + NUMBER, top - high)
        for each in self.columns:
            self._rule(each.left, top, each.left, top - written)
            texts, font, size = _fitted(each, line, self.words)
            for at, text in enumerate(texts):
                self._print(each.left + 0.8, top - 5.6 - at * LEADING, text, font, size)
        told = self._told(line)
        if told:
            self._rule(MARGIN + NUMBER, top - written, self.wide - MARGIN, top - written, GREY)
        base = top - written - LEADING + 0.5
        for text, warns in told:
            left = MARGIN + NUMBER + 1
            if warns:
                icons.draw(self.canvas, icons.WARNING, left * MM, (base - 0.4) * MM, 3.2 * MM)
            self._print(left + 4 * warns, base, text, BOLD if warns else REGULAR, TOLD)
            base -= LEADING
        return top - high

    def _below(self, page: int) -> list[tuple[str, float]]:
        """Return the lines beneath the rows, each with its size; cautions once."""
        about = [self.words(f"field_sheet.{name}") for name in ("must", "code", "ditto")]
        about.append(self.words("field_sheet.back", sheet=self.sheet.name))
        lines = [(text, TOLD) for text in self.legend]
        lines += [(text, FINE) for text in self._broken(["  ".join(about)], FINE)]
        return lines + [(text, FINE) for text in self.cautions if page == 1]

    def _foot(self, number: int) -> None:
        lines = self._below(number)
        for above, (text, size) in enumerate(reversed(lines)):
            self._print(MARGIN, MARGIN + above * LEADING, text, REGULAR, size)

    def _print(
        self, left: float, base: float, text: str, font: str, size: float, colour: str = BLACK
    ) -> None:
        self.canvas.setFillColor(colour)
        self.canvas.setFont(font, size)
        self.canvas.drawString(left * MM, base * MM, text)
        self.canvas.setFillColor(BLACK)

    def _rule(
        self, left: float, bottom: float, right: float, top: float, colour: str = BLACK
    ) -> None:
        self.canvas.setStrokeColor(colour)
        self.canvas.setLineWidth(0.5)
        self.canvas.line(left * MM, bottom * MM, right * MM, top * MM)
        self.canvas.setStrokeColor(BLACK)

    def _box(self, left: float, bottom: float, wide: float, high: float, fill: int = 0) -> None:
        self.canvas.setLineWidth(0.8)
        self.canvas.rect(left * MM, bottom * MM, wide * MM, high * MM, stroke=1, fill=fill)


def _columns(kind: str, words: Words, units: str, room: float) -> list[_Column]:
    """Return every column of a kind in its place; they share the width by what they hold."""
    found, left = [], MARGIN + NUMBER
    columns = on_paper(kind)
    titles = [heading(each, words, units) + "*" * must_be_filled(each) for each in columns]
    widths = _shared(room, [_weight(each) for each in columns], [_widest(t) for t in titles])
    for column, title, wide in zip(columns, titles, widths, strict=True):
        found.append(_Column(column, title, left, wide))
        left += wide
    return found


def _widest(title: str) -> float:
    """Return the width that a column needs, so that no word of its heading is broken."""
    hair = 0.01  # sums of floats
    return max(width(word, BOLD, FINE) / MM for word in title.split()) + HEADING_EDGES + hair


def _shared(room: float, weights: Sequence[float], least: Sequence[float]) -> list[float]:
    """Return widths by weight, none below its least; by weight alone where there is no room."""
    kept: dict[int, float] = {}
    while sum(kept.values()) < room and len(kept) < len(weights):
        free = sum(each for at, each in enumerate(weights) if at not in kept)
        scale = (room - sum(kept.values())) / free
        widths = [kept.get(at, each * scale) for at, each in enumerate(weights)]
        narrow = {at: wide for at, wide in enumerate(least) if wide > widths[at]}
        if not narrow:
            return widths
        kept |= narrow
    return [each * room / sum(weights) for each in weights]


def _weight(column: Any) -> float:
    """Return the width in mm that a column would have where nothing else counts."""
    match column.info["cell"]:
        case Ref() as cell if set(cell.kinds) <= {"people", "blocks"}:
            return 13
        case Code() | Ref() | CultivarName() | Moment() | Positions():
            return 25
        case Day():
            return 21
        case Number() as cell:
            return 17 if cell.unit == "degrees" else 13
        case Whole() | YesNo() | Choice():
            return 12.5
        case _:
            return 30 if column.name in ("note", "reference") else 16


def _fitted(column: _Column, line: Line, words: Words) -> tuple[list[str], str, float]:
    """Return a cell's text in lines that fit, with its font and size; codes in fixed width."""
    text = line.cells.get(column.of.name, "")
    if not text:
        return [], REGULAR, TOLD
    cell, room = column.of.info["cell"], column.wide - 1.4
    text = shown(cell, text, words)
    font = CODE if isinstance(cell, Code | Ref) else REGULAR
    for size in (10.0, 9.0, 8.0):
        if width(text, font, size) / MM <= room:
            return [text], font, size
    return _wrapped(text, font, TOLD, room), font, TOLD


def _legend(kind: str, words: Words) -> list[str]:
    """Return for each column of words which numeral stands for which."""
    columns = on_paper(kind)
    said = []
    for column in columns:
        cell = column.info["cell"]
        if isinstance(cell, Choice):
            named = dict(zip(numbered(cell), cell.words, strict=True))
            every = ", ".join(f"{number} {words.word(word)}" for number, word in named.items())
            said.append(_of(column.name, words, every))
    names = [column.name for column in columns]
    if "found" in names:
        found = ", ".join(words.word(word) for word in Found)
        said.append(_of("found", words, words("field_sheet.legend.found", words=found)))
    if "bud_stage" in names:
        said.append(_of("bud_stage", words, words("field_sheet.legend.bud_stage")))
    if "share_cut" in names:
        said.append(words("field_sheet.legend.share"))
    if any(isinstance(column.info["cell"], YesNo) for column in columns):
        said.append(words("field_sheet.legend.yes_no"))
    return [";  ".join(said)] if said else []


def _of(column: str, words: Words, text: str) -> str:
    return f"{words(f'field_sheet.heading.{column}')}: {text}"


def _wrapped(text: str, font: str, size: float, room: float) -> list[str]:
    """Return text in lines of at most `room` mm, broken at blanks, long words anywhere."""
    lines: list[str] = []
    for word in text.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and width(joined, font, size) / MM <= room:
            lines[-1] = joined
            continue
        while width(word, font, size) / MM > room:
            fits = _fitting(word, font, size, room)
            lines.append(word[:fits])
            word = word[fits:]
        if word:
            lines.append(word)
    return lines


def _fitting(word: str, font: str, size: float, room: float) -> int:
    """Return how many letters of a word fit, at least one."""
    fits = 1
    while fits < len(word) and width(word[: fits + 1], font, size) / MM <= room:
        fits += 1
    return fits
