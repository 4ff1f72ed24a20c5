"""Marker profiles, and how two of them compare locus by locus.

Fragment lengths are base pairs. A locus is its set of alleles, whatever their dosage: one, two, or
three in a triploid.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import chain

Alleles = tuple[int, ...]
"""The different lengths at one locus, shortest first."""

TWO_OF_THREE = (2, 3)
"""Alleles that two laboratories report of one triploid locus, where one of them drops the third."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One sample as a laboratory read it.

    `loci` has the alleles by locus; loci that failed are lacking. `laboratory` empty is unknown.
    `item` is the code of what was sampled: `tree` where that is a mother tree, `clone` the name of
    the rootstock clone where it is a lot of rootstocks. `cultivar` makes it a reference profile.
    """

    sample: str
    loci: Mapping[str, Alleles]
    laboratory: str = ""
    item: str | None = None
    cultivar: str | None = None
    tree: str | None = None
    clone: str | None = None

    @property
    def plant(self) -> str | None:
        """Return the clone or single plant that was sampled, which two laboratories may share."""
        if self.cultivar or self.clone or self.tree:
            return self.cultivar or self.clone or self.tree
        return self.item if self.item and "/" in self.item else None

    @property
    def has_three(self) -> bool:
        """Tell whether any locus has three alleles, as in a triploid."""
        return any(len(alleles) > 2 for alleles in self.loci.values())


def alleles_of(lengths: Iterable[int | None]) -> Alleles:
    """Return the alleles of a locus from the lengths written down; nothing where it failed."""
    return tuple(sorted({length for length in lengths if length is not None}))


def paired(one: Alleles, other: Alleles, shift: float, tolerance: float) -> int:
    """Return how many alleles of `one` have a partner of their own in `other`.

    `shift` is what the second laboratory reads above the first. Both are sorted, so the pairs made
    from the shortest up are as many as can be.
    """
    pairs = i = j = 0
    while i < len(one) and j < len(other):
        apart = other[j] - shift - one[i]
        if abs(apart) <= tolerance:
            pairs, i, j = pairs + 1, i + 1, j + 1
        elif apart > 0:
            i += 1
        else:
            j += 1
    return pairs


def mismatch(one: Alleles, other: Alleles, shift: float = 0, tolerance: float = 1) -> float:
    """Return the mismatch at a locus: 0 the same, 0.5 half, 1 different; symmetric.

    One allele against several that hold it is half a mismatch: an allele may have dropped out.
    Two of three alleles are none, since a laboratory may report two of a triploid's. Sets are
    compared, whatever the dosage.
    """
    if one == other and not shift:
        return 0.0
    pairs = paired(one, other, shift, tolerance)
    few, many = sorted((len(one), len(other)))
    if pairs == few == many or (pairs == few and (few, many) == TWO_OF_THREE):
        return 0.0
    return 0.5 if pairs == few == 1 else 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Two profiles side by side. `at` is the mismatch of each locus that could be compared.

    `shift` is what was taken off the second's lengths by locus, empty within a laboratory; `alone`
    are the loci of the first that the second lacks; `not_lined_up` those both have, whose lengths
    cannot be lined up.
    """

    at: Mapping[str, float]
    shift: Mapping[str, float]
    alone: tuple[str, ...]
    not_lined_up: tuple[str, ...]

    @property
    def loci(self) -> int:
        """Return the number of loci compared."""
        return len(self.at)

    @property
    def mismatches(self) -> float:
        """Return the sum of mismatches, halves included."""
        return sum(self.at.values())

    @property
    def whole(self) -> int:
        """Return the number of loci that differ, halves left out."""
        return sum(each == 1 for each in self.at.values())


def compare(
    one: Profile,
    other: Profile,
    shift: Mapping[str, float] | None = None,
    tolerance: float = 1,
) -> Compared:
    """Compare two profiles.

    Parameters
    ----------
    shift : by locus, what the laboratory of `other` reads above that of `one`, base pairs; a locus
        that it lacks is not compared. None: the same laboratory.
    tolerance : base pairs that lengths may still differ by.
    """
    shared = one.loci.keys() & other.loci.keys()
    lined_up = shared if shift is None else shared & shift.keys()
    used = {locus: float(shift[locus]) for locus in sorted(lined_up)} if shift is not None else {}
    return Compared(
        at={
            locus: mismatch(one.loci[locus], other.loci[locus], used.get(locus, 0), tolerance)
            for locus in sorted(lined_up)
        },
        shift=used,
        alone=tuple(sorted(one.loci.keys() - shared)),
        not_lined_up=tuple(sorted(shared - lined_up)),
    )


def all_the_same(
    one: Profile,
    other: Profile,
    shift: Mapping[str, float] | None = None,
    tolerance: float = 1,
) -> int:
    """Return at how many loci two profiles are the same, 0 where they differ at any.

    As `compare`, but done with at the first difference: most pairs of references differ soon.
    """
    same = 0
    for locus, alleles in one.loci.items():
        its = other.loci.get(locus)
        if its is not None and (shift is None or locus in shift):
            if mismatch(alleles, its, 0 if shift is None else shift[locus], tolerance):
                return 0
            same += 1
    return same


def loci_of(profiles: Iterable[Profile]) -> set[str]:
    """Return every locus that any of the profiles has."""
    return set(chain.from_iterable(profile.loci for profile in profiles))
