"""How people write days: every form that can mean one day only, and parts of a date.

What is written without a year, or as ``today``, depends on the day it is written, so only whoever
types may say it (`recent`); files hold what means the same next year (`readings`).
"""

import calendar
import datetime as dt
import re
from collections.abc import Iterator

_NAMES = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
MONTHS = {
    **{name: number for number, name in enumerate(_NAMES, start=1)},
    **{name[:3]: number for number, name in enumerate(_NAMES, start=1)},
    "sept": 9,
}
"""The months by their English names and what they are cut short to."""

_MONTH = r"(?P<month>[a-z]{3,9})\.?"
_DAY = r"(?P<day>\d{1,2})(?:st|nd|rd|th|\.)?"
_YEAR = r"(?P<year>\d{4})"
_GAP = r"[\s,/.-]*"
_FLAGS = re.ASCII | re.IGNORECASE

BASIC = re.compile(r"(\d{4})(\d\d)(\d\d)", re.ASCII)
NUMBERS = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})", re.ASCII)
NAMED = [
    re.compile(form, _FLAGS)
    for form in (
        rf"{_DAY}{_GAP}(?:of\s+)?{_MONTH}{_GAP}(?P<year>\d{{4}}|\d\d)",
        rf"{_MONTH}{_GAP}{_DAY}[\s,/-]+{_YEAR}",
        rf"{_YEAR}{_GAP}{_MONTH}{_GAP}{_DAY}",
    )
]
WITHOUT_YEAR = [
    re.compile(form, _FLAGS)
    for form in (rf"{_DAY}{_GAP}(?:of\s+)?{_MONTH}", rf"{_MONTH}{_GAP}{_DAY}")
]
PAIR = re.compile(r"(\d{1,2})([./])(\d{1,2})\2?", re.ASCII)
PART = [
    re.compile(form, _FLAGS)
    for form in (
        r"(?P<year>\d{4})",
        r"(?P<year>\d{4})[-/.](?P<number>\d{1,2})",
        r"(?P<number>\d{1,2})[/.](?P<year>\d{4})",
        rf"{_MONTH}[\s,/-]*{_YEAR}",
        rf"{_YEAR}[\s,/-]*{_MONTH}",
    )
]
RELATIVE = {"today": 0, "yesterday": 1}


def readings(text: str) -> list[str]:
    """Return the ISO days that a date in any form may mean; two digits are years of this century.

    >>> readings("15 April 2026"), readings("4/16/2026"), readings("3/4/2026")
    (['2026-04-15'], ['2026-04-16'], ['2026-04-03', '2026-03-04'])
    """
    return list(dict.fromkeys(day.isoformat() for day in _readings(text)))


def _readings(text: str) -> Iterator[dt.date]:
    if match := BASIC.fullmatch(text):
        yield from _day(*match.groups())
    if match := NUMBERS.fullmatch(text):
        first, _, second, third = match.groups()
        yield from _day(first, second, third)
        yield from _day(third, second, first)
        yield from _day(third, first, second)
    for form in NAMED:
        if match := form.fullmatch(text):
            month = MONTHS.get(match["month"].casefold(), 0)
            yield from _day(match["year"], month, match["day"])


def _day(year: str | int, month: str | int, day: str | int) -> Iterator[dt.date]:
    """Yield the day, if there is one."""
    if isinstance(year, str) and len(year) < 4:
        year = 2000 + int(year) if len(year) < 3 else 0
    try:
        yield dt.date(int(year), int(month), int(day))
    except ValueError:
        return


def recent(text: str, today: dt.date) -> str | None:
    """Return the last day up to `today` that a date without a year means.

    None is returned for anything else, and where it may mean two days.

    >>> recent("16 apr", dt.date(2026, 12, 1)), recent("yesterday", dt.date(2026, 1, 1))
    ('2026-04-16', '2025-12-31')
    """
    ago = RELATIVE.get(text.casefold())
    if ago is not None:
        return (today - dt.timedelta(days=ago)).isoformat()
    days = [_last(*each, today) for each in months_and_days(text)]
    return days[0] if len(days) == 1 else None


def months_and_days(text: str) -> list[tuple[int, int]]:
    """Return the months and days that a date without a year may mean; 2024 had all of them."""
    return [each for each in dict.fromkeys(_months_and_days(text)) if any(_day(2024, *each))]


def _months_and_days(text: str) -> Iterator[tuple[int, int]]:
    if match := PAIR.fullmatch(text):
        yield int(match[1]), int(match[3])
        yield int(match[3]), int(match[1])
    for form in WITHOUT_YEAR:
        if match := form.fullmatch(text):
            yield MONTHS.get(match["month"].casefold(), 0), int(match["day"])


def _last(month: int, day: int, today: dt.date) -> str | None:
    """Return the last such day up to `today`; 29 February may be some years ago."""
    for year in range(today.year, today.year - 9, -1):
        for found in _day(year, month, day):
            if found <= today:
                return found.isoformat()
    return None


def part_of_date(text: str) -> str | None:
    """Return a year, or a month of one, as ISO 8601 has it; None for anything else.

    >>> part_of_date("2009"), part_of_date("April 2009"), part_of_date("4/2009")
    ('2009', '2009-04', '2009-04')
    """
    for form in PART:
        match = form.fullmatch(text)
        if match is None:
            continue
        told = match.groupdict()
        name = told.get("month")
        month = MONTHS.get(name.casefold(), 0) if name else int(told.get("number") or 0)
        if "month" not in told and "number" not in told:
            return match["year"]
        if 1 <= month <= 12:
            return f"{match['year']}-{month:02d}"
    return None


def span(day: str | dt.date | None, part: str | None) -> tuple[dt.date, dt.date] | None:
    """Return the earliest and the latest day that a date may mean, None where nothing is known.

    `part` is the year or month that is known where the `day` is not.

    >>> span(None, "2009-02")
    (datetime.date(2009, 2, 1), datetime.date(2009, 2, 28))
    """
    if day:
        known = dt.date.fromisoformat(day) if isinstance(day, str) else day
        return known, known
    if not part:
        return None
    year, _, month = part.partition("-")
    first, last = (int(month), int(month)) if month else (1, 12)
    end = calendar.monthrange(int(year), last)[1]
    return dt.date(int(year), first, 1), dt.date(int(year), last, end)
