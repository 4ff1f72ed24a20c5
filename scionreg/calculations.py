"""Published figures recomputed by the calculations that every answer uses.

Somebody who must rely on an answer can see that its arithmetic gives what was printed elsewhere.
The figures and their sources ship with the package, in `published/`.
"""

import csv
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np

from scionreg.cold_store.curve import saturation_pressure, vapour_pressure_deficit
from scionreg.geodesy.ground import metres_apart
from scionreg.identity.odds import chance_sibs, chance_unrelated
from scionreg.identity.sampling import off_at, trees_to_look_at
from scionreg.records.codes import check_digit
from scionreg.take.intervals import adjusted, wilson
from scionreg.take.matching import Matched, Tables, mantel_haenszel
from scionreg.take.mixed_logit import Factor, Fit, fit

PUBLISHED = files("scionreg") / "published"
Given = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recomputed:
    """One published figure, of one number or several: expected, got, and from where."""

    what: str
    expected: tuple[float, ...]
    got: tuple[float, ...]
    within: float
    source: str

    @property
    def agrees(self) -> bool:
        """Tell whether every number lies within what is printed."""
        return len(self.got) == len(self.expected) and all(
            abs(got - expected) <= self.within * (1 + 1e-9)
            for got, expected in zip(self.got, self.expected, strict=True)
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "what": self.what,
            "expected": list(self.expected),
            "got": list(self.got),
            "within": self.within,
            "agrees": self.agrees,
            "source": self.source,
        }


def recomputed() -> list[Recomputed]:
    """Return every published figure that ships, recomputed."""
    figures = tomllib.loads((PUBLISHED / "figures.toml").read_text(encoding="utf-8"))["figure"]
    return [
        Recomputed(
            what=each["what"],
            expected=tuple(map(float, each["expected"])),
            got=tuple(map(float, CALCULATIONS[each["calculation"]](each["given"]))),
            within=float(each["within"]),
            source=each["source"],
        )
        for each in figures
    ]


def _wilson(given: Given) -> Sequence[float]:
    low, high = wilson(np.array([given["taken"]]), np.array([given["grafts"]]))
    return [low[0], high[0]]


def _compared(rows: Sequence[Sequence[float]]) -> Matched:
    """Return tables of taken and others, failed and others that failed, together."""
    a, b, c, d = np.array(rows, dtype=float).T
    return mantel_haenszel(Tables(np.zeros(len(rows), dtype=int), a, a + c, b, b + d), 1)


def _odds(found: Matched) -> list[float]:
    low, high = found.odds_interval()
    return [float(each[0]) for each in (found.odds_ratio, low, high)]


def _mantel_haenszel(given: Given) -> Sequence[float]:
    rows = np.array(given["tables"], dtype=float)
    pooled = _compared([rows.sum(axis=0)])
    return [float(pooled.odds_ratio[0]), *_odds(_compared(rows.tolist()))]


def _false_discovery(given: Given) -> Sequence[float]:
    return [float((adjusted(np.array(given["p"])) <= given["at"]).sum())]


def _seeds(given: Given) -> Sequence[float]:
    group = np.repeat(np.arange(4), given["groups"])
    seed, extract = group >= 2, group % 2 == 1
    fixed = np.column_stack([np.ones(len(group)), seed, extract, seed & extract]).astype(float)
    plates = Factor.of("plate", [str(i) for i in range(len(group))])
    found = fit(given["r"], given["n"], fixed, [plates])
    return [*found.beta.values(), found.sd["plate"]]


def _hickories() -> list[dict[str, str]]:
    text = (PUBLISHED / "hickory_grafts_1923.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def _counts(rows: Sequence[Mapping[str, str]]) -> list[int]:
    return [sum(int(row[name]) for row in rows) for name in ("catches", "grafts_set")]


def _hickory_totals(given: Given) -> Sequence[float]:
    rows = _hickories()
    by_stock = [[row for row in rows if row["stock"] == stock] for stock in given["stocks"]]
    return [number for group in (rows, *by_stock) for number in _counts(group)]


def _hickory_fit(given: Given) -> Sequence[float]:
    rows = _hickories()
    taken, grafts = ([float(row[name]) for row in rows] for name in ("catches", "grafts_set"))
    source = Factor.of("source", [row["scion_variety"] for row in rows])
    stock = Factor.of("stock", [row["stock"] for row in rows])
    found: Fit = fit(taken, grafts, np.ones((len(rows), 1)), [source, stock])
    effects = dict(zip(source.levels, found.effects["source"].values.tolist(), strict=True))
    of_sources = [effects[name] for name in given["sources"]]
    return [*found.beta.values(), found.sd["source"], found.sd["stock"], *of_sources]


def _hickory_one(given: Given) -> Sequence[float]:
    rows = _hickories()
    tables = []
    for stock in sorted({row["stock"] for row in rows}):
        there = [row for row in rows if row["stock"] == stock]
        own = _counts([row for row in there if row["scion_variety"] == given["source"]])
        others = _counts([row for row in there if row["scion_variety"] != given["source"]])
        tables.append([own[0], others[0], own[1] - own[0], others[1] - others[0]])
    return _odds(_compared(tables))


def _sample_sizes(given: Given) -> Sequence[float]:
    return [
        float(trees_to_look_at(lot, off_at(lot, level), given["confidence"]) or 0)
        for lot in given["lots"]
        for level in given["levels"]
    ]


def _identity(given: Given) -> Sequence[float]:
    return [
        chance([1 / alleles] * alleles)
        for alleles in given["alleles"]
        for chance in (chance_unrelated, chance_sibs)
    ]


def _saturation_pressure(given: Given) -> Sequence[float]:
    return [float(each) for each in saturation_pressure(given["celsius"])]


def _deficit(given: Given) -> Sequence[float]:
    return [float(vapour_pressure_deficit(given["celsius"], given["humidity"]))]


def _damm(given: Given) -> Sequence[float]:
    return [float(check_digit(given["digits"]))]


def _distance(given: Given) -> Sequence[float]:
    return [float(metres_apart(*given["from"], *given["to"]))]


CALCULATIONS: dict[str, Callable[[Given], Sequence[float]]] = {
    "wilson": _wilson,
    "mantel_haenszel": _mantel_haenszel,
    "false_discovery": _false_discovery,
    "seeds": _seeds,
    "hickory_totals": _hickory_totals,
    "hickory_fit": _hickory_fit,
    "hickory_vest": _hickory_one,
    "sample_sizes": _sample_sizes,
    "identity": _identity,
    "saturation_pressure": _saturation_pressure,
    "deficit": _deficit,
    "damm": _damm,
    "distance": _distance,
}
"""The calculations by the words of `figures.toml`."""
