"""Reading back what was printed: text of PDF pages, their pictures, and QR codes."""

from pathlib import Path
from typing import Any

import pypdfium2
import zxingcpp
from PIL import Image


def pages(file: Path, dpi: int = 200) -> list[Image.Image]:
    """Return the pages of a PDF as pictures."""
    with pypdfium2.PdfDocument(file) as document:
        return [page.render(scale=dpi / 72).to_pil().convert("L") for page in document]


def texts(file: Path) -> list[str]:
    """Return the text of each page of a PDF, its lines joined by blanks."""
    with pypdfium2.PdfDocument(file) as document:
        found = [page.get_textpage().get_text_range() for page in document]
    return [" ".join(text.split()) for text in found]


def qr_codes(picture: Image.Image) -> list[str]:
    """Return the text of every QR code in a picture, from the top left."""
    found: list[Any] = list(zxingcpp.read_barcodes(picture, zxingcpp.BarcodeFormat.QRCode))
    found.sort(key=lambda each: (round(each.position.top_left.y / 40), each.position.top_left.x))
    return [each.text for each in found]
