"""What every printed page shares: fonts that hold more than Latin, colours, and how it is written.

The fonts are DejaVu, found where matplotlib keeps them; zero and O, one and l look different in the
fixed-width one, which codes are set in.
"""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scionreg import __version__
from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

REGULAR, BOLD, CODE = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono-Bold"
FONTS = (REGULAR, BOLD, CODE)
CAP_HEIGHT = 0.729
"""Height of capitals and digits in these fonts, in font sizes."""

BLACK, GREY, LIGHT = "#000000", "#595959", "#D9D9D9"

MM = 72 / 25.4
"""Points in a millimetre."""
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height of paper in millimetres."""


def usual_paper(units: str) -> str:
    """Return the paper a nursery has that measures in SI or US units."""
    return "Letter" if units == "US" else "A4"


def font_file(font: str) -> Path:
    """Return the file of a font; matplotlib is found, not loaded."""
    found = find_spec("matplotlib")
    assert found is not None
    assert found.origin is not None
    return Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / f"{font}.ttf"


@cache
def register_fonts() -> None:
    """Make the fonts known to reportlab by the names in `FONTS`, with their bold."""
    from reportlab.lib.fonts import addMapping
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    for font in FONTS:
        pdfmetrics.registerFont(TTFont(font, font_file(font)))
    for bold in (False, True):
        for italic in (False, True):
            addMapping(REGULAR, bold, italic, BOLD if bold else REGULAR)


def width(text: str, font: str, size: float) -> float:
    """Return how wide text is, in the unit of `size`."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    register_fonts()
    return float(stringWidth(text, font, size))


def unknown_letters(text: str) -> str:
    """Return the letters of a text that the regular font cannot draw, each once."""
    from reportlab.pdfbase.pdfmetrics import getFont

    register_fonts()
    glyphs = getFont(REGULAR).face.charToGlyph
    return "".join(dict.fromkeys(sign for sign in text if ord(sign) not in glyphs))


@contextmanager
def new_file(file: str | os.PathLike[str], *endings: str) -> Iterator[Path]:
    """Give a path to write to; it becomes `file` when all went well, else nothing stays.

    Raises
    ------
    RegistryError
        The name has none of the `endings`, or the file cannot be written.
    """
    path = Path(file)
    if path.suffix.lower() not in endings:
        raise RegistryError(f"'{path}' must end in {' or '.join(endings)}")
    try:
        handle, name = tempfile.mkstemp(suffix=path.suffix, dir=path.parent)
        os.close(handle)
        beside = Path(name)
        try:
            yield beside
            beside.chmod(0o644)
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise RegistryError(f"'{path}' cannot be written: {error.strerror or error}") from error


@contextmanager
def new_pdf(
    file: str | os.PathLike[str], size: tuple[float, float], *, title: str
) -> Iterator["Canvas"]:
    """Give a canvas of pages of a `size` in mm, and write it as `file`; errors as `new_file`."""
    from reportlab.pdfgen.canvas import Canvas

    register_fonts()
    with new_file(file, ".pdf") as path:
        canvas: Any = Canvas(str(path), pagesize=(size[0] * MM, size[1] * MM), pageCompression=1)
        canvas.setTitle(title)
        canvas.setCreator(f"scionreg {__version__}")
        canvas.setAuthor("")
        yield canvas
        canvas.save()
