"""The profiles that samples are compared with: references, and what is known about them."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from scionreg.identity.odds import Pool, pool_of
from scionreg.identity.profiles import Compared, Profile, all_the_same, compare, loci_of
from scionreg.identity.shifts import Shifts
from scionreg.records.starting_values import MatchValues
from scionreg.records.vocabulary import ProfileVerdict

SAME = (ProfileVerdict.MATCH, ProfileVerdict.MATCH_RERUN)
"""Verdicts by which a sample is taken to be the reference's clone."""


def judge(compared: Compared, values: MatchValues) -> ProfileVerdict:
    """Return the verdict on two profiles.

    By the number of loci compared and the mismatches, halves counted as halves (common practice, no
    source): none is a match, up to one a match to be run again, below three unresolved, from three
    on different. With fewer than `full_loci` loci it is one step
    more doubtful, with fewer than `least_loci` nothing is said. Where only halves differ, alleles
    may have dropped out of a poor sample, so that is never more than unresolved.
    """
    if compared.loci < values.least_loci:
        return ProfileVerdict.TOO_FEW
    off = compared.mismatches
    if off >= values.different_mismatches:
        return ProfileVerdict.DIFFERENT if compared.whole else ProfileVerdict.UNRESOLVED
    if off > values.rerun_mismatches:
        return ProfileVerdict.UNRESOLVED
    if compared.loci < values.full_loci:
        return ProfileVerdict.UNRESOLVED if off else ProfileVerdict.MATCH_RERUN
    return ProfileVerdict.MATCH_RERUN if off else ProfileVerdict.MATCH


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """A sample beside one reference: what was compared, and the verdict."""

    name: str
    reference: Profile
    compared: Compared
    verdict: ProfileVerdict
    same_laboratory: bool

    @property
    def is_same(self) -> bool:
        """Tell whether the sample is taken to be this clone."""
        return self.verdict in SAME

    @property
    def differs_at(self) -> frozenset[str]:
        """Return the loci that differ, if only by half."""
        return frozenset(locus for locus, off in self.compared.at.items() if off)


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """Profiles to compare with.

    `profiles` are all that were measured: references (with a cultivar), mother trees (with a tree),
    rootstock clones (with a clone) and other samples; the shifts between laboratories come from
    them. `species` is the species of a cultivar, `taken_for` the cultivar that a mother tree is
    taken for, `recorded_alike` the cultivars that no marker is recorded to separate from one.
    """

    profiles: tuple[Profile, ...]
    species: Mapping[str, str] = field(default_factory=dict)
    taken_for: Mapping[str, str] = field(default_factory=dict)
    recorded_alike: Mapping[str, Iterable[str]] = field(default_factory=dict)
    values: MatchValues = field(default_factory=MatchValues)
    _shifts: list[Shifts] = field(default_factory=list, repr=False)
    _alike: dict[str, frozenset[str]] = field(default_factory=dict, repr=False)
    _pools: dict[str, Pool] = field(default_factory=dict, repr=False)

    @property
    def shifts(self) -> Shifts:
        """Return the shifts between the laboratories of the profiles."""
        if not self._shifts:
            self._shifts.append(Shifts(self.profiles, self.values))
        return self._shifts[0]

    def beside(self, sample: Profile, reference: Profile) -> Beside:
        """Compare a sample with one reference."""
        shift = self.shifts.usable(sample.laboratory, reference.laboratory)
        compared = compare(sample, reference, shift, self.values.tolerance_bp)
        return Beside(
            name=self.name_of(reference),
            reference=reference,
            compared=compared,
            verdict=judge(compared, self.values),
            same_laboratory=shift is None,
        )

    def name_of(self, reference: Profile) -> str:
        """Return the cultivar or clone of a reference; a tree's is what it is taken for."""
        taken_for = self.taken_for.get(reference.tree or "")
        return reference.cultivar or reference.clone or taken_for or reference.sample

    def references(self) -> Iterator[Profile]:
        """Yield the references: one or more a cultivar, a mother tree's where it has none."""
        named = {profile.cultivar for profile in self.profiles}
        for profile in self.profiles:
            if profile.cultivar or (
                profile.tree and self.taken_for.get(profile.tree) not in (None, *named)
            ):
                yield profile

    def clones(self) -> Iterator[Profile]:
        """Yield the profiles of rootstock clones."""
        return (profile for profile in self.profiles if profile.clone)

    def named(self, name: str) -> list[Profile]:
        """Return the profiles that a name means: cultivar, clone, sample, or what was sampled."""
        meanings = [
            [profile.cultivar, profile.clone, profile.sample, profile.item, self.name_of(profile)]
            for profile in self.profiles
        ]
        for means in range(5):
            found = [
                profile
                for profile, names in zip(self.profiles, meanings, strict=True)
                if names[means] == name
            ]
            if found:
                return found
        return []

    def ranked(
        self, sample: Profile, references: Iterable[Profile], label: str | None = None
    ) -> list[Beside]:
        """Return the sample beside each name, nearest first, with the best-suited profile of each.

        That is one of enough loci, of the sample's own laboratory if there is one, of most loci.
        The sample is not compared with itself, nor with another of the same plant. Among equally
        near names that of the label comes first.
        """
        chosen: dict[str, Beside] = {}
        for reference in references:
            if reference.sample == sample.sample or _same_plant(sample, reference):
                continue
            found = self.beside(sample, reference)
            rival = chosen.get(found.name)
            if rival is None or self._suits(found) > self._suits(rival):
                chosen[found.name] = found
        return sorted(
            chosen.values(), key=lambda each: (*self._nearness(each), each.name != label, each.name)
        )

    def _suits(self, beside: Beside) -> tuple[bool, bool, int, float]:
        compared = beside.compared
        enough = compared.loci >= self.values.least_loci
        return enough, beside.same_laboratory, compared.loci, -compared.mismatches

    def _nearness(self, beside: Beside) -> tuple[bool, float, int]:
        loci, off = beside.compared.loci, beside.compared.mismatches
        share = off / loci if loci else 1.0
        return loci < self.values.least_loci, share, -loci

    # ---------------------------------------------------------------- cultivars that look alike

    def alike(self, cultivar: str) -> frozenset[str]:
        """Return the cultivars that markers do not tell from one, itself left out.

        Those recorded so, whichever of them says it and over several steps, and those whose
        reference profiles are the same.
        """
        if cultivar not in self._alike:
            same = self._recorded({cultivar} | self._same_profile(cultivar))
            self._alike[cultivar] = frozenset(same - {cultivar})
        return self._alike[cultivar]

    def _recorded(self, start: set[str]) -> set[str]:
        """Return the cultivars that records tie to any of `start`."""
        found, wanted = set(start), list(start)
        while wanted:
            one = wanted.pop()
            tied = set(self.recorded_alike.get(one, ()))
            tied |= {name for name, others in self.recorded_alike.items() if one in others}
            wanted += tied - found
            found |= tied
        return found

    def _same_profile(self, cultivar: str) -> set[str]:
        mine = [profile for profile in self.profiles if profile.cultivar == cultivar]
        others = [profile for profile in self.profiles if profile.cultivar not in (None, cultivar)]
        return {
            str(other.cultivar)
            for one in mine
            for other in others
            if self._same_loci(one, other) >= self.values.full_loci
        }

    def _same_loci(self, one: Profile, other: Profile) -> int:
        shift = self.shifts.usable(one.laboratory, other.laboratory)
        return all_the_same(one, other, shift, self.values.tolerance_bp)

    # ------------------------------------------------------------------------- allele frequencies

    def pool(self, cultivar: str | None) -> Pool:
        """Return the allele frequencies among the reference cultivars of a cultivar's species."""
        species = self.species.get(cultivar or "", "")
        if species not in self._pools:
            kept: list[Profile] = []
            for profile in self.profiles:
                if profile.cultivar and self.species.get(profile.cultivar, "") == species:
                    met = {e.cultivar for e in kept if e.laboratory == profile.laboratory}
                    if not met & {profile.cultivar, *self.alike(profile.cultivar)}:
                        kept.append(profile)
            least = self.values.least_references
            self._pools[species] = pool_of(kept, sorted(loci_of(kept)), least)
        return self._pools[species]


def _same_plant(one: Profile, other: Profile) -> bool:
    """Tell whether two samples are of one plant that is no reference: they tell nothing new."""
    return one.tree is not None and one.tree == other.tree
