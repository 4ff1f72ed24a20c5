"""Drawing labels: a PDF of sheets or single labels, or a folder of pictures for label printers."""

import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scionreg.documents import pdf
from scionreg.documents.labels.layout import Bar, Box, Drawing, Symbol, Text, lay_out
from scionreg.documents.labels.saying import Label
from scionreg.documents.labels.stock import INCH, Size, Stock
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageFont import FreeTypeFont

HAIR = 0.1
"""Width of cut lines and of the boxes to tick, mm."""
RESOLUTIONS = (150, 1200)
"""Least and most dots an inch of a picture."""
MOST = 20_000
"""Labels in one file or folder: all pages of a PDF are held until it is whole."""
Progress = Callable[[int, int], None]


def write_pdf(
    labels: Sequence[Label],
    file: str | os.PathLike[str],
    stock: Stock,
    *,
    start: int = 1,
    title: str = "",
    progress: Progress | None = None,
) -> list[str]:
    """Write labels as a PDF, sheet by sheet; return what small labels left out, each once.

    `start` is the first label of the first sheet that is not used up, counted by rows.

    Raises
    ------
    RegistryError
        The stock is too small for a label, `start` is not on the sheet, there are too many, or the
        file cannot be written.
    """
    _check_number(labels)
    if not 1 <= start <= stock.number:
        raise RegistryError(
            f"a sheet has {stock.number} labels; the first to print cannot be number {start}"
        )
    places = list(stock.places())
    left_out: dict[str, None] = {}
    with pdf.new_pdf(file, stock.paper, title=title) as canvas:
        for at, drawing in enumerate(_drawn(labels, stock.label, 0, progress), start - 1):
            if at > start - 1 and at % stock.number == 0:
                canvas.showPage()
            place = places[at % stock.number]
            _on_page(canvas, drawing, place, stock.paper[1], cut_lines=stock.cut_lines)
            left_out |= dict.fromkeys(drawing.left_out)
    return list(left_out)


def write_pictures(
    labels: Sequence[Label],
    folder: str | os.PathLike[str],
    size: Size,
    *,
    dpi: int = 203,
    progress: Progress | None = None,
) -> list[str]:
    """Write a black and white PNG file a label into a new folder; return what was left out.

    Files are numbered in the order of the labels. `dpi` is the printer's resolution.

    Raises
    ------
    RegistryError
        A label is too small, there are too many, or the folder has files or cannot be written.
    """
    _check_number(labels)
    if not RESOLUTIONS[0] <= dpi <= RESOLUTIONS[1]:
        raise RegistryError(
            f"{dpi} dots an inch is no printer's; write {RESOLUTIONS[0]} to {RESOLUTIONS[1]}"
        )
    into, left_out = Path(folder), dict[str, None]()
    try:
        if into.exists() and (not into.is_dir() or any(into.iterdir())):
            raise RegistryError(f"'{into}' is there already; name a new folder, or an empty one")
        into.mkdir(exist_ok=True)
        for number, drawing in enumerate(_drawn(labels, size, INCH / dpi, progress), 1):
            name = re.sub(r"[^\w-]+", "_", labels[number - 1].code)
            drawn = picture(drawing, dpi)
            drawn.save(into / f"{number:05}-{name}.png", dpi=(dpi, dpi), compress_level=1)
            left_out |= dict.fromkeys(drawing.left_out)
    except OSError as error:
        raise RegistryError(f"'{into}' cannot be written: {error.strerror or error}") from error
    except RegistryError:
        with suppress(OSError):  # what was written already stays
            into.rmdir()
        raise
    return list(left_out)


def _check_number(labels: Sequence[Label]) -> None:
    if len(labels) > MOST:
        raise RegistryError(
            f"{len(labels)} labels are more than the {MOST} that are printed at once; print a "
            "season or some codes at a time"
        )


def _drawn(
    labels: Sequence[Label], size: Size, dot: float, progress: Progress | None
) -> Iterator[Drawing]:
    for done, label in enumerate(labels):
        if progress is not None:
            progress(done, len(labels))
        yield lay_out(label, size, dot=dot)


def _on_page(canvas: Any, drawing: Drawing, place: Size, height: float, *, cut_lines: bool) -> None:
    """Draw a label with its upper left corner at `place` on a page of a `height`, both mm."""
    left, top = place
    canvas.saveState()
    # Millimetres from the label's upper left corner, downward as text runs; text is turned back.
    canvas.transform(pdf.MM, 0, 0, pdf.MM, left * pdf.MM, (height - top) * pdf.MM)
    canvas.setLineWidth(HAIR)
    if cut_lines:
        canvas.setDash(1, 1)
        canvas.rect(0, -drawing.size[1], *drawing.size)
        canvas.setDash()
    for item in drawing.items:
        if isinstance(item, Text):
            canvas.setFont(item.font, item.size)
            canvas.drawString(item.x, -item.y, item.text)
        elif isinstance(item, Bar):
            canvas.rect(item.x, -item.y - item.height, item.width, item.height, stroke=0, fill=1)
        elif isinstance(item, Box):
            canvas.rect(item.x, -item.y - item.side, item.side, item.side)
        else:
            path = canvas.beginPath()
            for x, y, width, high in _runs(item):
                path.rect(x, -y - high, width, high)
            canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()


def _runs(symbol: Symbol) -> Iterator[tuple[float, float, float, float]]:
    """Yield the black runs of each row; each reaches into the next a hair, against seams."""
    module = symbol.module
    for at, row in enumerate(symbol.rows):
        for run in re.finditer(rb"\x01+", row):
            x = symbol.x + run.start() * module
            yield x, symbol.y + at * module, (run.end() - run.start()) * module, module * 1.01


def picture(drawing: Drawing, dpi: int) -> "Image":
    """Return a label as a picture of black and white dots."""
    from PIL import Image, ImageDraw

    scale = dpi / INCH
    size = (round(drawing.size[0] * scale), round(drawing.size[1] * scale))
    image = Image.new("L", size, 255)
    draw = ImageDraw.Draw(image)
    for item in drawing.items:
        x, y = item.x * scale, item.y * scale
        if isinstance(item, Text):
            font = _picture_font(item.font, round(item.size * scale, 1))
            draw.text((x, y), item.text, fill=0, font=font, anchor="ls")
        elif isinstance(item, Symbol):
            _dots(image, item, scale)
        elif isinstance(item, Bar):
            high = max(1, round(item.height * scale))
            draw.rectangle(
                (round(x), round(y), round(x + item.width * scale), round(y) + high - 1), 0
            )
        else:
            side = item.side * scale
            draw.rectangle((x, y, x + side, y + side), outline=0, width=max(1, round(scale * HAIR)))
    # A threshold and no grey: a label printer burns a dot or does not.
    return image.convert("1", dither=Image.Dither.NONE)


def _dots(image: "Image", symbol: Symbol, scale: float) -> None:
    """Draw a QR code whose modules are whole dots."""
    from PIL import Image

    dots = max(1, round(symbol.module * scale))
    side = len(symbol.rows)
    small = Image.new("L", (side, side))
    small.putdata([255 * (1 - value) for row in symbol.rows for value in row])
    large = small.resize((side * dots, side * dots), Image.Resampling.NEAREST)
    image.paste(large, (round(symbol.x * scale), round(symbol.y * scale)))


@lru_cache
def _picture_font(font: str, size: float) -> "FreeTypeFont":
    from PIL import ImageFont

    # As reportlab sets letters, side by side, so that both look alike.
    return ImageFont.truetype(str(pdf.font_file(font)), size, layout_engine=ImageFont.Layout.BASIC)


def unknown_letters(labels: Iterable[Label]) -> str:
    """Return the letters on labels that the fonts do not have, each once."""
    texts = {text for label in labels for text in label.texts()}
    return "".join(sorted(set(pdf.unknown_letters("".join(texts)))))
