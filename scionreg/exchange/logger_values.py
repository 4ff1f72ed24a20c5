"""A logger's values: times on a clock that may jump, temperatures that may be false."""

import datetime as dt
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.exchange.loggers import Layout

COLDEST, HOTTEST = -60.0, 70.0
"""°C that a store's air can have. Outside it the sensor has failed: -127 where it does not answer,
85 as it wakes, 999 and the like where it is broken."""

SPIKE = 15.0
"""°C: a single reading that far from both its neighbours, which agree, is a fault of the sensor
(estimate; air in a closed room does not warm and cool so between two readings)."""

AGREE = 3.0
"""°C that the neighbours of a spike may differ by (estimate)."""

FORMATS = {
    "ymd": ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%y-%m-%d", "%y/%m/%d"),
    "dmy": ("%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y", "%d.%m.%y", "%d/%m/%y", "%d-%m-%y"),
    "mdy": ("%m/%d/%Y", "%m-%d-%Y", "%m/%d/%y", "%m-%d-%y"),
}
CLOCKS = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H:%M:%S.%f")
WITH_OFFSET = re.compile(r"(Z|[+-]\d\d:?\d\d)$")


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings in order of time: UTC, °C, per cent (NaN without), and the line of the file."""

    time: pd.DatetimeIndex
    temperature: npt.NDArray[np.float64]
    humidity: npt.NDArray[np.float64]
    line: npt.NDArray[np.int64]

    def written(self, some: slice) -> npt.NDArray[np.str_]:
        """Return some of the times as ISO text without an offset."""
        return np.datetime_as_string(self.time[some].tz_localize(None).to_numpy("datetime64[s]"))


def clean_readings(
    table: pd.DataFrame, layout: "Layout", zone: dt.tzinfo, dates: str, notes: list[str]
) -> Readings:
    """Return the readings of a table of texts; what is left out or put in order goes to `notes`.

    Raises
    ------
    RegistryError
        Times cannot be read, or may be read in two ways.
    """
    if table.empty:
        raise RegistryError("there are no readings below the header")
    time = _times(table["time"], layout, zone, dates, notes)
    warmth = _numbers(table["temperature"])
    if layout.fahrenheit:
        warmth = np.round((warmth - 32) / 1.8, 2)
    humid = _humidity(table, notes)
    blank = np.isnan(warmth)
    failed = ~blank & ((warmth < COLDEST) | (warmth > HOTTEST))
    no_time = np.asarray(time.isna())
    keep = ~(blank | failed | no_time)
    _note(notes, int((blank & ~no_time).sum()), "without a temperature left out")
    _note(notes, int(failed.sum()), "of a failed sensor left out (-127, 85, 999 and the like)")
    _note(notes, int(no_time.sum()), "at times that cannot be read left out")
    found = Readings(
        pd.DatetimeIndex(time[keep]), warmth[keep], humid[keep], table["line"].to_numpy()[keep]
    )
    return _without_spikes(_once_each(_in_order(found, notes), notes), notes)


def _note(notes: list[str], count: int, says: str) -> None:
    if count:
        notes.append(f"{count:,} reading{'s' if count > 1 else ''} {says}")


def _take(readings: Readings, at: Any) -> Readings:
    return Readings(
        readings.time[at], readings.temperature[at], readings.humidity[at], readings.line[at]
    )


def _in_order(readings: Readings, notes: list[str]) -> Readings:
    stamps = readings.time.asi8
    behind = int((np.diff(stamps) < 0).sum())
    if not behind:
        return readings
    _note(notes, behind, "out of order put in order of time")
    return _take(readings, np.argsort(stamps, kind="stable"))


def _once_each(readings: Readings, notes: list[str]) -> Readings:
    """Return one reading a moment, the first in the file."""
    again = np.asarray(readings.time.duplicated(keep="first"))
    if not again.any():
        return readings
    first = np.flatnonzero(~again)[np.cumsum(~again) - 1]
    other = again & (readings.temperature != readings.temperature[first])
    _note(notes, int((again & ~other).sum()), "written twice taken once")
    _note(notes, int(other.sum()), "unlike an earlier one of the same moment left out")
    return _take(readings, ~again)


def _without_spikes(readings: Readings, notes: list[str]) -> Readings:
    """Return the readings but single ones far from both neighbours, which agree."""
    warmth = readings.temperature
    if len(warmth) < 3:
        return readings
    before, here, after = warmth[:-2], warmth[1:-1], warmth[2:]
    off = np.minimum(abs(here - before), abs(here - after)) > SPIKE
    spike = np.concatenate(([False], off & (abs(before - after) < AGREE), [False]))
    _note(notes, int(spike.sum()), f"more than {SPIKE:g} °C off both neighbours left out")
    return _take(readings, ~spike) if spike.any() else readings


# ------------------------------------------------------------------------------------ numbers


def _numbers(texts: "pd.Series[str]") -> npt.NDArray[np.float64]:
    """Return the numbers of cells, NaN where there is none; a unit and a comma do no harm."""
    found = pd.to_numeric(texts, errors="coerce")
    odd = found.isna() & (texts.str.len() > 0)
    if odd.any():
        mended = texts[odd].str.replace(r"\s*(°?\s*[CF]|%\s*(RH)?)$", "", regex=True)
        mended = mended.str.replace(",", ".", regex=False).str.replace("−", "-", regex=False)
        found = found.astype(float)
        found[odd] = pd.to_numeric(mended, errors="coerce")
    return np.asarray(found.to_numpy(dtype=float))


def _humidity(table: pd.DataFrame, notes: list[str]) -> npt.NDArray[np.float64]:
    """Return the humidity; slightly above 100 % is 100, anything else impossible is unknown."""
    if "humidity" not in table:
        return np.full(len(table), np.nan)
    humid = _numbers(table["humidity"])
    saturated = (humid > 100) & (humid <= 105)
    wrong = (humid < 0) | (humid > 105)
    _note(notes, int(saturated.sum()), "of a humidity just above 100 % taken as 100 %")
    _note(notes, int(wrong.sum()), "of an impossible humidity taken without it")
    return np.where(wrong, np.nan, np.where(saturated, 100.0, humid))


# -------------------------------------------------------------------------------------- times


def _times(
    texts: "pd.Series[str]", layout: "Layout", zone: dt.tzinfo, dates: str, notes: list[str]
) -> "pd.Series[pd.Timestamp]":
    """Return the times in UTC, NaT where there is none."""
    if WITH_OFFSET.search(texts.iloc[0]):
        return pd.to_datetime(texts, utc=True, errors="coerce", format="ISO8601").dt.floor("s")
    written = texts.str.replace("T", " ", regex=False) if "T" in texts.iloc[0] else texts
    local = _local_times(written, dates).dt.floor("s")
    if layout.offset is not None:
        notes.append(f"times are at {layout.offset} from UTC, as the header says")
        found = local.dt.tz_localize(dt.datetime.strptime(layout.offset, "%z").tzinfo)
        return found.dt.tz_convert("UTC")
    return _on_the_clock(local, zone, notes)


def _local_times(texts: "pd.Series[str]", dates: str) -> "pd.Series[pd.Timestamp]":
    """Return times as the clock showed them.

    All lines are read in one form. Where two forms read them, that which makes even steps is
    meant: with day and month exchanged a logger would jump about.
    """
    sample = texts.iloc[:: max(1, len(texts) // 2000)]
    forms = FORMATS.get(dates, [form for forms in FORMATS.values() for form in forms])
    fitting = []
    for form in (f"{day} {clock}" for day in forms for clock in CLOCKS):
        share = pd.to_datetime(sample, format=form, errors="coerce").notna().mean()
        if share > 0.9:
            fitting.append((float(share), form))
    if not fitting:
        raise RegistryError(
            f"'{texts.iloc[0]}' is no date and time that can be read; write them as in "
            "2026-02-14 08:30, or name the column with --time-column"
        )
    best = max(share for share, _ in fitting)
    read = {
        form: pd.to_datetime(texts, format=form, errors="coerce")
        for share, form in fitting
        if share == best
    }
    distinct = {tuple(found.iloc[[0, len(found) // 2, -1]]): found for found in read.values()}
    if len(distinct) == 1:
        return next(iter(distinct.values()))
    jumps = {key: _jumps(found) for key, found in distinct.items()}
    fewest = min(jumps.values())
    even = [key for key, count in jumps.items() if count == fewest]
    if len(even) > 1:
        raise RegistryError(
            f"'{texts.iloc[0]}' can be read with day or month first; give --dates dmy or mdy"
        )
    return distinct[even[0]]


def _jumps(times: "pd.Series[pd.Timestamp]") -> int:
    """Return how often times go back, or on by more than two days."""
    steps = np.diff(times.dropna().to_numpy().astype("datetime64[s]").astype("int64"))
    return int(((steps < 0) | (steps > 2 * 86_400)).sum()) + int(times.isna().sum())


def _on_the_clock(
    local: "pd.Series[pd.Timestamp]", zone: dt.tzinfo, notes: list[str]
) -> "pd.Series[pd.Timestamp]":
    """Return the points in time that a local clock showed, in UTC.

    In the hour that comes twice in autumn, the second pass is where the clock goes back, or shows
    the same time again. Where it shows a time that does not exist in spring, it was not put
    forward, and stood at standard time throughout.
    """
    skipped = local.dt.tz_localize(zone, ambiguous=True, nonexistent="NaT").isna() & local.notna()
    if skipped.any():
        first = local[skipped].iloc[0]
        offset = (first - dt.timedelta(days=2)).tz_localize(zone).utcoffset()
        standard = dt.timezone(offset or dt.timedelta())
        notes.append(
            f"the logger's clock was not put forward on {first.date()}: read at UTC"
            f"{standard.tzname(None).removeprefix('UTC')} throughout"
        )
        return local.dt.tz_localize(standard).dt.tz_convert("UTC")
    twice = local.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT").isna() & local.notna()
    summer = np.ones(len(local), dtype=bool)
    if twice.any():
        newest_first = local.dropna().diff().median() < pd.Timedelta(0)
        hours = local[twice]
        passes = _first_pass(hours.iloc[::-1])[::-1] if newest_first else _first_pass(hours)
        summer[twice.to_numpy()] = passes
        _note(notes, int(twice.sum()), "in an hour that came twice, as the clock was put back")
    return local.dt.tz_localize(zone, ambiguous=summer).dt.tz_convert("UTC")


def _first_pass(local: "pd.Series[pd.Timestamp]") -> npt.NDArray[np.bool_]:
    """Tell, of times in hours that come twice, oldest first, which are of the first pass."""
    stamps = local.to_numpy().astype("datetime64[s]").astype("int64")
    first = np.ones(len(stamps), dtype=bool)
    going_on = True
    for i in range(1, len(stamps)):
        if stamps[i] - stamps[i - 1] > 12 * 3600:
            going_on = True  # another year
        elif stamps[i] <= stamps[i - 1]:
            going_on = False
        first[i] = going_on
    return first
