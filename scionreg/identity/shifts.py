"""How far two laboratories read the lengths of each locus apart, from profiles that both have.

A constant shift per locus is what alignment between laboratories of cherry markers needed, and even
then some alleles disagreed (Ordidge et al. 2021, Plants 10:1243): so the median is taken, and a
locus at which the shared profiles disagree is left out.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from statistics import median

from scionreg.identity.profiles import Profile
from scionreg.records.starting_values import MatchValues


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """What one laboratory reads above another at a locus.

    `bp` is None where it cannot be told: of `shared` profiles that both have, too few `agree`.
    """

    bp: float | None
    shared: int
    agree: int


@dataclass(frozen=True, slots=True)
class Shifts:
    """The shifts between the laboratories of some profiles, worked out when they are asked for."""

    profiles: tuple[Profile, ...]
    values: MatchValues = field(default_factory=MatchValues)
    _known: dict[tuple[str, str], dict[str, Shift]] = field(default_factory=dict, repr=False)
    _usable: dict[tuple[str, str], dict[str, float]] = field(default_factory=dict, repr=False)

    def between(self, one: str, other: str) -> dict[str, Shift]:
        """Return what laboratory `other` reads above laboratory `one`, by locus both have read."""
        if (one, other) not in self._known:
            self._known[one, other] = estimate_shifts(self.profiles, one, other, self.values)
        return self._known[one, other]

    def usable(self, one: str, other: str) -> dict[str, float] | None:
        """Return the shifts by locus that could be told; None for one and the same laboratory."""
        if one == other:
            return None
        if (one, other) not in self._usable:
            found = self.between(one, other)
            told = {locus: shift.bp for locus, shift in found.items() if shift.bp is not None}
            self._usable[one, other] = told
        return self._usable[one, other]

    def shared(self, one: str, other: str) -> int:
        """Return how many profiles both laboratories have read."""
        return len(_pairs(self.profiles, one, other))


def estimate_shifts(
    profiles: Iterable[Profile], one: str, other: str, values: MatchValues | None = None
) -> dict[str, Shift]:
    """Return what laboratory `other` reads above laboratory `one` at each locus, base pairs.

    Every cultivar or plant that both have read tells one difference per locus, the median over its
    alleles; the shift is the median over those, once at least `least_shared` of them lie within
    the tolerance of it. Loci at which the two report unlike numbers of alleles tell nothing.
    """
    values = values or MatchValues()
    told: dict[str, list[float]] = {}
    for first, second in _pairs(profiles, one, other).values():
        for locus, apart in _differences(first, second).items():
            told.setdefault(locus, []).append(apart)
    return {locus: _shift(apart, values) for locus, apart in sorted(told.items())}


def _shift(apart: list[float], values: MatchValues) -> Shift:
    middle = median(apart)
    agree = sum(abs(each - middle) <= values.tolerance_bp for each in apart)
    told = agree >= values.least_shared and 2 * agree >= len(apart)
    return Shift(bp=middle if told else None, shared=len(apart), agree=agree)


Pairs = Mapping[str, tuple[list[Profile], list[Profile]]]


def _pairs(profiles: Iterable[Profile], one: str, other: str) -> Pairs:
    """Return the profiles of each plant or cultivar that both laboratories have read."""
    found: dict[str, tuple[list[Profile], list[Profile]]] = {}
    for profile in profiles:
        if profile.plant is not None and profile.laboratory in (one, other):
            sides = found.setdefault(profile.plant, ([], []))
            sides[profile.laboratory == other].append(profile)
    return {plant: sides for plant, sides in found.items() if all(sides)}


def _differences(first: list[Profile], second: list[Profile]) -> dict[str, float]:
    """Return the median difference at each locus over the pairs of one plant's profiles."""
    found: dict[str, list[float]] = {}
    for one in first:
        for other in second:
            for locus in one.loci.keys() & other.loci.keys():
                mine, its = one.loci[locus], other.loci[locus]
                if len(mine) == len(its):
                    found.setdefault(locus, []).append(
                        median(b - a for a, b in zip(mine, its, strict=True))
                    )
    return {locus: median(apart) for locus, apart in found.items()}
