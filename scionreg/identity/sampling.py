"""How many trees to look at, and what a look that found nothing still allows.

Trees are looked at without putting any back, so numbers are hypergeometric, as in ISPM 31
(Methodologies for sampling of consignments, IPPC/FAO 2008), with the number of off-types in the lot
rounded down. A method that misses some off-types finds each by itself with its `find_rate`.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy.stats import binom, hypergeom

from scionreg.records.errors import RegistryError

if TYPE_CHECKING:
    from scionreg.lineage.lot_looks import LotLook


@dataclass(frozen=True, slots=True)
class Group:
    """Trees that were looked at alike: how many, and the share of off-types such looks find."""

    trees: int
    find_rate: float


def off_at(trees: int, level: float) -> int:
    """Return the number of off-types that `level` (a share) is of a lot, at least one."""
    return max(1, math.floor(round(trees * level, 9)))


def chance_of_finding(trees: int, off: int, looked: int, find_rate: float = 1.0) -> float:
    """Return the chance that a look at `looked` of `trees` finds at least one of `off` off-types.

    >>> round(chance_of_finding(100, 5, 45), 3)
    0.954
    """
    return 1 - _chance_unseen(trees, off, looked, find_rate)


def _chance_unseen(trees: int, off: int, looked: int, find_rate: float) -> float:
    if find_rate == 1:
        return float(hypergeom.pmf(0, trees, off, looked))
    met = np.arange(min(off, looked) + 1)
    return float(hypergeom.pmf(met, trees, off, looked) @ (1 - find_rate) ** met)


def trees_to_look_at(trees: int, off: int, confidence: float, find_rate: float = 1.0) -> int | None:
    """Return the fewest trees to look at that find one of `off` off-types with `confidence`.

    None where even a look at every tree would not.
    """
    if chance_of_finding(trees, off, trees, find_rate) < confidence - _ROUNDING:
        return None
    low, high = 0, trees
    while high - low > 1:
        middle = (low + high) // 2
        enough = chance_of_finding(trees, off, middle, find_rate) >= confidence - _ROUNDING
        low, high = (low, middle) if enough else (middle, high)
    return high


def still_possible(
    trees: int, looked: int, confidence: float, find_rate: float = 1.0, found: int = 0
) -> int:
    """Return the most off-types that a lot may hold after a look that found `found` of them.

    That is the largest number with which so few, or fewer, would be found more often than
    1 − `confidence`: an upper confidence limit, exact for sampling without putting back.
    """
    low, high = found, trees + 1
    while high - low > 1:
        middle = (low + high) // 2
        chance = _chance_of_so_few(trees, middle, looked, find_rate, found)
        possible = chance > 1 - confidence + _ROUNDING
        low, high = (middle, high) if possible else (low, middle)
    return low


def _chance_of_so_few(trees: int, off: int, looked: int, find_rate: float, found: int) -> float:
    """Return the chance that a look finds at most `found` of `off` off-types."""
    met = np.arange(min(off, looked) + 1)
    return float(hypergeom.pmf(met, trees, off, looked) @ binom.cdf(found, met, find_rate))


def still_possible_after(trees: int, looks: Sequence[Group], confidence: float) -> int:
    """Return the most off-types that a lot may hold after clean looks at different trees.

    As `still_possible`, for trees that were looked at by different methods, or more than once.
    """
    low, high = 0, trees + 1
    while high - low > 1:
        middle = (low + high) // 2
        possible = chance_unseen(trees, middle, looks) > 1 - confidence + _ROUNDING
        low, high = (middle, high) if possible else (low, middle)
    return low


def chance_unseen(trees: int, off: int, looks: Iterable[Group]) -> float:
    """Return the chance that looks at different trees find none of `off` off-types.

    Groups are taken one at a time: of the off-types not yet met, a hypergeometric number is met
    in each. What is kept is how likely each number is left, with nothing found so far.

    Raises
    ------
    RegistryError
        More trees were looked at than there are.
    """
    left: npt.NDArray[np.int64] = np.array([off], dtype=np.int64)
    chances: npt.NDArray[np.float64] = np.ones(1)
    rest = trees
    for group in looks:
        if group.trees > rest:
            raise RegistryError(f"more trees were looked at than the {trees} there are")
        met = np.arange(group.trees + 1)
        missed = hypergeom.pmf(met, rest, left[:, None], group.trees) * (
            (1 - group.find_rate) ** met
        )
        rest -= group.trees
        after = left[:, None] - met
        possible = (after >= 0) & (after <= rest)
        weights = (chances[:, None] * missed)[possible]
        summed: npt.NDArray[np.float64] = np.bincount(after[possible], weights).astype(float)
        left = np.flatnonzero(summed).astype(np.int64)
        chances = summed[left]
    return float(chances.sum())


MOST_TREES = 1_000_000
"""The largest lot that a sample is reckoned for."""
_ROUNDING = 1e-12
"""Chances that differ by less are alike."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """A look already recorded, and the most off-types the lot may hold by it alone."""

    check: str
    date: str | None
    method: str
    checked: int
    off: int
    possible: int

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSize:
    """How many trees to look at. `level` and `confidence` are shares; `off` the trees that is.

    `look_at` is by a method that finds every off-type, `by_method` by each other; None where not
    even a look at all would do. `looks` were recorded; `possible` off-types are left after all of
    them, where none found any, with looks without positions taken to be at trees that were looked
    at already, so that `looked_at` is the least; `possible_if_apart` if all were at different ones.
    `after` is the same after a clean look at `asked` trees.
    """

    lot: str | None
    trees: int
    trees_are: str
    level: float
    confidence: float
    off: int
    look_at: int
    by_method: dict[str, int | None]
    looks: tuple[Looked, ...] = ()
    looked_at: int = 0
    possible: int | None = None
    looked_at_if_apart: int = 0
    possible_if_apart: int | None = None
    asked: int | None = None
    after: dict[str, int] | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "lot": self.lot,
            "trees": self.trees,
            "trees_are": self.trees_are,
            "level": self.level,
            "confidence": self.confidence,
            "off": self.off,
            "look_at": self.look_at,
            "by_method": dict(self.by_method),
            "looks": [each.to_dict() for each in self.looks],
            "looked_at": self.looked_at,
            "possible": self.possible,
            "looked_at_if_apart": self.looked_at_if_apart,
            "possible_if_apart": self.possible_if_apart,
            "asked": self.asked,
            "after": self.after,
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a row a method, for CSV; `perfect` is one that finds every off-type."""
        of = {"lot": self.lot, "trees": self.trees, "level": self.level}
        of |= {"confidence": self.confidence, "off": self.off}
        methods = {"perfect": self.look_at, **self.by_method}
        return [{**of, "method": method, "look_at": n} for method, n in methods.items()]


def sample_size(
    trees: int,
    *,
    level: float,
    confidence: float,
    find_rates: Mapping[str, float],
    lot: str | None = None,
    trees_are: str = "",
    asked: int | None = None,
) -> SampleSize:
    """Return how many of `trees` to look at to find at least one off-type at a level.

    Parameters
    ----------
    level, confidence : shares; at `level` of off-types one is found with `confidence`.
    find_rates : the share of off-types that each method finds.
    asked : also say what a clean look at so many trees still allows.

    Raises
    ------
    RegistryError
        A number is out of its range.
    """
    _check(trees, level, confidence, asked)
    off = off_at(trees, level)
    methods = {"every off-type found": 1.0, **find_rates}
    needed = {
        name: trees_to_look_at(trees, off, confidence, rate) for name, rate in methods.items()
    }
    look_at = needed.pop("every off-type found")
    assert look_at is not None
    return SampleSize(
        lot=lot,
        trees=trees,
        trees_are=trees_are,
        level=level,
        confidence=confidence,
        off=off,
        look_at=look_at,
        by_method=needed,
        asked=asked,
        after=None
        if asked is None
        else {
            name: still_possible(trees, asked, confidence, rate)
            for name, rate in find_rates.items()
        },
    )


def with_looks(
    size: SampleSize, looks: Sequence["LotLook"], find_rates: Mapping[str, float]
) -> SampleSize:
    """Add what was looked at already, and how many off-types that still allows.

    Trees that were looked at twice were missed twice. Which trees a look without positions was at
    nobody knows; the worst is supposed. Where more trees were looked at than there are now, some
    have gone since: those looked at are taken to be all.
    """
    told = []
    for look in looks:
        trees, rate = max(size.trees, look.checked), find_rates[look.method]
        possible = still_possible(trees, look.checked, size.confidence, rate, look.off)
        told.append(
            Looked(
                check=look.check,
                date=look.date.isoformat() if look.date else None,
                method=look.method,
                checked=look.checked,
                off=look.off,
                possible=possible,
            )
        )
    rates = [find_rates[look.method] for look in looks]
    apart = _missed([look.trees for look in looks], rates)
    known_by = {tree: first for look in looks for tree, first in look.known_by.items()}
    together = laid_together([look.trees for look in looks], rates, known_by)
    clean = bool(looks) and not any(look.off for look in looks)

    def still(chances: Iterable[float]) -> int | None:
        return _possible_after(size, list(chances)) if clean else None

    return replace(
        size,
        looks=tuple(told),
        looked_at=len(together),
        possible=still(together),
        looked_at_if_apart=len(apart),
        possible_if_apart=still(apart.values()),
    )


def _possible_after(size: SampleSize, missed: Sequence[float]) -> int:
    """Return the off-types still possible, by the chance that each tree looked at was missed."""
    alike: dict[float, int] = {}
    for chance in missed:
        alike[round(1 - chance, 12)] = alike.get(round(1 - chance, 12), 0) + 1
    groups = [Group(trees, rate) for rate, trees in alike.items()]
    return still_possible_after(max(size.trees, len(missed)), groups, size.confidence)


def _missed(looks: Sequence[Sequence[str]], rates: Sequence[float]) -> dict[str, float]:
    """Return by tree the chance that all looks at it missed it, were it off."""
    found: dict[str, float] = {}
    for trees, rate in zip(looks, rates, strict=True):
        for tree in trees:
            found[tree] = found.get(tree, 1.0) * (1 - rate)
    return found


def laid_together(
    looks: Sequence[Sequence[str]], rates: Sequence[float], known_by: Mapping[str, str]
) -> list[float]:
    """Return how likely each tree was missed, in the worst case of which trees looks were at.

    A look tells least where it is at the tree most surely seen already: of two trees, the sum of
    the chances is then largest, and their product the same. So the trees that only one look knows
    are laid on those known by then, the surest on the surest. Of a look of which some positions are
    known and others not, none is used: that may be worse than the worst case, and never better.

    Parameters
    ----------
    looks : the trees of each look, all different ones within it.
    rates : the share of off-types that each look finds.
    known_by : by tree without a position the look that first knew it.
    """
    unplaced: list[Sequence[str]] = []
    of: dict[str, str] = dict(known_by)
    for trees in looks:
        first = next((known_by[tree] for tree in trees if tree in known_by), None)
        kept = [tree if first is None or tree in known_by else f"{first} {tree}" for tree in trees]
        of |= {tree: first for tree in kept if first is not None and tree not in of}
        unplaced.append(kept)
    missed = _missed(unplaced, rates)
    found = sorted(chance for tree, chance in missed.items() if tree not in of)
    alone: dict[str, list[float]] = {}
    for tree in missed.keys() & of.keys():
        alone.setdefault(of[tree], []).append(missed[tree])
    for chances in alone.values():
        laid = zip_longest(found, sorted(chances), fillvalue=1.0)
        found = sorted(known * seen for known, seen in laid)
    return found


def _check(trees: int, level: float, confidence: float, asked: int | None) -> None:
    if not 1 <= trees <= MOST_TREES:
        raise RegistryError(f"{trees:,} trees are no lot; give 1 to {MOST_TREES:,}")
    if not 0 < level <= 1:
        raise RegistryError(f"a level of {level * 100:g} % is none; give more than 0 and up to 100")
    if not 0 < confidence < 1:
        raise RegistryError(
            f"{confidence * 100:g} % sure cannot be had; give more than 0 and less than 100"
        )
    if asked is not None and not 1 <= asked <= trees:
        raise RegistryError(f"{asked} of {trees} trees cannot be looked at; give 1 to {trees}")
