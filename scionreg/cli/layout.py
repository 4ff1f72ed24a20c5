"""Text laid out for a terminal: what its width holds, and no sign that it would obey."""

import re
import unicodedata
from collections.abc import Iterator, Sequence
from typing import NamedTuple

BETWEEN = (2, 1)
"""Blanks between columns: so many, else fewer where the table then fits."""
HANGING = 4
"""How far further lines of a folded one are indented."""
NARROWEST = 20
"""Columns below which nothing is fitted any more."""
WHOLE = 17
"""Columns up to which a cell with a number is never folded, such as a rate with its interval."""
READABLE = 10
"""Columns that a column of longer texts keeps at least."""
PLAIN = str.maketrans(
    {
        "…": "...",
        "→": "->",
        "−": "-",
        "–": "-",
        "—": "-",
        "×": "x",
        "·": ".",
        "°": "deg ",
        "≥": ">=",
        "≤": "<=",
        "±": "+/-",
        "’": "'",
        "‘": "'",
        "“": '"',
        "”": '"',
        "⚠": "!",
        "☐": "[ ]",
    }
)
"""Signs of our own texts, for an output that does not have them."""


# ----------------------------------------------------------------------------------- letters


def visible(text: str) -> str:
    """Return text with each sign that would be obeyed, or that nobody sees, written as its number.

    Control signs, overrides of direction, separators of lines and tags become `<U+202E>` and the
    like; nothing else is changed.
    """
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else f"<U+{ord(sign):04X}>" for sign in text)


def within(text: str, encoding: str) -> str:
    """Return text in the letters that an encoding has; others become a plain sign, at worst ?."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return "".join(_within(sign, encoding) for sign in text)
    return text


def _within(sign: str, encoding: str) -> str:
    bare = "".join(s for s in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(s))
    for each in (sign, sign.translate(PLAIN), bare):
        try:
            each.encode(encoding)
        except UnicodeEncodeError:
            continue
        return each
    return "?"


def columns_of(text: str) -> int:
    """Return the columns that a text takes on a terminal: two a wide letter, none a mark above."""
    if text.isascii():
        return len(text)
    return sum(_columns_of(sign) for sign in text)


def _columns_of(sign: str) -> int:
    if unicodedata.combining(sign):
        return 0
    return 2 if unicodedata.east_asian_width(sign) in "WF" else 1


def _padded(text: str, width: int, *, right: bool) -> str:
    room = " " * (width - columns_of(text))
    return room + text if right else text + room


# ------------------------------------------------------------------------------------- lines


def folded(text: str, width: int | None, hanging: int = HANGING) -> list[str]:
    """Return one line as lines of at most `width` columns; further ones hang below its beginning.

    A word longer than that stays whole, and so does a command at the end, after a colon: both are
    copied from a terminal.
    """
    if width is None or columns_of(text) <= width:
        return [text]
    words = text.lstrip(" ")
    begins = len(text) - len(words)
    indent = " " * min(begins + hanging, width // 3)
    lines, line, empty = [], " " * begins, True
    for blanks, word in re.findall(r"( *)((?<=: )scionreg .+|[^ ]+)", words):
        if empty:
            line, empty = line + word, False
        elif columns_of(line + blanks + word) <= width:
            line += blanks + word
        else:
            lines.append(line)
            line = indent + word
    return [*lines, line]


# ------------------------------------------------------------------------------------ tables


def table_lines(
    heads: Sequence[str], rows: Sequence[Sequence[str]], width: int | None
) -> Iterator[str]:
    """Yield a table's lines: as it is, with long cells folded, or as one block a record.

    Numbers are aligned right. Nothing is cut off, and no word is parted.
    """
    columns = [_column(head, [row[i] for row in rows]) for i, head in enumerate(heads)]
    for between in BETWEEN:
        widths = _widths(columns, width, between)
        if widths is not None:
            break
    else:
        yield from _blocks(heads, rows, width)
        return
    lines = [line for cells in (heads, *rows) for line in _row(cells, columns, widths, between)]
    blocks = list(_blocks(heads, rows, width)) if len(lines) > len(rows) + 1 else lines
    yield from min(lines, blocks, key=len)


class _Column(NamedTuple):
    numbers: bool
    most: int
    """Columns of its longest cell."""
    least: int
    """Columns below which a word would be parted, or sentences become a ribbon."""


def _column(head: str, cells: Sequence[str]) -> _Column:
    numbers = all(is_number(cell) for cell in cells)
    most = max(map(columns_of, (head, *cells)))
    words = [columns_of(word) for cell in (head, *cells) for word in cell.split(" ")]
    longest = max(map(columns_of, cells), default=0)
    figures = any(sign.isdigit() for cell in cells for sign in cell)
    whole = longest if longest <= (WHOLE if figures else READABLE) else READABLE
    return _Column(numbers, most, max(*words, whole))


def is_number(text: str) -> bool:
    """Tell whether a cell holds a number, or nothing."""
    return text in ("", "-") or re.fullmatch(r"[<>]? ?[+-]?[\d,]*\.?\d+ ?%?", text) is not None


def _widths(columns: Sequence[_Column], width: int | None, between: int) -> list[int] | None:
    """Return each column's width, None where they do not fit; the widest give way first."""
    widths = [each.most for each in columns]
    if width is None:
        return widths
    room = width - between * (len(columns) - 1)
    if sum(each.least for each in columns) > room:
        return None
    while sum(widths) > room:
        able = (i for i, each in enumerate(columns) if widths[i] > each.least)
        widths[max(able, key=lambda i: widths[i])] -= 1
    return widths


def _row(
    cells: Sequence[str], columns: Sequence[_Column], widths: Sequence[int], between: int
) -> list[str]:
    stacked = [folded(cell, width, 0) for cell, width in zip(cells, widths, strict=True)]
    lines = []
    for at in range(max(map(len, stacked), default=0)):
        parts = [
            _padded(cell[at] if at < len(cell) else "", width, right=column.numbers)
            for cell, width, column in zip(stacked, widths, columns, strict=True)
        ]
        lines.append((" " * between).join(parts).rstrip())
    return lines


def _blocks(
    heads: Sequence[str], rows: Sequence[Sequence[str]], width: int | None
) -> Iterator[str]:
    for number, row in enumerate(rows):
        if number:
            yield ""
        yield from record_lines(list(zip(heads, row, strict=True)), width)


def record_lines(pairs: Sequence[tuple[str, str]], width: int | None) -> Iterator[str]:
    """Yield a record as lines of a label and its value, whose further lines hang beneath it."""
    labels = max((columns_of(label) for label, _ in pairs), default=0) + 1
    for label, value in pairs:
        begins = _padded(f"{label}:", labels + 2, right=False)
        first, *more = folded(value, width and max(width - columns_of(begins), NARROWEST), 0)
        yield f"{begins}{first}".rstrip()
        for line in more:
            yield f"{' ' * columns_of(begins)}{line}"
