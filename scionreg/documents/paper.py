"""A paper of titles, facts, tables and notes, as a page that needs no network and as PDF.

What a paper says is put together once, as plain text; here it is only laid out. Whatever the
records hold is text in both, never markup.
"""

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from scionreg.documents import pdf
from scionreg.records.words import Words

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import Flowable

TEMPLATE = "paper.html"
MARGIN, FOOT = 13.0, 19.0
"""Millimetres around a page of PDF, and beneath its text."""
PADDING = 6
"""Points that reportlab leaves around the text of a page."""
SIZE, SMALL, LEAD = 8.0, 7.0, 1.3
QR = 24.0
"""Side of the code that is scanned, mm, its quiet zone included."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows of text under headings; `widths` are shares of the page, in the order of the columns.

    `strong` are the numbers of the rows that are set in bold.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    strong: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of a paper: a title, a table perhaps, lines beneath it, and pictures (SVG) in it."""

    title: str
    table: Table | None = None
    lines: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    """Small print beneath the lines."""
    pictures: tuple[tuple[str, str], ...] = ()
    """What a picture shows, and the picture; a PDF leaves them out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """All that a paper says, in a `language` that is named by its BCP 47 tag.

    `scanned` is the text of a code that is scanned, empty for none.
    """

    language: str
    title: str
    code: str
    lead: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    foot: tuple[str, ...]
    scanned: str = ""
    scan_says: str = ""

    def texts(self) -> Iterator[str]:
        """Yield all that is printed as text."""
        yield from (self.title, self.code, self.lead, self.scan_says, *self.foot)
        yield from (text for fact in self.facts for text in fact)
        for section in self.sections:
            yield from (section.title, *section.lines, *section.notes)
            for row in (section.table.columns, *section.table.rows) if section.table else ():
                yield from row


def write_paper(
    paper: Paper, file: str | os.PathLike[str], words: Words, *, size: str = "A4"
) -> None:
    """Write a paper as HTML, or PDF of a `size` named in `PAPERS`, by the ending of the file.

    Raises
    ------
    RegistryError
        The file has another ending, or cannot be written.
    """
    with pdf.new_file(file, ".html", ".pdf") as path:
        if path.suffix.lower() == ".html":
            path.write_text(as_html(paper), encoding="utf-8")
        else:
            _write_pdf(paper, path, words, pdf.PAPERS[size])


# ------------------------------------------------------------------------------------------ HTML


def as_html(paper: Paper) -> str:
    """Return a paper as one page of HTML."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string((files(__package__) / TEMPLATE).read_text(encoding="utf-8"))
    return template.render(
        paper=paper, scanned=_data_uri(_qr_svg(paper.scanned)), picture=_data_uri
    )


def _data_uri(svg: str) -> str:
    """Return a picture as an address that holds it."""
    from base64 import b64encode

    return f"data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}" if svg else ""


def _qr_svg(text: str) -> str:
    import io

    import segno

    if not text:
        return ""
    out = io.BytesIO()
    segno.make_qr(text, error="m").save(out, kind="svg", border=2, xmldecl=False, omitsize=True)
    return out.getvalue().decode()


# ------------------------------------------------------------------------------------------- PDF


def _write_pdf(
    paper: Paper, path: os.PathLike[str], words: Words, size: tuple[float, float]
) -> None:
    from reportlab.platypus import SimpleDocTemplate

    pdf.register_fonts()
    wide = (size[0] - 2 * MARGIN) * pdf.MM
    document = SimpleDocTemplate(
        str(path),
        pagesize=(size[0] * pdf.MM, size[1] * pdf.MM),
        leftMargin=MARGIN * pdf.MM - PADDING,
        rightMargin=MARGIN * pdf.MM - PADDING,
        topMargin=MARGIN * pdf.MM - PADDING,
        bottomMargin=FOOT * pdf.MM - PADDING,
        title=f"{paper.title} {paper.code}",
        author="",
    )
    story = [*_head(paper, wide)]
    for section in paper.sections:
        story += _section(section, wide)
    story += [_text(each, SMALL, color=pdf.GREY, before=3) for each in paper.foot]
    document.build(story, canvasmaker=_numbered(f"{paper.title} {paper.code}", words))


def _numbered(title: str, words: Words) -> Any:
    """Return a canvas that writes the number of each page and of all pages beneath it."""
    from reportlab.pdfgen.canvas import Canvas

    class Numbered(Canvas):  # type: ignore[misc]
        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            self._pages: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self._pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, state in enumerate(self._pages, 1):
                self.__dict__.update(state)
                _number_page(self, title, words("paper.page", number=number, all=len(self._pages)))
                super().showPage()
            super().save()

    return Numbered


def _number_page(canvas: "Canvas", title: str, page: str) -> None:
    wide, height = canvas._pagesize[0], (FOOT - MARGIN / 2) * pdf.MM
    canvas.setFont(pdf.REGULAR, SMALL)
    canvas.setFillColor(pdf.GREY)
    canvas.drawString(MARGIN * pdf.MM, height, title)
    canvas.drawRightString(wide - MARGIN * pdf.MM, height, page)


def _head(paper: Paper, wide: float) -> "Iterator[Flowable]":
    """Yield the title, the facts in two columns, and the code that is scanned beside them."""
    from reportlab.platypus import Spacer

    told: list[Flowable] = [
        _text(paper.title, 10, color=pdf.GREY),
        _text(paper.code, 15, font=pdf.CODE),
        _text(paper.lead, SIZE, before=2),
    ]
    if not paper.scanned:
        yield from told
    else:
        side = QR * pdf.MM
        scan = [_scan(paper.scanned, side), _text(paper.scan_says, 6, color=pdf.GREY)]
        yield _grid([[told, scan]], [wide - side - 8, side + 8])
    yield Spacer(1, 4)
    half = (len(paper.facts) + 1) // 2
    columns = [paper.facts[:half], paper.facts[half:]]
    cells = []
    for i in range(half):
        row: list[Any] = []
        for column in columns:
            label, value = column[i] if i < len(column) else ("", "")
            row += [_text(label, SMALL, color=pdf.GREY), _text(value, SIZE)]
        cells.append(row)
    if cells:
        yield _grid(cells, [0.14 * wide, 0.36 * wide, 0.14 * wide, 0.36 * wide], lined=True)


def _section(section: Section, wide: float) -> "Iterator[Flowable]":
    from reportlab.platypus import CondPageBreak

    yield CondPageBreak(14 * pdf.MM)
    yield _text(section.title, 9.5, font=pdf.BOLD, before=6, after=1)
    if section.table is not None:
        yield _table(section.table, wide)
    for line in section.lines:
        yield _text(f"– {line}", SIZE, before=1)
    for note in section.notes:
        yield _text(note, SMALL, color=pdf.GREY, before=2)


def _table(table: Table, wide: float) -> "Flowable":
    head = [_text(each, SMALL, color=pdf.GREY) for each in table.columns]
    body = [
        [_text(cell, SIZE, font=pdf.BOLD if i in table.strong else pdf.REGULAR) for cell in row]
        for i, row in enumerate(table.rows)
    ]
    whole = sum(table.widths)
    return _grid(
        [head, *body], [wide * share / whole for share in table.widths], lined=True, head=1
    )


def _grid(
    cells: Sequence[Sequence[Any]], widths: Sequence[float], *, lined: bool = False, head: int = 0
) -> "Flowable":
    from reportlab.platypus import Table as Grid

    style: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
    ]
    if lined:
        style.append(("LINEBELOW", (0, 0), (-1, -1), 0.3, pdf.LIGHT))
    # A row that is longer than a page goes on over the next ones.
    return Grid(
        list(cells),
        colWidths=list(widths),
        style=style,
        repeatRows=head,
        hAlign="LEFT",
        splitInRow=1,
    )


def _text(
    text: str,
    size: float,
    *,
    font: str = pdf.REGULAR,
    color: str = pdf.BLACK,
    before: float = 0,
    after: float = 0,
) -> "Flowable":
    """Return a paragraph; long codes are broken rather than run over the next column."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    style = ParagraphStyle(
        "plain",
        fontName=font,
        fontSize=size,
        leading=size * LEAD,
        textColor=color,
        spaceBefore=before,
        spaceAfter=after,
        splitLongWords=1,
    )
    return Paragraph(escape(text), style)


def _scan(text: str, side: float) -> "Flowable":
    """Return the code that is scanned, as a drawing."""
    import segno
    from reportlab.graphics.shapes import Drawing, Rect

    rows = list(segno.make_qr(text, error="m").matrix_iter(border=2))
    step = side / len(rows)
    drawing = Drawing(side, side)
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            if dark:
                at = (x * step, side - (y + 1) * step)
                drawing.add(Rect(*at, step, step, fillColor=pdf.BLACK, strokeWidth=0))
    return drawing
