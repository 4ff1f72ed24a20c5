"""Cells of days and of points in time."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from typing import Any

from scionreg.records.cells.base import Cell, CellError, Reader, refuse_ditto
from scionreg.records.words import Sentence

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
        readings = _readings(other[1], other[3], other[4])
        wrong = "can be read in more than one way" if len(readings) > 1 else "is another form"
        right = " or ".join(readings) or "as in 2026-02-14"
        return CellError("ambiguous_date", f"'{text}' {wrong}", f"write year-month-day: {right}")

    def schema(self) -> dict[str, Any]:
        """Return the Table Schema type and constraints."""
        return {"type": "date", "format": "%Y-%m-%d"}

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.day")


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


YEAR_OR_MONTH = re.compile(r"(\d{4})(?:-(0[1-9]|1[0-2]))?")


@dataclass(frozen=True, slots=True)
class YearOrMonth(Cell):
    """A year, or a month of one, where the day is not known: ISO 8601 of reduced precision."""

    def read(self, text: str) -> str:
        """Return the year or month."""
        match = YEAR_OR_MONTH.fullmatch(text)
        if match is None:
            refuse_ditto(text)
            raise CellError(
                "not_a_date", f"'{text}' is no year or month", "as in 2009, or 2009-04 for a month"
            )
        if int(match[1]) < EARLIEST.year:
            raise CellError("impossible_date", f"{text} is before 1700", "check the year")
        return text

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
                # As STORED_MOMENT, in half the time.
                return moment.astimezone(UTC).isoformat(" ", "seconds")[:19]
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

    def describe(self) -> Sentence:
        """Return what the cell holds, for people."""
        return Sentence("cell.time")
