"""Cells of days and of points in time."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from typing import Any

from scionreg.records.cells import dates
from scionreg.records.cells.base import NO_WORDS, Cell, CellError, OwnWords, Reader, refuse_ditto
from scionreg.records.cells.numbers import digits
from scionreg.records.words import Sentence

EARLIEST = date(1700, 1, 1)
ISO_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
AS_IN = "as in 2026-02-14"


@dataclass(frozen=True, slots=True)
class Day(Cell):
    """A day; kept as ISO 8601, read in any form that can mean one day only.

    `else_in` is the column of the year or month where the day is not known: whatever names no day
    goes there.
    """

    else_in: str = ""

    def read(self, text: str) -> str:
        """Return the day, from any form that can mean one day only."""
        if ISO_DAY.fullmatch(text):
            try:
                day = date.fromisoformat(text)
            except ValueError:
                raise CellError(
                    "impossible_date", f"there is no day {text}", f"year-month-day, {AS_IN}"
                ) from None
        else:
            day = _in_another_form(text)
        if day < EARLIEST:
            raise CellError("impossible_date", f"{text} is before 1700", "check the year")
        return day.isoformat()

    def typed(self, text: str, today: date) -> str:
        """Return the text with a date that only means something today as the day it means."""
        return dates.recent(text, today) or text

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "date", "format": "%Y-%m-%d"}

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.day")


def _in_another_form(text: str) -> date:
    """Return the day of a date that is not written year-month-day, where it can mean one only."""
    found = dates.readings(digits(text))
    if len(found) == 1:
        return date.fromisoformat(found[0])
    refuse_ditto(text)
    without_year = [f"YEAR-{month:02}-{day:02}" for month, day in dates.months_and_days(text)]
    if len(found or without_year) > 1:
        raise CellError(
            "ambiguous_date",
            f"'{text}' can be read in more than one way",
            f"write year-month-day: {' or '.join(found or without_year)}",
        )
    if without_year:
        raise CellError("not_a_date", f"'{text}' names no year", f"write {without_year[0]}")
    if dates.part_of_date(digits(text)):
        raise CellError("not_a_date", f"'{text}' names no day", f"give the day too, {AS_IN}")
    raise CellError("not_a_date", f"'{text}' is not a date", f"year-month-day, {AS_IN}")


def last_day(text: str) -> date | None:
    """Return the day that a date in any form names, or the last of the year or month it names."""
    try:
        return date.fromisoformat(Day().read(text))
    except CellError:
        meant = dates.span(None, dates.part_of_date(digits(text)))
    return meant[1] if meant else None


YEAR_OR_MONTH = re.compile(r"(\d{4})(?:-(0[1-9]|1[0-2]))?")


@dataclass(frozen=True, slots=True)
class YearOrMonth(Cell):
    """A year, or a month of one, where the day is not known: ISO 8601 of reduced precision."""

    def read(self, text: str) -> str:
        """Return the year or month."""
        part = dates.part_of_date(digits(text))
        if part is None:
            refuse_ditto(text)
            raise CellError(
                "not_a_date", f"'{text}' is no year or month", "as in 2009, or 2009-04 for a month"
            )
        if int(part[:4]) < EARLIEST.year:
            raise CellError("impossible_date", f"{text} is before 1700", "check the year")
        return part

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "string", "constraints": {"pattern": YEAR_OR_MONTH.pattern}}

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.year_or_month")


STORED_MOMENT = "%Y-%m-%d %H:%M:%S"


@dataclass(frozen=True, slots=True)
class Moment(Cell):
    """A point in time, ISO 8601; without an offset it is in the registry's time zone."""

    def reader(self, zone: tzinfo, own: OwnWords = NO_WORDS) -> Reader:
        """Return a function that reads a moment, in `zone` where no offset is written."""

        def read(text: str) -> str:
            try:
                moment = datetime.fromisoformat(text)
            except ValueError:
                moment = datetime.fromisoformat(_iso_moment(text))
            if moment.date() < EARLIEST:
                raise CellError("impossible_date", f"{text} is before 1700", "check the year")
            if moment.tzinfo is None:
                moment = _by_clock(moment, zone)
            try:
                # As STORED_MOMENT, in half the time.
                return moment.astimezone(UTC).isoformat(" ", "seconds")[:19]
            except OverflowError:
                raise CellError(
                    "impossible_date", f"{text} is after the last year", "check the year"
                ) from None

        return read

    def typed(self, text: str, today: date) -> str:
        """Return the text with a date that only means something today as the day it means."""
        day, gap, time = _parted(text)
        return f"{dates.recent(day, today) or day}{gap}{time}"

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

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.time")


TIME = re.compile(
    r"(?P<day>.*?)(?P<gap>[\sT,]+)(?P<time>(?P<hour>\d{1,2})(?::(?P<minute>\d\d)(?::(?P<second>\d\d))?)?"
    r"\s*(?P<half>[ap])?(?(half)\.?m\.?)\s*(?P<offset>Z|[+-]\d\d:?\d\d)?)",
    re.ASCII | re.IGNORECASE,
)


def _parted(text: str) -> tuple[str, str, str]:
    """Return the day and the time of day of a moment with what parts them, empty where none is."""
    match = TIME.fullmatch(text)
    if match is None or not (match["minute"] or match["half"]):
        return text, "", ""
    return match["day"], match["gap"], match["time"]


def _iso_moment(text: str) -> str:
    """Return a moment in another form as ISO 8601 has it, or raise `CellError`."""
    refuse_ditto(text)
    day, _, time = _parted(digits(text))
    not_a_time = CellError("not_a_time", f"'{text}' is not a time", "as in 2026-02-14T08:30")
    if not time and ISO_DAY.match(text) and len(text) > 10:
        raise not_a_time
    iso = Day().read(day)
    if not time:
        return iso
    told = TIME.fullmatch(f"{iso} {time}")
    assert told is not None
    hour = int(told["hour"])
    if told["half"]:
        hour = hour % 12 + 12 * (told["half"].lower() == "p") if 1 <= hour <= 12 else 99
    moment = (
        f"{iso}T{hour:02d}:{told['minute'] or '00'}:{told['second'] or '00'}{told['offset'] or ''}"
    )
    try:
        datetime.fromisoformat(moment)
    except ValueError:
        raise not_a_time from None
    return moment


def _by_clock(moment: datetime, zone: tzinfo) -> datetime:
    """Return a time by a zone's clock; raise `CellError` for one that the clock left out."""
    aware = moment.replace(tzinfo=zone)
    if aware.utcoffset() == aware.replace(fold=1).utcoffset():
        return aware
    shown = aware.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
    if shown != moment:
        raise CellError(
            "impossible_date",
            f"there was no {moment:%H:%M} on {moment:%Y-%m-%d}: the clocks were put forward "
            f"({zone})",
            f"{shown:%H:%M} by the clock perhaps; or write the time with its offset",
        )
    return aware
