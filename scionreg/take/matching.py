"""Like with like: an item's take against that of lots that are alike in everything else.

Sources: N. Mantel & W. Haenszel 1959, Journal of the National Cancer Institute 22:719-748 (common
odds ratio and test); J. Robins, N. Breslow & S. Greenland 1986, Biometrics 42:311-323 (its
interval); S. Greenland & J. Robins 1985, Biometrics 41:55-68 (common difference of shares);
T. Sato 1989, Biometrics 45:1323-1324 (its variance, right for many small strata and for few large
ones).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import chi2, norm

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True, eq=False)
class Tables:
    """Tables of two by two: `taken` of `made` with the item, `others` of `beside` without it.

    Every array has an entry for each table; `item` is the number of the item it belongs to. The
    counts may be fractions.
    """

    item: Array
    taken: Array
    made: Array
    others: Array
    beside: Array

    def chosen(self, kept: Array) -> "Tables":
        """Return some of the tables."""
        return Tables(
            *(each[kept] for each in (self.item, self.taken, self.made, self.others, self.beside))
        )


@dataclass(frozen=True, eq=False)
class Matched:
    """The comparison of each item over its strata; NaN where nothing is alike.

    `difference` is the common difference of shares and `difference_se` its standard error;
    `odds_ratio` and `log_odds_se` the same of odds; `chi2` the test statistic with one degree of
    freedom, without continuity correction; `weight` how much the comparison weighs, in grafts (half
    of either side where both are as large).
    """

    difference: Array
    difference_se: Array
    odds_ratio: Array
    log_odds_se: Array
    chi2: Array
    weight: Array

    def p_value(self, design_effect: float = 1.0) -> Array:
        """Return the two-sided p-value; lots that vary by themselves divide the statistic."""
        found: Array = chi2.sf(self.chi2 / design_effect, 1)
        return found

    def interval(self, level: float = 0.95, design_effect: float = 1.0) -> tuple[Array, Array]:
        """Return the limits of the difference."""
        reach = norm.ppf((1 + level) / 2) * self.difference_se * np.sqrt(design_effect)
        return np.maximum(self.difference - reach, -1), np.minimum(self.difference + reach, 1)

    def odds_interval(self, level: float = 0.95) -> tuple[Array, Array]:
        """Return the limits of the odds ratio."""
        reach = norm.ppf((1 + level) / 2) * self.log_odds_se
        return self.odds_ratio * np.exp(-reach), self.odds_ratio * np.exp(reach)


def mantel_haenszel(tables: Tables, items: int) -> Matched:
    """Compare each of `items` over its tables; formulas as the sources above give them."""
    a, n1, b, n0 = tables.taken, tables.made, tables.others, tables.beside
    c, d, n = n1 - a, n0 - b, n1 + n0

    def over(values: Array) -> Array:
        return np.bincount(tables.item, weights=values, minlength=items)

    with np.errstate(divide="ignore", invalid="ignore"):
        weight = over(n1 * n0 / n)
        difference = over((a * n0 - b * n1) / n) / weight
        p = over((n1**2 * b - n0**2 * a + n1 * n0 * (n0 - n1) / 2) / n**2)
        q = over((a * d + b * c) / (2 * n))
        # Where all or nothing took on both sides rounding may leave less than nothing.
        difference_se = np.sqrt(np.maximum(difference * p + q, 0)) / weight
        r, s = a * d / n, b * c / n
        with_r, with_s = (a + d) / n, (b + c) / n
        sum_r, sum_s = over(r), over(s)
        log_odds_se = np.sqrt(
            over(with_r * r) / (2 * sum_r**2)
            + over(with_r * s + with_s * r) / (2 * sum_r * sum_s)
            + over(with_s * s) / (2 * sum_s**2)
        )
        spread = over(n1 * n0 * (a + b) * (c + d) / (n**2 * np.maximum(n - 1, 1)))
        statistic = over(a - n1 * (a + b) / n) ** 2 / spread
        # All took, or none did, on both sides: no difference.
        statistic = np.where((weight > 0) & (spread <= 0), 0.0, statistic)
        return Matched(difference, difference_se, sum_r / sum_s, log_odds_se, statistic, weight)


@dataclass(frozen=True, eq=False)
class Counted:
    """Counted lots and the items they belong to.

    `taken` and `grafts` have an entry a lot; `lot`, `item` and `share` one for each pair that
    belongs together, `items` being the number of items.
    """

    taken: Array
    grafts: Array
    lot: Array
    item: Array
    share: Array
    items: int

    def tables(self, stratum: Array, among: Array) -> Tables:
        """Return the tables of the items `among` (bool) with strata of lots (a number a lot)."""
        kept = among[self.item]
        lot, item, share = self.lot[kept], self.item[kept], self.share[kept]
        strata = int(stratum.max()) + 1
        cells, cell = np.unique(item * strata + stratum[lot], return_inverse=True)
        made = np.bincount(cell, weights=share * self.grafts[lot])
        taken = np.bincount(cell, weights=share * self.taken[lot])
        of, there = np.divmod(cells, strata)
        beside = np.bincount(stratum, weights=self.grafts)[there] - made
        others = np.bincount(stratum, weights=self.taken)[there] - taken
        found = Tables(of, taken, made, np.clip(others, 0, beside), beside)
        return found.chosen((beside > 1e-9) & (made > 1e-9))


def like_with_like(
    counted: Counted,
    alike: Mapping[str, Array],
    least_weight: float,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[Matched, list[tuple[str, ...]]]:
    """Compare every item with lots that are alike, in as much as can be asked of them.

    Parameters
    ----------
    alike
        What lots should be alike in, the most important first: a number a lot.
    least_weight
        Share of the comparison's weight that matching must leave: an item is matched on a factor
        only if that much remains. What took is not looked at for that.

    Returns
    -------
    The comparisons, and what each item's lots were matched on.
    """
    names = list(alike)
    chosen = np.zeros((counted.items, len(names)), dtype=bool)
    strata = _Strata(alike, len(counted.grafts))
    needed = least_weight * _weights(counted, strata, chosen)
    for place in range(len(names)):
        progress(place, len(names))
        tried = chosen.copy()
        tried[:, place] = True
        enough = _weights(counted, strata, tried) >= np.maximum(needed, 1e-9)
        chosen[:, place] = enough
    tables = _all_tables(counted, strata, chosen)
    matched_on = [tuple(np.asarray(names, dtype=object)[each]) for each in chosen]
    return mantel_haenszel(tables, counted.items), matched_on


class _Strata:
    """Strata of lots by what they are matched on, each made once."""

    def __init__(self, alike: Mapping[str, Array], lots: int) -> None:
        self._labels = list(alike.values())
        self._made: dict[tuple[bool, ...], Array] = {(False,) * len(alike): np.zeros(lots, int)}

    def by(self, chosen: Sequence[bool]) -> Array:
        key = tuple(bool(each) for each in chosen)
        if key not in self._made:
            last = max(place for place, each in enumerate(key) if each)
            before = self.by([each and place != last for place, each in enumerate(key)])
            own = self._labels[last]
            joined = before * (int(own.max()) + 1) + own
            self._made[key] = np.unique(joined, return_inverse=True)[1]
        return self._made[key]


def _all_tables(counted: Counted, strata: _Strata, chosen: Array) -> Tables:
    """Return the tables of all items, each over its own strata."""
    kinds, kind = np.unique(chosen, axis=0, return_inverse=True)
    found = [
        counted.tables(strata.by(each), kind.ravel() == number) for number, each in enumerate(kinds)
    ]
    columns = ("item", "taken", "made", "others", "beside")
    return Tables(*(np.concatenate([getattr(t, name) for t in found]) for name in columns))


def _weights(counted: Counted, strata: _Strata, chosen: Array) -> Array:
    tables = _all_tables(counted, strata, chosen)
    weights = tables.made * tables.beside / (tables.made + tables.beside)
    return np.bincount(tables.item, weights=weights, minlength=counted.items)
