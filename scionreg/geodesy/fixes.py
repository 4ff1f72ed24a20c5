"""How sure a fix is: the one rule by which fixes are weighed, averaged and told apart.

The accuracy of a fix is the radius that holds it in 68 of 100 cases. Its error is taken to be
normal and the same in all directions: the distance is then Rayleigh distributed, and the radius is
sqrt(-2 ln 0.32) = 1.51 standard deviations of each coordinate.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from scionreg.geodesy.ground import Numbers, metres_apart

HOLDS = 0.68
RADIUS = math.sqrt(-2 * math.log(1 - HOLDS))
"""Radius that holds 68 % of fixes, in standard deviations of each coordinate."""
UNKNOWN_M = 5.0
"""Accuracy of a fix of which it was not written, m: a phone's, between open sky and a canopy."""
ARM_M = 0.5
"""Nobody stands in the trunk: a fix taken beside a tree is no closer than this, m."""
MOST_LIKELIER = 1e3
"""How much likelier a fix may make one tree than another: fixes stray by more than they say."""


class Fix(NamedTuple):
    """A place in degrees, with the radius that holds it at 68 %, m; None where it is not known."""

    latitude: float
    longitude: float
    accuracy_m: float | None = None


def deviation(accuracy_m: ArrayLike, least_m: float = 0.01) -> Numbers:
    """Return the standard deviation of each coordinate, m; an unknown accuracy (NaN) is a phone's.

    `least_m` is the smallest accuracy that is believed.
    """
    radius = np.asarray(accuracy_m, dtype=np.float64)
    radius = np.where(np.isnan(radius), UNKNOWN_M, radius)
    return np.asarray(np.maximum(radius, least_m) / RADIUS)


def together(fix_accuracy_m: ArrayLike, place_accuracy_m: ArrayLike) -> Numbers:
    """Return the standard deviation between a fix taken at a tree and the place written for it."""
    return np.asarray(np.hypot(deviation(fix_accuracy_m, ARM_M), deviation(place_accuracy_m)))


def log_densities(
    fix: Fix, latitude: ArrayLike, longitude: ArrayLike, accuracy_m: ArrayLike
) -> Numbers:
    """Return the log density, per m², of a fix had it been taken at each of some places.

    Parameters
    ----------
    latitude, longitude, accuracy_m : of the places, shape (n,); NaN for an unknown accuracy.
    """
    metres = metres_apart(fix.latitude, fix.longitude, latitude, longitude)
    return log_density(metres, together(_number(fix.accuracy_m), accuracy_m))


def log_density(metres: ArrayLike, spread: ArrayLike) -> Numbers:
    """Return the log density, per m², of fixes so many metres off places (`together`)."""
    spread = np.asarray(spread)
    return np.asarray(-((metres / spread) ** 2) / 2 - np.log(2 * math.pi * spread**2))


def likelier(fix: Fix, other: Fix, own: Fix) -> float:
    """Return how much likelier a fix is at the `other` place than at its `own`, within limits."""
    places = np.array([other[:2], own[:2]], dtype=np.float64)
    accuracy = [_number(other.accuracy_m), _number(own.accuracy_m)]
    there, here = log_densities(fix, places[:, 0], places[:, 1], accuracy)
    limit = math.log(MOST_LIKELIER)
    return math.exp(max(-limit, min(limit, there - here)))


def reach(accuracy_m: ArrayLike, other_m: ArrayLike) -> Numbers:
    """Return how far apart two fixes of one place may well be: the accuracy of their difference."""
    return np.asarray(RADIUS * np.hypot(deviation(accuracy_m), deviation(other_m)))


def misread(
    metres: float, fix_m: float | None, place_m: float | None, other_m: float | None
) -> float:
    """Return the chance that a fix taken at a tree is likelier at another, `metres` away.

    Parameters
    ----------
    fix_m, place_m, other_m : accuracies of the fix and of the places written for both trees.
    """
    place, other = (float(deviation(_number(each))) for each in (place_m, other_m))
    # The fix is compared with the middle between both places, which strays half as far as they do.
    spread = math.hypot(float(deviation(_number(fix_m), ARM_M)), math.hypot(place, other) / 2)
    return math.erfc(metres / 2 / spread / math.sqrt(2)) / 2


class Averaged(NamedTuple):
    """The mean of each place's fixes, arrays of one length; NaN for a place without any."""

    latitude: Numbers
    longitude: Numbers
    accuracy_m: Numbers
    fixes: NDArray[np.int64]


def average(
    latitude: ArrayLike,
    longitude: ArrayLike,
    accuracy_m: ArrayLike,
    of: ArrayLike | None = None,
    places: int = 1,
) -> Averaged:
    """Return the mean of several fixes of a place, each weighed by 1 / variance.

    Its accuracy takes their errors to be independent, which those of one afternoon are not quite.

    Parameters
    ----------
    latitude, longitude, accuracy_m : of the fixes, shape (n,).
    of : which place each is of, 0 to `places` - 1; None where all are of one.
    """
    north, east = np.asarray(latitude, float), np.asarray(longitude, float)
    place = np.zeros(len(north), int) if of is None else np.asarray(of, int)
    weights = deviation(accuracy_m) ** -2.0
    # From one of its fixes, so that a place at the date line is no mean of both ends of the world.
    one = np.full(places, np.nan)
    one[place] = east
    turned = (east - one[place] + 180) % 360 - 180
    weight, norths, easts = (
        np.bincount(place, weights=weights * each, minlength=places)
        for each in (np.ones(len(place)), north, turned)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        return Averaged(
            latitude=np.round(norths / weight, 9),
            longitude=np.round((one + easts / weight + 180) % 360 - 180, 9),
            accuracy_m=np.where(weight > 0, np.round(RADIUS / np.sqrt(weight), 3), np.nan),
            fixes=np.bincount(place, minlength=places),
        )


def _number(accuracy_m: float | None) -> float:
    return math.nan if accuracy_m is None else accuracy_m
