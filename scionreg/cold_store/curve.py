"""A store's readings as a curve, and exact integrals over any part of it.

Readings are joined by straight lines; two that lie further apart than a setting are not joined,
and what happened between them is unknown. Sums up to each reading are kept, so that a hundred
thousand stays are a search and a subtraction each, however many readings there are.

Times are seconds since 1970 (UTC), durations hours, temperatures °C, relative humidity per cent.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from scionreg.records.starting_values import StoreValues

Array = npt.NDArray[np.float64]
Piece = Callable[[Array, Array, Array], Array]
"""The integral over straight pieces: their first values, last values (…, columns) and hours."""

HOUR = 3600.0


def saturation_pressure(temperature_c: npt.ArrayLike) -> Array:
    """Return the saturation vapour pressure over water, kPa, at temperatures in °C.

    FAO Irrigation and Drainage Paper 56 (Allen et al. 1998), equation 11.
    """
    celsius = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(0.6108 * np.exp(17.27 * celsius / (celsius + 237.3)))


def vapour_pressure_deficit(temperature_c: npt.ArrayLike, humidity_pct: npt.ArrayLike) -> Array:
    """Return how much more vapour the air could hold, kPa: what draws water out of wood."""
    humid = np.asarray(humidity_pct, dtype=np.float64)
    return np.asarray(saturation_pressure(temperature_c) * (1 - humid / 100))


# ------------------------------------------------------------------ integrals over straight pieces


def hours_of(first: Array, last: Array, hours: Array) -> Array:
    """Return the hours themselves."""
    return hours


def above(threshold: float) -> Piece:
    """Return the integral of how far a line lies above `threshold`, in degree-hours."""

    def integral(first: Array, last: Array, hours: Array) -> Array:
        low = np.minimum(first[..., 0], last[..., 0]) - threshold
        high = np.maximum(first[..., 0], last[..., 0]) - threshold
        rise = np.where(high > low, high - low, 1.0)
        part = np.clip(high / rise, 0.0, 1.0)  # of the piece that lies above
        crossing = np.maximum(high, 0.0) * part / 2
        return np.where(low >= 0, (low + high) / 2, crossing) * hours

    return integral


def time_below(threshold: float) -> Piece:
    """Return the hours for which a line lies below `threshold`."""

    def integral(first: Array, last: Array, hours: Array) -> Array:
        low = np.minimum(first[..., 0], last[..., 0]) - threshold
        high = np.maximum(first[..., 0], last[..., 0]) - threshold
        rise = np.where(high > low, high - low, 1.0)
        part = np.where(high > low, np.clip(-low / rise, 0.0, 1.0), low < 0)
        return np.asarray(part * hours)

    return integral


_GAUSS_AT, _GAUSS_WEIGHT = np.polynomial.legendre.leggauss(4)


def deficit(first: Array, last: Array, hours: Array) -> Array:
    """Return the kPa·h of vapour pressure deficit while temperature and humidity run straight.

    By Gauss's quadrature with four points: over 30 °C in one piece the error is below 1e-6.
    """
    total = np.zeros_like(hours)
    for at, weight in zip((_GAUSS_AT + 1) / 2, _GAUSS_WEIGHT / 2, strict=True):
        between = first + at * (last - first)
        total += weight * vapour_pressure_deficit(between[..., 0], between[..., 1])
    return np.asarray(total * hours)


# ------------------------------------------------------------------------------------- the curve


class _Lines:
    """Points in time with values, joined by straight lines where they lie close enough."""

    def __init__(self, times: Array, values: Array, gap_hours: float) -> None:
        self.times, self.values = times, values
        self.hours = np.diff(times) / HOUR
        self.joined = self.hours <= gap_hours
        self._sums: dict[Piece, Array] = {}

    def pieces(self, piece: Piece) -> Array:
        """Return the integral over each line; of those that are not joined nothing."""
        return piece(self.values[:-1], self.values[1:], self.hours) * self.joined

    def between(self, piece: Piece, starts: Array, ends: Array) -> Array:
        """Return the integrals from `starts` to `ends`."""
        if not len(self.times):
            return np.zeros(len(starts))
        return np.asarray(self._until(piece, ends) - self._until(piece, starts))

    def _until(self, piece: Piece, moments: Array) -> Array:
        """Return the integrals from the first point on to `moments`."""
        if piece not in self._sums:
            self._sums[piece] = np.concatenate(([0.0], np.cumsum(self.pieces(piece))))
        found = np.asarray(self._sums[piece])
        last = len(self.times) - 1
        at = np.clip(np.searchsorted(self.times, moments, side="right") - 1, 0, last)
        total = np.array(found[at])
        inside = (at < last) & (moments > self.times[at])
        inside[inside] = self.joined[at[inside]]
        if inside.any():
            i = at[inside]
            hours = (moments[inside] - self.times[i]) / HOUR
            share = (hours / self.hours[i])[:, None]
            reached = self.values[i] + share * (self.values[i + 1] - self.values[i])
            total[inside] += piece(self.values[i], reached, hours)
        return total


@dataclass(frozen=True, slots=True)
class Sums:
    """What stays in a store came to: arrays of one value a stay.

    `hours` is their length, `without_readings` the hours of it that nobody knows about;
    `degree_hours` is in °C·h and `deficit_hours` in kPa·h, of which `without_humidity` hours are
    not known.
    """

    hours: Array
    degree_hours: Array
    cold_hours: Array
    deficit_hours: Array
    without_readings: Array
    without_humidity: Array


class Curve:
    """The temperature, and where it was read the humidity, of one store.

    Parameters
    ----------
    times : seconds since 1970, UTC, in any order; of two readings at one moment the first counts.
    temperature_c, humidity_pct : values of the same length; NaN where there is none.
    values : the thresholds, and how far apart readings may lie to be joined.
    """

    def __init__(
        self,
        times: npt.ArrayLike,
        temperature_c: npt.ArrayLike,
        humidity_pct: npt.ArrayLike | None = None,
        values: StoreValues | None = None,
    ) -> None:
        self.settings = values or StoreValues()
        moments, at = np.unique(np.asarray(times, dtype=np.float64), return_index=True)
        warmth = np.asarray(temperature_c, dtype=np.float64)[at]
        humid = (
            np.full(len(at), np.nan)
            if humidity_pct is None
            else np.asarray(humidity_pct, dtype=np.float64)[at]
        )
        gap = self.settings.gap_hours
        read = ~np.isnan(warmth)
        both = read & ~np.isnan(humid)
        self._warmth = _Lines(moments[read], warmth[read, None], gap)
        self._air = _Lines(moments[both], np.stack([warmth[both], humid[both]], axis=1), gap)
        self._above = above(self.settings.warm_above_c)
        self._below = time_below(self.settings.cold_below_c)

    @property
    def times(self) -> Array:
        """Return the moments at which a temperature was read, in order."""
        return self._warmth.times

    @property
    def temperatures(self) -> Array:
        """Return the temperatures read, °C."""
        return np.asarray(self._warmth.values[:, 0])

    @property
    def joined(self) -> npt.NDArray[np.bool_]:
        """Return, for each reading but the last, whether it is joined to the next."""
        return np.asarray(self._warmth.joined)

    def heat_pieces(self) -> Array:
        """Return the °C·h above the threshold between each reading and the next."""
        return self._warmth.pieces(self._above)

    def heat(self, starts: Array, ends: Array) -> Array:
        """Return the °C·h above the threshold from `starts` to `ends`."""
        return self._warmth.between(self._above, starts, ends)

    def sums(self, starts: Array, ends: Array) -> Sums:
        """Return what stays from `starts` to `ends` came to."""
        hours = np.maximum(ends - starts, 0.0) / HOUR
        ends = np.maximum(starts, ends)
        known = self._warmth.between(hours_of, starts, ends)
        humid = self._air.between(hours_of, starts, ends)
        return Sums(
            hours=hours,
            degree_hours=self.heat(starts, ends),
            cold_hours=self._warmth.between(self._below, starts, ends),
            deficit_hours=self._air.between(deficit, starts, ends),
            without_readings=_rest(hours, known),
            without_humidity=_rest(hours, humid),
        )


def _rest(whole: Array, part: Array) -> Array:
    """Return what is left of hours; less than a tenth of a second is no rest but rounding."""
    rest = whole - part
    return np.where(rest < 1e-5, 0.0, rest)


def seconds(moments: Sequence[Any]) -> Array:
    """Return points in time (with a time zone) as seconds since 1970."""
    return np.array([each.timestamp() for each in moments], dtype=np.float64)
