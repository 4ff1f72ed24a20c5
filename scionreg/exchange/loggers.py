"""Files that temperature loggers write, as readings of a store.

Loggers write lines of text above the header, name their columns as they like, use the comma or the
semicolon, °C or °F, and the local clock. What was recognised is said, so that it can be put right
by an option; what is left out is counted and said why.
"""

import csv
import datetime as dt
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scionreg.exchange.headers import plain
from scionreg.exchange.importing import Imported, Progress, import_sources
from scionreg.exchange.sources import Advance
from scionreg.lineage.graph import find_kind
from scionreg.records.errors import Problem, ProblemsError, RegistryError
from scionreg.registry.intake import Batch
from scionreg.registry.store import Store

if TYPE_CHECKING:
    import pandas as pd

DELIMITERS = (",", ";", "\t")
BATCH_ROWS = 20_000

HEADER_WITHIN = 60
"""Lines in which a header is looked for."""

TIME = re.compile(r"\b(date.*time|time.*date|timestamp|datetime|date|time|zeit|datum)\b")
TEMPERATURE = re.compile(r"\b(temp\w*|t c|t f|celsius|fahrenheit|c|f)\b")
HUMIDITY = re.compile(r"\b(hum\w*|rh|relative humidity|feuchte\w*)\b")
NOT_A_VALUE = re.compile(r"\b(alarm|high|low|min|max|setpoint|serial|dew\w*|wet bulb|battery)\b")
IN_FAHRENHEIT = re.compile(r"(°\s*f\b|\bf\b|deg\w*\s*f\b|fahrenheit)", re.IGNORECASE)
IN_CELSIUS = re.compile(r"(°\s*c\b|\bc\b|deg\w*\s*c\b|celsius)", re.IGNORECASE)
OFFSET = re.compile(r"\b(?:GMT|UTC)\s*([+-]\d{1,2}):?(\d\d)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a logger file is laid out: as found, or as an option says."""

    delimiter: str
    encoding: str
    skip: int
    """Lines above the header."""
    columns: tuple[str, ...]
    time: int
    clock: int | None
    """The column of the time of day, where the day has its own."""
    temperature: int
    humidity: int | None
    fahrenheit: bool
    offset: str | None
    """The offset from UTC that the header names, None where it names none."""

    def describe(self) -> str:
        """Return what was recognised, for people."""
        names = self.columns
        when = names[self.time] + (f" and {names[self.clock]}" if self.clock is not None else "")
        humid = f"humidity '{names[self.humidity]}'" if self.humidity is not None else "no humidity"
        return (
            f"time '{when}', temperature '{names[self.temperature]}' in "
            f"{'°F' if self.fahrenheit else '°C'}, {humid}; header on line {self.skip + 1}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the options of a command say about a file; empty means that it is to be found."""

    time_column: str = ""
    temperature_column: str = ""
    humidity_column: str = ""
    unit: str = ""
    dates: str = ""
    """Order of the numbers in a date: ymd, dmy or mdy."""


def read_layout(path: Path, wanted: Wanted) -> Layout:
    """Return how a logger file is laid out.

    Raises
    ------
    RegistryError
        No header, column or unit was recognised; the message says which option names it.
    """
    if wanted.unit.upper() not in ("", "C", "F"):
        raise RegistryError(f"'{wanted.unit}' is no unit of temperature; write C or F")
    head, encoding = _head(path)
    for skip, line in enumerate(head.splitlines()[:HEADER_WITHIN]):
        for delimiter in DELIMITERS:
            cells = tuple(
                cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])
            )
            found = _columns(cells, wanted)
            if found is not None:
                time, clock, warmth, humid = found
                return Layout(
                    delimiter=delimiter,
                    encoding=encoding,
                    skip=skip,
                    columns=cells,
                    time=time,
                    clock=clock,
                    temperature=warmth,
                    humidity=humid,
                    fahrenheit=_fahrenheit(path, cells[warmth], wanted, head, skip),
                    offset=_offset(cells[time]),
                )
    raise RegistryError(
        f"{path.name}: no header with a time and a temperature was found; name the columns with "
        "--time-column and --temperature-column"
    )


def _head(path: Path) -> tuple[str, str]:
    """Return the beginning of a file as text, and its encoding."""
    try:
        with path.open("rb") as file:
            raw = file.read(20_000)
    except OSError as fault:
        raise RegistryError(f"{path} cannot be read: {fault.strerror}") from fault
    for mark, encoding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if raw.startswith(mark):
            return raw[: len(raw) // 2 * 2].decode(encoding, errors="ignore"), encoding
    try:
        return raw[: raw.rfind(b"\n") + 1 or len(raw)].decode("utf-8-sig"), "utf-8-sig"
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace"), "cp1252"


def _columns(
    cells: Sequence[str], wanted: Wanted
) -> tuple[int, int | None, int, int | None] | None:
    """Return where time, time of day, temperature and humidity stand; None if this is no header."""
    names = [plain(cell).replace("_", " ") for cell in cells]
    usable = [i for i, name in enumerate(names) if not NOT_A_VALUE.search(name)]

    def find(option: str, pattern: re.Pattern[str], taken: tuple[int, ...] = ()) -> list[int]:
        if option:
            return [i for i, cell in enumerate(cells) if plain(cell) == plain(option)]
        return [i for i in usable if i not in taken and pattern.search(names[i])]

    times = find(wanted.time_column, TIME)
    if not times:
        return None
    humid = find(wanted.humidity_column, HUMIDITY, tuple(times))
    warmth = find(wanted.temperature_column, TEMPERATURE, (*times, *humid))
    if not warmth or (wanted.humidity_column and not humid):
        return None
    time, clock = times[0], None
    if len(times) > 1 and not wanted.time_column and names[times[0]] in ("date", "datum"):
        clock = times[1]
    return time, clock, warmth[0], humid[0] if humid else None


def _fahrenheit(path: Path, name: str, wanted: Wanted, head: str, skip: int) -> bool:
    """Tell whether temperatures are in °F: as the option, the column or the first lines say."""
    if wanted.unit:
        return wanted.unit.upper() == "F"
    spaced = name.replace("_", " ")
    below = "\n".join(head.splitlines()[skip + 1 : skip + 4])
    for text, pattern in ((spaced, IN_FAHRENHEIT), (below, re.compile(r"°\s*F"))):
        if pattern.search(text):
            return True
    for text, pattern in ((spaced, IN_CELSIUS), (below, re.compile(r"°\s*C"))):
        if pattern.search(text):
            return False
    raise RegistryError(
        f"{path.name}: nothing says whether '{name}' is in °C or °F; give --unit C or --unit F"
    )


def _offset(name: str) -> str | None:
    """Return the offset from UTC that a header names, as in ``-06:00``."""
    found = OFFSET.search(name)
    if not found:
        return None
    return f"{int(found[1]):+03d}:{found[2] or '00'}"


# ------------------------------------------------------------------------------- the readings


@dataclass(slots=True)
class LoggerFile:
    """One logger file as a source of readings, for `import_sources`.

    After reading, `notes` says what was left out or put in order.
    """

    path: Path
    store: str
    wanted: Wanted
    zone: dt.tzinfo
    kind: str = "store_readings"
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    layout: Layout | None = None

    @property
    def name(self) -> str:
        """Return the file's name."""
        return self.path.name

    @property
    def size(self) -> int:
        """Return the file's size in bytes."""
        return self.path.stat().st_size

    def batches(self, advance: Advance) -> Iterator[Batch]:
        """Yield the readings, in order of time, as batches of text."""
        from scionreg.exchange.logger_values import clean_readings

        self.layout = read_layout(self.path, self.wanted)
        self.notes = [self.layout.describe()]
        readings = clean_readings(
            _table(self.path, self.layout), self.layout, self.zone, self.wanted.dates, self.notes
        )
        columns = ("store", "time", "temperature_c", "humidity_pct")
        size, count = self.size, len(readings.line)
        for start in range(0, count, BATCH_ROWS):
            some = slice(start, start + BATCH_ROWS)
            rows = [
                (self.store, f"{moment}+00:00", repr(warm), "" if wet != wet else repr(wet))
                for moment, warm, wet in zip(
                    readings.written(some).tolist(),
                    readings.temperature[some].tolist(),
                    readings.humidity[some].tolist(),
                    strict=True,
                )
            ]
            yield Batch(self.kind, columns, rows, self.name, readings.line[some].tolist())
            advance(size * len(rows) // count)


def _table(path: Path, layout: Layout) -> "pd.DataFrame":
    """Return the cells that matter as text: `time`, `temperature`, `humidity`; the file's lines."""
    import pandas as pd

    wanted = [layout.time, layout.clock, layout.temperature, layout.humidity]
    used = [each for each in wanted if each is not None]
    try:
        text = path.read_text(encoding=layout.encoding, errors="replace")
        # Quotes may hold line breaks in theory; a logger writes one reading a line.
        body = text.split("\n", layout.skip + 1)[layout.skip + 1] if "\n" in text else ""
        frame = pd.read_csv(
            io.StringIO(body),
            sep=layout.delimiter,
            header=None,
            names=range(max(len(layout.columns), 1)),
            usecols=used,
            dtype=str,
            keep_default_na=False,
            na_filter=False,
            skip_blank_lines=False,
            on_bad_lines="skip",
            index_col=False,
            engine="c",
        )
    except (OSError, ValueError, IndexError) as fault:
        raise RegistryError(f"{path.name} cannot be read as a table ({fault})") from fault
    time = frame[layout.time].str.strip()
    if layout.clock is not None:
        time = time + " " + frame[layout.clock].str.strip()
    found: dict[str, Any] = {"time": time, "temperature": frame[layout.temperature].str.strip()}
    if layout.humidity is not None:
        found["humidity"] = frame[layout.humidity].str.strip()
    table = pd.DataFrame(found)
    table["line"] = range(layout.skip + 2, layout.skip + 2 + len(table))
    return table[table["time"].str.len() > 0]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggerImport:
    """What importing a logger file did, or would have done, and what was made of the file."""

    store: str
    imported: Imported
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {"store": self.store, **self.imported.to_dict(), "notes": list(self.notes)}


def import_logger(
    registry: Store,
    path: Path,
    store: str,
    wanted: Wanted,
    *,
    zone: dt.tzinfo,
    by: str = "",
    dry_run: bool = False,
    progress: Progress = lambda done, total: None,
) -> LoggerImport:
    """Import a logger's file as readings of a store: all or nothing, again changes nothing.

    Parameters
    ----------
    zone : of times that are written without an offset.

    Raises
    ------
    RegistryError
        The file cannot be read, or what it holds cannot be recognised.
    ProblemsError
        Something was refused, such as readings that differ from those recorded.
    """
    with registry.reading() as connection:
        if find_kind(connection, store) != "stores":
            raise RegistryError(f"'{store}' is no store; name one, or add it: scionreg add store")
    source = LoggerFile(path, store, wanted, zone)
    done = import_sources(registry, [source], by=by, dry_run=dry_run, progress=progress)
    if done.refused:
        raise ProblemsError(done.problems)
    return LoggerImport(store=store, imported=done, notes=tuple(source.notes))
