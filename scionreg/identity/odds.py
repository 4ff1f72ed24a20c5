"""How likely two different plants have the same profile by chance.

Probability of identity: L. P. Waits, G. Luikart & P. Taberlet 2001, Estimating the probability of
identity among genotypes in natural populations, Molecular Ecology 10:249-256. It is of a diploid
species, and as good as the allele frequencies that it is given.

How likely they agree as well as two profiles do, mismatches included, has no formula: every pair of
genotypes at a locus is weighed, and the loci are put together by the sum of their mismatches.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import prod
from typing import Any

import numpy as np

from scionreg.identity.profiles import Alleles, Profile

Frequencies = Mapping[int, float]
"""Shares of the alleles at one locus; they sum to 1."""
Array = np.ndarray[Any, np.dtype[Any]]


def chance_unrelated(shares: Iterable[float]) -> float:
    """Return the chance that two unrelated plants are the same at a locus: 2(Σp²)² − Σp⁴."""
    squares, fourths = _sums(shares)
    return 2 * squares**2 - fourths


def chance_sibs(shares: Iterable[float]) -> float:
    """Return it for two full sibs: 0.25 + 0.5 Σp² + 0.5 (Σp²)² − 0.25 Σp⁴."""
    squares, fourths = _sums(shares)
    return 0.25 + 0.5 * squares + 0.5 * squares**2 - 0.25 * fourths


def _sums(shares: Iterable[float]) -> tuple[float, float]:
    squares = [share**2 for share in shares]
    return sum(squares), sum(square**2 for square in squares)


def mismatch_chances(shares: Frequencies, tolerance: float) -> tuple[Array, Array]:
    """Return how likely two plants mismatch by 0, a half and 1 at a locus: unrelated, full sibs.

    Mismatches are those of `profiles.mismatch` within one laboratory, alleles up to `tolerance`
    base pairs apart being alike. Sibs have both alleles of one descent with chance 1/4, one with
    1/2, none with 1/4.
    """
    lengths = np.array(sorted(shares), dtype=float)
    p = np.array([shares[int(length)] for length in lengths])
    first, second = np.triu_indices(len(p))
    one_allele = first == second
    weight = p[first] * p[second] * np.where(one_allele, 1, 2)
    doubled = _mismatches_doubled(lengths, first, second, tolerance)
    unrelated = np.outer(weight, weight)
    return _summed(doubled, unrelated), _summed(
        doubled, 0.25 * unrelated + 0.5 * _one_shared(p, first, second) + 0.25 * np.diag(weight)
    )


def _mismatches_doubled(lengths: Array, first: Array, second: Array, tolerance: float) -> Array:
    """Return twice the mismatch of every two genotypes, of alleles `first` and `second`."""
    near = np.abs(lengths[:, None] - lengths) <= tolerance
    straight = near[np.ix_(first, first)] & near[np.ix_(second, second)]
    crossed = near[np.ix_(first, second)] & near[np.ix_(second, first)]
    any_near = straight | crossed
    for one in (first, second):
        for other in (first, second):
            any_near = any_near | near[np.ix_(one, other)]
    alone = first == second
    half = (alone[:, None] != alone) & any_near
    found: Array = np.where(half, 1, np.where((straight | crossed) & ~half, 0, 2))
    return found


def _one_shared(p: Array, first: Array, second: Array) -> Array:
    """Return how likely two genotypes are of relatives that share one allele by descent."""
    alleles, genotypes = len(p), len(first)
    number = np.empty((alleles, alleles), dtype=np.int64)
    number[first, second] = number[second, first] = np.arange(genotypes)
    found: Array = np.zeros((genotypes, genotypes))
    shared, mine, its = np.indices((alleles,) * 3).reshape(3, -1)
    at = number[shared, mine], number[shared, its]
    np.add.at(found, at, p[shared] * p[mine] * p[its])
    return found


def _summed(doubled: Array, weights: Array) -> Array:
    return np.bincount(doubled.ravel(), weights.ravel(), minlength=3)


def frequencies(profiles: Iterable[Alleles]) -> dict[int, float]:
    """Return the shares of the alleles at a locus; one allele alone counts twice (homozygote)."""
    counts: dict[int, int] = {}
    for alleles in profiles:
        for allele in alleles:
            counts[allele] = counts.get(allele, 0) + (2 if len(alleles) == 1 else 1)
    total = sum(counts.values())
    return {allele: count / total for allele, count in counts.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """Allele frequencies by locus, from `references` different reference profiles at the least.

    Each locus is of the one laboratory that read most of them, whose lengths are alike.
    """

    at: Mapping[str, Frequencies]
    references: int
    laboratory_of: Mapping[str, str]
    _mismatches: dict[tuple[str, float], tuple[Array, Array]] = field(
        default_factory=dict, repr=False
    )

    def chances(self, loci: Iterable[str]) -> tuple[float, float] | None:
        """Return the chances of the same profile at `loci`: unrelated, and full sibs.

        None where the frequencies of one of them are not known.
        """
        wanted = list(loci)
        if not wanted or any(locus not in self.at for locus in wanted):
            return None
        shares = [list(self.at[locus].values()) for locus in wanted]
        return prod(map(chance_unrelated, shares)), prod(map(chance_sibs, shares))

    def chances_as_good(
        self, loci: Iterable[str], mismatches: float, tolerance: float
    ) -> tuple[float, float] | None:
        """Return the chances of at most so many mismatches at `loci`: unrelated, and full sibs.

        A half mismatch counts 0.5, and alleles up to `tolerance` base pairs apart are alike. None
        where the frequencies of a locus are not known.
        """
        wanted = list(loci)
        if not wanted or any(locus not in self.at for locus in wanted):
            return None
        each = [self._mismatches_at(locus, tolerance) for locus in wanted]
        return self._at_most(mismatches, [one for one, _ in each]), self._at_most(
            mismatches, [sibs for _, sibs in each]
        )

    def _mismatches_at(self, locus: str, tolerance: float) -> tuple[Array, Array]:
        key = locus, tolerance
        if key not in self._mismatches:
            self._mismatches[key] = mismatch_chances(self.at[locus], tolerance)
        return self._mismatches[key]

    @staticmethod
    def _at_most(mismatches: float, each: Sequence[Array]) -> float:
        halves = int(2 * mismatches)
        found: Array = np.ones(1)
        for chances in each:
            found = np.convolve(found, chances)[: halves + 1]
        return float(found.sum())


def pool_of(references: Sequence[Profile], loci: Iterable[str], least: float) -> Pool:
    """Return the allele frequencies among reference profiles of one species.

    Parameters
    ----------
    references : one profile of a clone and laboratory, sports of one clone counted once.
    loci : those wanted; one that fewer than `least` profiles have read is left out.
    """
    at: dict[str, Frequencies] = {}
    of: dict[str, str] = {}
    numbers: list[int] = []
    for locus in loci:
        read: dict[str, list[Alleles]] = {}
        for profile in references:
            if locus in profile.loci:
                read.setdefault(profile.laboratory, []).append(profile.loci[locus])
        if not read:
            continue
        laboratory = max(read, key=lambda name: (len(read[name]), name))
        if len(read[laboratory]) >= least:
            at[locus], of[locus] = frequencies(read[laboratory]), laboratory
            numbers.append(len(read[laboratory]))
    return Pool(at=at, references=min(numbers, default=0), laboratory_of=of)


def chance_of_sharing(frequencies: Frequencies, alleles: Iterable[int]) -> float:
    """Return the chance that an unrelated diploid has one of `alleles`: 1 − (1 − Σp)²."""
    return 1 - (1 - sum(frequencies.get(allele, 0.0) for allele in alleles)) ** 2
