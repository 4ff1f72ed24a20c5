"""Files as sources of batches: each streams its rows and says what is wrong with its form."""

import csv
import hashlib
import json
import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from io import TextIOWrapper
from itertools import chain, islice
from pathlib import Path

from scionreg.exchange.headers import kind_named, known_columns, read_header
from scionreg.exchange.workbooks import LAST_ROW, SheetRow, letters, read_sheet, sheets_of
from scionreg.records.cells import Cell, CellError, Number, Whole
from scionreg.records.errors import Problem, RegistryError
from scionreg.records.rules import RULES
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

BLOCKS, OUTLINES = "blocks.csv", "blocks.geojson"

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
    placed: set[str] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)

    @property
    def size(self) -> int:
        """Return the file's size in bytes."""
        return self.path.stat().st_size

    def batches(self, advance: Advance) -> Iterator[Batch]:
        """Yield the rows as batches of text; what is wrong with the form goes to `problems`."""
        yield from _workbook_rows(self) if self.sheet else _csv_rows(self, advance)
        if missing := sorted(self.outlines.keys() - self.placed):
            wrong = f"{OUTLINES} has an outline of {', '.join(missing)}, which is no block here"
            right = f"write the block into {self.path.name}, or take the outline away"
            self.complain(0, CellError(RULES["unknown_reference"].name, wrong, right))

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
        sources = _files_of(path)
    elif path.suffix.lower() == ".xlsx":
        sources = [
            Source(path, f"{path.name}[{name}]", of, sheet=name)
            for name, of in sheets_of(path).items()
        ]
    else:
        sources = [Source(path, path.name, kind or _kind_of_file(path))]
    if not sources:
        raise RegistryError(f"{path} holds no records: no CSV file named like a record kind")
    _add_outlines(path, sources)
    return sorted(sources, key=lambda source: list(KINDS).index(source.kind))


def _files_of(folder: Path) -> list[Source]:
    """Return the CSV files of a season folder.

    Raises
    ------
    RegistryError
        Something lies there that looks like records and would not be read.
    """
    tables = [each for each in sorted(folder.iterdir()) if each.suffix.lower() == ".csv"]
    strange = [each.name for each in tables if not kind_named(each.stem)]
    if strange:
        raise RegistryError(
            f"{folder}: {', '.join(strange)} is named like no record kind; the kinds are "
            f"{', '.join(KINDS)}"
        )
    unread = [
        str(each.relative_to(folder))
        for each in sorted((*folder.iterdir(), *folder.glob("*/*.*")))
        if each not in tables and each.is_file() and _looks_like_records(each)
    ]
    if unread:
        raise RegistryError(
            f"{folder}: {', '.join(unread)} would not be read: a season folder has CSV files named "
            f"like record kinds, and {OUTLINES} beside {BLOCKS}; name it so, or move it away and "
            "import it by itself"
        )
    return [Source(each, each.name, str(kind_named(each.stem))) for each in tables]


def _looks_like_records(path: Path) -> bool:
    """Tell whether whoever put a file into a season folder may think that it is read."""
    ending = path.suffix.lower()
    if ending == ".geojson":
        return not (path.name == OUTLINES and (path.parent / BLOCKS).is_file())
    if ending in (".xlsx", ".xlsm", ".xls", ".ods"):
        return not path.name.startswith("~$")  # what a spreadsheet keeps beside an open one
    return ending in (".csv", ".tsv", ".txt", "") and kind_named(path.stem) is not None


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
    geojson = (path if path.is_dir() else path.parent) / OUTLINES
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
            for batch in _batches(source, rows.numbered):
                yield batch
                reached = file.tell()
                advance(reached - done)
                done = reached
        except csv.Error as fault:
            wrong = f"the file is no CSV here ({fault})"
            source.complain(rows.line, CellError("unreadable_file", wrong, "mend the quotes"))
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

    def numbered(self, count: int) -> tuple[list[list[str]], Sequence[int]]:
        """Return the next rows, and the line that each begins on."""
        before = self.line
        rows = self.take(count)
        return rows, _lines(rows, before, self.line)

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


Take = Callable[[int], tuple[list[list[str]], Sequence[int]]]
"""Gives the next rows, at most so many, and the line that each begins on."""


def _batches(source: Source, take: Take) -> Iterator[Batch]:
    """Yield batches of the rows below a header, each row as wide as the header."""
    first = [cell for row in take(1)[0] for cell in row]
    if not any(first):
        source.complain(
            1, CellError("unreadable_file", "there is no header row", "name the columns in it")
        )
        return
    columns = _columns(source, first)
    while columns:
        rows, lines = take(source.batch_rows)
        if not rows:
            return
        yield from _shaped(source, columns, rows, lines)


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
    if source.kind == "blocks" and source.outlines:
        columns = (*columns, "outline")
        key = columns.index("block")
        names = [row[key].strip() for row in rows]
        source.placed.update(names)
        outlines = [source.outlines.get(name, "") for name in names]
        rows = [[*row, outline] for row, outline in zip(rows, outlines, strict=True)]
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
            f"there is something right of the table, in column {letters(stray)}",
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


def _workbook_rows(source: Source) -> Iterator[Batch]:
    """Yield the rows of a sheet as wide as its header: sheets leave empty cells out."""
    width = 0

    def take(count: int) -> tuple[list[list[str]], list[int]]:
        nonlocal width
        read = list(islice(rows, count))
        for row in read:
            _look_for_what_is_lost(source, row)
        width = width or max(read[0].texts, default=-1) + 1 if read else width
        wide = [max(width, max(row.texts, default=-1) + 1) for row in read]
        texts = [
            [row.texts.get(place, "") for place in range(size)]
            for row, size in zip(read, wide, strict=True)
        ]
        return texts, [row.number for row in read]

    with closing(read_sheet(source.path, source.sheet)) as rows:
        yield from _batches(source, take)


def _look_for_what_is_lost(source: Source, row: SheetRow) -> None:
    """Complain of what a row holds and nobody sees."""
    for place in row.unsaved:
        error = CellError(
            "unreadable_file",
            f"cell {letters(place)}{row.number} holds a formula whose result was not saved",
            "open the workbook in a spreadsheet and save it, or write the value in its place",
        )
        source.complain(row.number, error)
    if not 0 < row.number <= LAST_ROW:
        error = CellError(
            "unreadable_file",
            f"a row is numbered {row.number}, and no sheet is that long",
            "copy the rows into a new sheet",
        )
        source.complain(row.number, error)
