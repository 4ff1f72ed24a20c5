"""How likely two different plants have the same profile by chance.

Probability of identity: L. P. Waits, G. Luikart & P. Taberlet 2001, Estimating the probability of
identity among genotypes in natural populations, Molecular Ecology 10:249-256. It is of a diploid
species, and as good as the allele frequencies that it is given.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import prod

from scionreg.identity.profiles import Alleles, Profile

Frequencies = Mapping[int, float]
"""Shares of the alleles at one locus; they sum to 1."""


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

    def chances(self, loci: Iterable[str]) -> tuple[float, float] | None:
        """Return the chances of the same profile at `loci`: unrelated, and full sibs.

        None where the frequencies of one of them are not known.
        """
        wanted = list(loci)
        if not wanted or any(locus not in self.at for locus in wanted):
            return None
        shares = [list(self.at[locus].values()) for locus in wanted]
        return prod(map(chance_unrelated, shares)), prod(map(chance_sibs, shares))


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
