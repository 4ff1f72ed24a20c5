"""What one cell may hold: how it is read from text, written back, and described.

Each cell type is small and knows nothing of tables or files. `read` takes the text of a cell that
is not empty and returns the value as a database driver stores it (text, number or bool; days and
times as ISO text), or raises `CellError` with what is wrong and what would be right; `write` is its
inverse, and also takes the `date` and `datetime` that PostgreSQL's driver returns; `schema` is the
Frictionless Table Schema of the column.
"""

import json
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from typing import Any

from scionreg.records import codes
from scionreg.records.vocabulary import Found, Word

Reader = Callable[[str], Any]


class CellError(ValueError):
    """A cell's text cannot be taken; `wrong` says why and `right` how to write it."""

    def __init__(self, rule: str, wrong: str, right: str) -> None:
        self.rule, self.wrong, self.right = rule, wrong, right
        super().__init__(f"{wrong}; {right}")


NOUNS = {"people": "person", "dispatches": "dispatch", "bundle_log": "line of the bundle log"}


def noun(kind: str) -> str:
    """Return what one record of a kind is called.

    >>> noun("graft_lots"), noun("people")
    ('graft lot', 'person')
    """
    return NOUNS.get(kind, kind.removesuffix("s").replace("_", " "))


@dataclass(frozen=True, slots=True)
class Cell:
    """Any text; the parent of every cell type."""

    def reader(self, zone: tzinfo) -> Reader:
        """Return a function that reads a cell, in a registry whose time zone is `zone`."""
        return self.read

    def read(self, text: str) -> Any:
        """Return the value of a cell's text."""
        if "\x00" in text:
            raise CellError("unreadable_text", "holds a NUL character", "remove it")
        return refuse_ditto(text)

    def write(self, value: Any) -> str:
        """Return the text of a value."""
        return str(value)

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "string"}

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return "text"


DITTO = re.compile(r"(ditto|do\.|\"|''|〃|-\"-|same|same as above|idem|id\.)", re.IGNORECASE)


def refuse_ditto(text: str) -> str:
    """Return `text`, unless it only points at the cell above."""
    if DITTO.fullmatch(text):
        raise CellError(
            "ditto",
            f"'{text}' points at the cell above",
            "write the value itself in every row, since rows get sorted and cut apart",
        )
    return text


TOTALS = re.compile(r"\s*(sub|grand )?(total|totals|sum|gesamt|summe)\b", re.IGNORECASE)
TOTALS_ROW = CellError(
    "totals_row", "this looks like a row of totals", "leave totals out of the file"
)


def is_totals(row: Sequence[str]) -> bool:
    """Tell whether a row is one of totals: its first cell that is not empty says so."""
    return TOTALS.match(next(filter(str.strip, row), "")) is not None


SHIELDED = re.compile(r"'+[=+\-@\t\r]")
EXPOSED = re.compile(r"'*[=+\-@\t\r]")


def shield(text: str) -> str:
    """Return text with an apostrophe before what a spreadsheet would run as a formula.

    >>> shield("=cmd()"), unshield("'=cmd()"), shield("plain")
    ("'=cmd()", '=cmd()', 'plain')
    """
    return f"'{text}" if EXPOSED.match(text) else text


def unshield(text: str) -> str:
    """Undo `shield`."""
    return text[1:] if text.startswith("'") and SHIELDED.match(text) else text


@dataclass(frozen=True, slots=True)
class Code(Cell):
    """The code that names a record of `kind`: an issued one or the nursery's own."""

    kind: str

    def read(self, text: str) -> str:
        """Return the code; raise `CellError` for a wrong check digit or the wrong kind."""
        return read_code(text, (self.kind,))

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        letter = codes.LETTER_OF.get(self.kind)
        issued = f"code like {codes.issue(letter, 2026, 1)}, or your own" if letter else "your own"
        return issued


@dataclass(frozen=True, slots=True)
class Ref(Cell):
    """The code of another record, of one of `kinds`; with `single`, also graft lot/position."""

    kinds: tuple[str, ...]
    single: bool = False

    def read(self, text: str) -> str:
        """Return the code; raise `CellError` for a wrong check digit or the wrong kind."""
        if self.single and "/" in text:
            lot, _, position = text.rpartition("/")
            if not position.isdecimal() or int(position) < 1:
                raise CellError(
                    "not_a_position",
                    f"'{position}' is no row position",
                    "write graft lot/position, as in G26-0001-3/7",
                )
            return f"{read_code(lot, ('graft_lots',))}/{int(position)}"
        return read_code(text, self.kinds)

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        kinds = " or ".join(map(noun, self.kinds))
        return f"code of a {kinds}" + (", or graft lot/position" if self.single else "")


def read_code(text: str, kinds: tuple[str, ...]) -> str:
    """Return `text` if it may be the code of a record of `kinds`, else raise `CellError`."""
    if codes.is_issued(text) and codes.LETTERS[text[0]] in kinds:
        return text
    if codes.ISSUED.fullmatch(text):
        if not codes.is_issued(text):
            raise CellError(
                "wrong_check_digit",
                f"the check digit of '{text}' does not fit, so a digit is wrong or two are swapped",
                "look at the label again",
            )
        kind = codes.LETTERS[text[0]]
        if kind not in kinds and set(kinds) <= set(codes.LETTER_OF):
            raise CellError(
                "wrong_kind_of_code",
                f"'{text}' is the code of a {noun(kind)}",
                f"write the code of a {' or '.join(map(noun, kinds))}",
            )
        return text
    if codes.looks_issued(text) and set(kinds) & set(codes.LETTER_OF):
        raise CellError(
            "wrong_check_digit",
            f"'{text}' looks like an issued code but is not written as one",
            "write letter, two digits of the year, serial and check digit, as in B26-0417-7",
        )
    refuse_ditto(text)
    if TOTALS.fullmatch(text):
        raise TOTALS_ROW
    if text != text.strip() or len(text) > 60 or re.search(r"[/;\x00-\x1f]", text):
        raise CellError(
            "unusable_code",
            f"'{text}' cannot be a code",
            "use at most 60 characters without '/', ';' or line breaks",
        )
    return text


@dataclass(frozen=True, slots=True)
class Choice(Cell):
    """One word of a vocabulary."""

    words: type[Word]

    def read(self, text: str) -> str:
        """Return the word that `text` spells, a variant included."""
        word = self.words.spelled(text)
        if word is None:
            refuse_ditto(text)
            known = ", ".join(self.words)
            raise CellError("unknown_word", f"'{text}' is not a word used here", f"one of: {known}")
        return str(word.value)

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "string", "constraints": {"enum": [word.value for word in self.words]}}

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return "one of: " + ", ".join(self.words)


@dataclass(frozen=True, slots=True)
class Many(Cell):
    """Several words or names in one cell, parted by ``;``."""

    words: type[Word] | None = None

    def read(self, text: str) -> str:
        """Return the parts, cleaned, joined by ``;``."""
        parts = [part.strip() for part in text.split(";") if part.strip()]
        if self.words is not None:
            parts = [Choice(self.words).read(part) for part in parts]
        return ";".join(parts)

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return ("any of: " + ", ".join(self.words) if self.words else "names") + ", parted by ;"


APPROXIMATE = re.compile(r"(?:[~≈]|ca\.?\s*|about\s+|c\.\s*)\s*(\d+)|(\d+)\s*(?:\+|\?|approx\.?)")


@dataclass(frozen=True, slots=True)
class Whole(Cell):
    """A whole number from `low` to `high`."""

    low: int = 0
    high: int = 10_000_000
    counting: bool = False

    def read(self, text: str) -> int:
        """Return the number."""
        plain = text.isdecimal() and text.isascii() and len(text) < 20
        number = int(text) if plain else self._mend(text)
        if number < self.low:
            raise CellError("below_zero", f"{number} is below {self.low}", f"at least {self.low}")
        if number > self.high:
            raise CellError("out_of_range", f"{number} is above {self.high}", f"up to {self.high}")
        return number

    def _mend(self, text: str) -> int:
        """Read what is not plain digits: a sign, or a whole number written as ``40.0``."""
        if re.fullmatch(r"-?\d{1,20}(\.0{1,20})?", text, re.ASCII):
            return int(float(text))
        rough = APPROXIMATE.fullmatch(text)
        if rough:
            number = rough[1] or rough[2]
            how = f"write {number} and 'estimated' in the column count" if self.counting else ""
            raise CellError(
                "rough_number",
                f"'{text}' is a rough number",
                how or f"write the number you can answer for, {number} perhaps",
            )
        refuse_ditto(text)
        raise CellError("not_a_number", f"'{text}' is not a whole number", "digits only, as in 40")

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "integer", "constraints": {"minimum": self.low, "maximum": self.high}}

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        if self.high == 10_000_000:
            return f"whole number from {self.low}"
        return f"whole number from {self.low} to {self.high}"


@dataclass(frozen=True, slots=True)
class Number(Cell):
    """A decimal number from `low` to `high`, in `unit`."""

    low: float
    high: float
    unit: str = ""
    rule: str = "out_of_range"

    def read(self, text: str) -> float:
        """Return the number; the decimal mark is a point."""
        try:
            number = float(text)
        except ValueError:
            refuse_ditto(text)
            right = "write a point for the decimal mark" if "," in text else "digits, as in 3.5"
            raise CellError("not_a_number", f"'{text}' is not a number", right) from None
        if not self.low <= number <= self.high or math.isnan(number):
            raise CellError(
                self.rule,
                f"{text} is outside {self.low:g} to {self.high:g}{self._unit()}",
                "check the number and its unit",
            )
        return number + 0.0  # SQLite does not keep the sign of -0.0

    def _unit(self) -> str:
        return f" {self.unit}" if self.unit else ""

    def write(self, value: Any) -> str:
        """Return the shortest text that reads back as the same number."""
        return repr(float(value)).removesuffix(".0")

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "number", "constraints": {"minimum": self.low, "maximum": self.high}}

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return f"number from {self.low:g} to {self.high:g}{self._unit()}"


@dataclass(frozen=True, slots=True)
class YesNo(Cell):
    """Yes or no."""

    def read(self, text: str) -> int:
        """Return 1 for yes and 0 for no, as databases keep it."""
        match text.lower():
            case "yes" | "y" | "true" | "1":
                return 1
            case "no" | "n" | "false" | "0":
                return 0
            case _:
                refuse_ditto(text)
        raise CellError("unknown_word", f"'{text}' is neither yes nor no", "write yes or no")

    def write(self, value: Any) -> str:
        """Return yes or no."""
        return "yes" if value else "no"

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "boolean", "trueValues": ["yes"], "falseValues": ["no"]}

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return "yes or no"


EARLIEST = date(1700, 1, 1)
ISO_DAY = re.compile(r"\d{4}-\d\d-\d\d")
OTHER_DAY = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})")


@dataclass(frozen=True, slots=True)
class Day(Cell):
    """A day, ISO 8601."""

    def read(self, text: str) -> str:
        """Return the day."""
        if not ISO_DAY.fullmatch(text):
            raise self._not_iso(text)
        try:
            day = date.fromisoformat(text)
        except ValueError:
            raise CellError(
                "impossible_date", f"there is no day {text}", "year-month-day, as in 2026-02-14"
            ) from None
        if day < EARLIEST:
            raise CellError("impossible_date", f"{text} is before 1700", "check the year")
        return text

    def _not_iso(self, text: str) -> CellError:
        refuse_ditto(text)
        other = OTHER_DAY.fullmatch(text)
        if other is None:
            return CellError(
                "not_a_date", f"'{text}' is not a date", "year-month-day, as in 2026-02-14"
            )
        readings = " or ".join(_readings(other[1], other[3], other[4])) or "year-month-day"
        return CellError(
            "ambiguous_date",
            f"'{text}' can be read in more than one way",
            f"write year-month-day: {readings}",
        )

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "date", "format": "%Y-%m-%d"}

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return "day, as in 2026-02-14"


def _readings(first: str, second: str, third: str) -> list[str]:
    """Return the ISO days that a date in another form may mean."""
    orders = [(first, second, third), (third, second, first), (third, first, second)]
    found: list[str] = []
    for year, month, day in orders:
        century = 2000 if len(year) <= 2 else 0
        try:
            reading = date(int(year) + century, int(month), int(day)).isoformat()
        except ValueError:
            continue
        if reading not in found:
            found.append(reading)
    return found


STORED_MOMENT = "%Y-%m-%d %H:%M:%S"


@dataclass(frozen=True, slots=True)
class Moment(Cell):
    """A point in time, ISO 8601; without an offset it is in the registry's time zone."""

    def reader(self, zone: tzinfo) -> Reader:
        """Return a function that reads a moment, in `zone` where no offset is written."""

        def read(text: str) -> str:
            try:
                moment = datetime.fromisoformat(text)
            except ValueError:
                refuse_ditto(text)
                Day().read(text[:10])
                raise CellError(
                    "not_a_time", f"'{text}' is not a time", "as in 2026-02-14T08:30"
                ) from None
            if moment.date() < EARLIEST:
                raise CellError("impossible_date", f"{text} is before 1700", "check the year")
            if moment.tzinfo is None:
                moment = moment.replace(tzinfo=zone)
            try:
                return moment.astimezone(UTC).strftime(STORED_MOMENT)
            except OverflowError:
                raise CellError(
                    "impossible_date", f"{text} is after the last year", "check the year"
                ) from None

        return read

    def read(self, text: str) -> str:
        """Return the moment, read as UTC where no offset is written."""
        return str(self.reader(UTC)(text))

    def write(self, value: Any) -> str:
        """Return the moment in UTC, as in 2026-02-14T08:30:00Z."""
        moment = datetime.fromisoformat(value) if isinstance(value, str) else value
        moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
        return str(moment.strftime("%Y-%m-%dT%H:%M:%SZ"))

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "datetime", "format": "any"}

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return "time, as in 2026-02-14T08:30 or 2026-02-14T08:30+01:00"


@dataclass(frozen=True, slots=True)
class CultivarName(Cell):
    """A cultivar by its name or an alias, or one of the words of `Found`."""

    or_found: bool = False

    def read(self, text: str) -> str:
        """Return the name as written; whether it is known is checked with the registry."""
        if self.or_found and (word := Found.spelled(text)) is not None:
            return word.value
        return refuse_ditto(text)

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return "cultivar" + (", or one of: " + ", ".join(Found) if self.or_found else "")


POSITIONS = re.compile(r"\d+(-\d+)?")


@dataclass(frozen=True, slots=True)
class Positions(Cell):
    """Row positions as a list of numbers and ranges: ``3;7;12-15``."""

    def read(self, text: str) -> str:
        """Return the list, cleaned."""
        parts = [part.strip() for part in text.split(";") if part.strip()]
        for part in parts:
            ends = part.split("-")
            if not POSITIONS.fullmatch(part) or int(ends[0]) < 1 or int(ends[0]) > int(ends[-1]):
                raise CellError(
                    "not_a_position",
                    f"'{part}' is no row position or range of them",
                    "write positions parted by ; as in 3;7;12-15",
                )
        return ";".join(parts)

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return "row positions, as in 3;7;12-15"


@dataclass(frozen=True, slots=True)
class Outline(Cell):
    """A GeoJSON Polygon or MultiPolygon in WGS 84 (RFC 7946), as JSON text."""

    def read(self, text: str) -> str:
        """Return the geometry with its outer rings counter-clockwise, seven decimals at most."""
        from shapely import GEOSException, set_precision
        from shapely.geometry import mapping, shape
        from shapely.geometry.polygon import orient

        right = "a closed GeoJSON Polygon of longitude, latitude pairs (RFC 7946)"
        try:
            geometry = set_precision(shape(json.loads(text)), 1e-7).normalize()
            parts = list(getattr(geometry, "geoms", [geometry]))
            west, south, east, north = geometry.bounds
        except (ValueError, TypeError, KeyError, AttributeError, GEOSException) as fault:
            raise CellError("broken_outline", "the outline cannot be read", right) from fault
        if geometry.is_empty or any(part.geom_type != "Polygon" for part in parts):
            raise CellError("broken_outline", "the outline is no polygon", right)
        if west < -180 or east > 180 or south < -90 or north > 90:
            raise CellError("off_the_globe", "the outline is off the globe", right)
        rings = [mapping(orient(part))["coordinates"] for part in parts]
        if len(rings) == 1:
            return json.dumps({"type": "Polygon", "coordinates": rings[0]})
        return json.dumps({"type": "MultiPolygon", "coordinates": rings})

    def describe(self) -> str:
        """Return what the cell holds, for people."""
        return "outline, a GeoJSON Polygon in WGS 84"


def expand_positions(text: str) -> list[int]:
    """Return the positions of a list such as ``3;7;12-15``.

    >>> expand_positions("3;7;12-15")
    [3, 7, 12, 13, 14, 15]
    """
    found: list[int] = []
    for part in filter(None, text.split(";")):
        first, _, last = part.partition("-")
        found.extend(range(int(first), int(last or first) + 1))
    return found
