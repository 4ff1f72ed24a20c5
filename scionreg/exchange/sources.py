"""Files as sources of batches: each streams its rows and says what is wrong with its form."""

import csv
import datetime as dt
import hashlib
import json
import re
import warnings
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import TextIOWrapper
from itertools import chain, islice
from pathlib import Path
from typing import Any

from scionreg.exchange.headers import kind_named, known_columns, read_header
from scionreg.records.cells import Cell, CellError, Number, Whole
from scionreg.records.errors import Problem, RegistryError
from scionreg.records.tables import KINDS, fields
from scionreg.records.vocabulary import Trouble
from scionreg.registry.intake import Batch

BATCH_ROWS = 2_000
"""Each batch costs PostgreSQL some round trips."""

SMALL_BATCH_ROWS = 500
"""Few enough to stay in the processor's cache from reading to writing, where a batch is cheap."""

Advance = Callable[[int], None]
"""Called with the number of bytes read since the last call."""

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
"""What may part the cells of a CSV file; commas where nothing speaks for another."""

CODINGS = {"utf-16": "UTF-16"}
DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+", re.ASCII)
THOUSANDS = re.compile(r"[-+]?\d{1,3}(\.\d{3})+", re.ASCII)

LINE_BREAK = re.compile(r"\r\n?|\n")

csv.field_size_limit(1_000_000)


@dataclass(slots=True)
class Source:
    """One kind's rows in one file; its header shows the `separator` of its cells."""

    path: Path
    name: str
    kind: str
    sheet: str = ""
    batch_rows: int = BATCH_ROWS
    separator: str = ","
    outlines: dict[str, str] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    @property
    def size(self) -> int:
        """Return the file's size in bytes."""
        return self.path.stat().st_size

    def batches(self, advance: Advance) -> Iterator[Batch]:
        """Yield the rows as batches of text; what is wrong with the form goes to `problems`."""
        rows = _workbook_rows(self) if self.sheet else _csv_rows(self, advance)
        yield from rows

    def complain(self, line: int, error: CellError, column: str = "", value: str = "") -> None:
        """Note something wrong with the form of the file."""
        self.problems.append(
            Problem(
                rule=error.rule,
                trouble=Trouble.REFUSED,
                kind=self.kind,
                column=column,
                value=value,
                wrong=error.wrong,
                right=error.right,
                file=self.name,
                line=line,
            )
        )


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def find_sources(path: Path, kind: str = "") -> list[Source]:
    """Return the sources in a season folder, a CSV file or a workbook, in the order to take them.

    Raises
    ------
    RegistryError
        There is nothing to import, or nothing says which kind a file holds.
    """
    if not path.exists():
        raise RegistryError(f"there is no file or folder {path}")
    if path.is_dir():
        found = [each for each in sorted(path.glob("*.csv")) if kind_named(each.stem)]
        strange = [each.name for each in path.glob("*.csv") if not kind_named(each.stem)]
        if strange:
            raise RegistryError(
                f"{path}: {', '.join(sorted(strange))} is named like no record kind; the kinds are "
                f"{', '.join(KINDS)}"
            )
        sources = [Source(each, each.name, str(kind_named(each.stem))) for each in found]
    elif path.suffix.lower() == ".xlsx":
        sources = _sheets(path)
    else:
        sources = [Source(path, path.name, kind or _kind_of_file(path))]
    if not sources:
        raise RegistryError(f"{path} holds no records: no CSV file named like a record kind")
    _add_outlines(path, sources)
    return sorted(sources, key=lambda source: list(KINDS).index(source.kind))


def _kind_of_file(path: Path) -> str:
    named = kind_named(path.stem)
    if named is None:
        raise RegistryError(
            f"{path.name} is named like no record kind; name it so, or give --kind, one of: "
            f"{', '.join(KINDS)}"
        )
    return named


def _add_outlines(path: Path, sources: list[Source]) -> None:
    """Give the blocks their outlines from the GeoJSON file beside them."""
    geojson = (path if path.is_dir() else path.parent) / "blocks.geojson"
    blocks = [source for source in sources if source.kind == "blocks"]
    if not blocks or not geojson.is_file():
        return
    try:
        collection = json.loads(geojson.read_text(encoding="utf-8"))
        for feature in collection["features"]:
            outline = json.dumps(feature["geometry"])
            blocks[0].outlines[str(feature["properties"]["block"])] = outline
    except (ValueError, KeyError, TypeError, RecursionError) as fault:
        raise RegistryError(
            f"{geojson.name} cannot be read ({fault}); it must be a GeoJSON FeatureCollection "
            "whose features have the property 'block'"
        ) from fault


# CSV


def _csv_rows(source: Source, advance: Advance) -> Iterator[Batch]:
    coding = _coding(source.path)
    with source.path.open("rb") as file, TextIOWrapper(file, coding, newline="") as text:
        done = 0
        try:
            header = next(text, "")
            source.separator = _separator(source.kind, header)
            rows = Rows(chain([header], text), source.separator)
            for batch in _batches(source, rows.take, lambda: rows.line):
                yield batch
                reached = file.tell()
                advance(reached - done)
                done = reached
        except UnicodeError:
            line, guess = _undecodable(source.path, coding)
            error = CellError(
                "unreadable_file",
                f"the file is not {CODINGS.get(coding, 'UTF-8')}{guess}",
                "save it as 'CSV UTF-8', so that letters beyond A to Z stay what they are",
            )
            source.complain(line, error)


class Rows:
    """The rows of a CSV file; `line` is the line that the last one ended on."""

    def __init__(self, text: Iterator[str], separator: str = ",") -> None:
        self._text, self._separator = text, separator
        self.line = 0

    def take(self, count: int) -> list[list[str]]:
        """Return the next rows: split at the separators where nothing is quoted, else as csv reads.

        So many rows use up at least so many lines, so the next ones begin on a new line.
        """
        lines = list(islice(self._text, count))
        whole = "".join(lines)
        if '"' not in whole and "\r" not in whole and len(whole) < csv.field_size_limit():
            self.line += len(lines)
            return [
                line.split(self._separator)
                for line in whole.removesuffix("\n").split("\n")
                if lines
            ]
        reader = csv.reader(chain(lines, self._text), delimiter=self._separator, strict=True)
        try:
            return list(islice(reader, count))
        finally:
            self.line += reader.line_num


def _coding(path: Path) -> str:
    """Return how a file's letters are coded: UTF-8, or UTF-16 where it begins with its mark."""
    with path.open("rb") as file:
        return "utf-16" if file.read(2) in (BOM_UTF16_LE, BOM_UTF16_BE) else "utf-8-sig"


def _separator(kind: str, header: str) -> str:
    """Return what parts the cells of a header: by which most of them are columns of the kind."""
    line = header.rstrip("\r\n")[:100_000]
    return max(
        SEPARATORS,
        key=lambda each: known_columns(kind, next(csv.reader([line], delimiter=each), [])),
    )


def _undecodable(path: Path, coding: str) -> tuple[int, str]:
    """Return the first line of a file that is not in its coding, and in which it may be."""
    if coding != "utf-8-sig":
        return 0, ""
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            try:
                line.decode("utf-8")
            except UnicodeDecodeError:
                return number, _guess(line)
    return 0, ""


def _guess(line: bytes) -> str:
    try:
        text = line.decode("cp1252")
    except UnicodeDecodeError:
        return ""
    return f"; in the code page of Windows (1252) the line is: {text.strip()[:60]}"


def _batches(
    source: Source, take: Callable[[int], list[list[str]]], line_number: Callable[[], int]
) -> Iterator[Batch]:
    """Yield batches of the rows below a header, each row as wide as the header."""
    try:
        first = [cell for row in take(1) for cell in row]
        if not any(first):
            source.complain(
                1, CellError("unreadable_file", "there is no header row", "name the columns in it")
            )
            return
        columns, before = _columns(source, first), line_number()
        while columns and (rows := take(source.batch_rows)):
            lines = _lines(rows, before, line_number())
            before = line_number()
            yield from _shaped(source, columns, rows, lines)
    except csv.Error as fault:
        source.complain(
            line_number(),
            CellError("unreadable_file", f"the file is no CSV here ({fault})", "mend the quotes"),
        )


def _columns(source: Source, first: list[str]) -> tuple[str, ...]:
    """Return the columns that the header names; none, with a problem, where it is wrong."""
    try:
        return read_header(source.kind, first).columns
    except CellError as error:
        source.complain(1, error)
        return ()


def _lines(rows: list[list[str]], before: int, last: int) -> Sequence[int]:
    """Return the line each row begins on, between the last line `before` them and their last."""
    if last - before == len(rows):
        return range(before + 1, last + 1)
    lines = []
    for row in rows:
        lines.append(before + 1)
        before += 1 + sum(len(LINE_BREAK.findall(cell)) for cell in row)
    return lines


def _shaped(
    source: Source, columns: tuple[str, ...], rows: list[list[str]], lines: Sequence[int]
) -> Iterator[Batch]:
    """Yield the rows that have a cell for each column; leave out blank rows."""
    width = len(columns)
    if set(map(len, rows)) != {width} or not all(map(any, rows)):
        kept = [
            (row[:width], line)
            for row, line in zip(rows, lines, strict=True)
            if any(row) and _fits(source, row, line, width)
        ]
        rows, lines = [row for row, _ in kept], [line for _, line in kept]
    if source.separator == ";":
        rows = _with_points(source, columns, rows, lines)
    if source.kind == "blocks":
        columns = (*columns, "outline")
        key = columns.index("block")
        rows = [[*row, source.outlines.get(row[key].strip(), "")] for row in rows]
    if rows:
        yield Batch(source.kind, columns, rows, source.name, lines)


def _fits(source: Source, row: list[str], line: int, width: int) -> bool:
    """Tell whether a row has the header's width; spare empty cells do no harm."""
    if len(row) == width or (len(row) > width and not any(row[width:])):
        return True
    if source.sheet:
        stray = next(place for place, cell in enumerate(row) if place >= width and cell)
        error = CellError(
            "ragged_row",
            f"there is something right of the table, in column {_letters(stray)}",
            "move it into a column of the table, notes perhaps, or clear the cell",
        )
        source.complain(line, error, value=row[stray][:60])
        return False
    apart = SEPARATORS[source.separator]
    error = CellError(
        "ragged_row",
        f"the row has {len(row)} cells, the header {width}",
        f"put text with {apart} in double quotes, and keep every separator",
    )
    source.complain(line, error, value=source.separator.join(row)[:60])
    return False


def _letters(place: int) -> str:
    """Return what a spreadsheet calls a column, counted from 0.

    >>> _letters(0), _letters(25), _letters(26), _letters(16_383)
    ('A', 'Z', 'AA', 'XFD')
    """
    before, last = divmod(place, 26)
    return (_letters(before - 1) if before else "") + chr(ord("A") + last)


def _with_points(
    source: Source, columns: tuple[str, ...], rows: list[list[str]], lines: Sequence[int]
) -> list[list[str]]:
    """Return rows with points for decimal commas, as where lists are parted by ``;``.

    There a point may part thousands: what may be either is refused.
    """
    cells = {column.name: column.info["cell"] for column in fields(source.kind)}
    numbers = [
        place for place, name in enumerate(columns) if isinstance(cells[name], Number | Whole)
    ]
    made = []
    for row, line in zip(rows, lines, strict=True):
        new = list(row)
        for place in numbers:
            text = row[place].strip()
            if DECIMAL_COMMA.fullmatch(text):
                new[place] = text.replace(",", ".")
            elif THOUSANDS.fullmatch(text) and _is_read(cells[columns[place]], text):
                plain = text.replace(".", "")
                error = CellError(
                    "not_a_number",
                    f"'{text}' may be {plain}, or a decimal number",
                    f"write {plain} or {text.replace('.', ',')}",
                )
                source.complain(line, error, columns[place], text)
                new[place] = plain
        made.append(new)
    return made


def _is_read(cell: Cell, text: str) -> bool:
    """Tell whether a cell takes a number without the points that part its thousands."""
    try:
        cell.read(text.replace(".", ""))
    except CellError:
        return False
    return True


# Workbooks


def _sheets(path: Path) -> list[Source]:
    """Return the sheets of a workbook that are named like record kinds."""
    book = _open_workbook(path)
    names = book.sheetnames
    book.close()
    sources = [
        Source(path, f"{path.name}[{name}]", str(kind_named(name)), sheet=name)
        for name in names
        if kind_named(name)
    ]
    if not sources:
        raise RegistryError(
            f"{path.name} has no sheet named like a record kind; its sheets are {', '.join(names)}"
        )
    return sources


def _open_workbook(path: Path) -> Any:
    from openpyxl import load_workbook

    with _reading(path):
        return load_workbook(path, read_only=True, data_only=True)


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Say in one way what openpyxl, zip and XML say in many; keep remarks on looks back."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except Exception as fault:
        raise RegistryError(f"{path.name} is no workbook that can be read ({fault})") from fault


def _workbook_rows(source: Source) -> Iterator[Batch]:
    book = _open_workbook(source.path)
    number = 0

    def some(rows: Iterator[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
        with _reading(source.path):
            return list(islice(rows, BATCH_ROWS))

    def rows() -> Iterator[list[str]]:
        nonlocal number
        with _reading(source.path):
            sheet = book[source.sheet].iter_rows(values_only=True)
        while read := some(sheet):
            for cells in read:
                number += 1
                row = [_as_text(cell) for cell in cells]
                yield row if any(row) else []

    try:
        trimmed = _trimmed(rows())
        yield from _batches(source, lambda count: list(islice(trimmed, count)), lambda: number)
    finally:
        book.close()


def _trimmed(rows: Iterator[list[str]]) -> Iterator[list[str]]:
    """Yield rows as wide as the header: sheets leave empty cells out, and end in empty ones."""
    header = next(rows, [])
    while header and not header[-1]:
        header.pop()
    yield header
    width = len(header)
    for row in rows:
        row += [""] * (width - len(row))
        yield row if any(row[width:]) else row[:width]


def _as_text(cell: Any) -> str:
    """Return a workbook's cell as the text that a CSV file would have."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, dt.datetime):
        midnight = cell.time() == dt.time()
        return cell.date().isoformat() if midnight else cell.isoformat(timespec="seconds")
    if isinstance(cell, dt.date):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)
