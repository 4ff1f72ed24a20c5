"""How sure a share is, and how sure one of many comparisons is."""

from typing import Any

import numpy as np
from scipy.stats import false_discovery_control, norm

Array = np.ndarray[Any, np.dtype[Any]]


def wilson(taken: Array, grafts: Array, level: float = 0.95) -> tuple[Array, Array]:
    """Return the limits of Wilson's score interval of a share, for many counts at once.

    Parameters
    ----------
    taken, grafts
        Counts; they may be fractions where mixed wood is shared out.
    level
        Confidence, two-sided.

    Returns
    -------
    Low and high share; 0 and 1 where there are no grafts.

    Source: E. B. Wilson 1927, Journal of the American Statistical Association 22:209-212; R. G.
    Newcombe 1998, Statistics in Medicine 17:857-872, method 3.
    """
    made = np.asarray(grafts, dtype=float)
    share = np.divide(taken, made, out=np.zeros_like(made), where=made > 0)
    z = norm.ppf((1 + level) / 2)
    middle = made * share + z**2 / 2
    reach = z * np.sqrt(made * share * (1 - share) + z**2 / 4)
    whole = made + z**2
    # No graft tells nothing; rounding must not lead out of 0 to 1.
    low = np.where(made > 0, np.clip((middle - reach) / whole, 0, 1), 0.0)
    high = np.where(made > 0, np.clip((middle + reach) / whole, 0, 1), 1.0)
    return low, high


def adjusted(p: Array) -> Array:
    """Return p-values adjusted for their number (false discovery rate); NaN stays NaN.

    Source: Y. Benjamini & Y. Hochberg 1995, Journal of the Royal Statistical Society B 57:289-300.
    """
    known = ~np.isnan(p)
    found = np.full(len(p), np.nan)
    if known.any():
        found[known] = false_discovery_control(p[known], method="bh")
    return found
