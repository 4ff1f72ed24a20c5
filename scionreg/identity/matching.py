"""Is this sample that cultivar? The verdict, the nearest references, and what cannot be told."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from scionreg.identity.panel import SAME, Beside, Panel
from scionreg.identity.profiles import Profile
from scionreg.identity.stocks import Stock, StockTest, stock_tests
from scionreg.records.vocabulary import ProfileVerdict, SampleFound

MOST = 5
"""References shown beside a sample, unless more of them agree with it."""
NAMED = 4
"""Cultivars named in a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleVerdict:
    """What a sampled plant is, beside its label.

    `cultivar` is the one it was found to be: the label's, another, or None. `verdict`, `loci` and
    `mismatches` are beside the reference that decided it. Markers cannot tell `alike` from
    `cultivar`. `stock` is the clone or seed parent of the rootstock it was found to be.
    """

    found: SampleFound
    cultivar: str | None
    verdict: ProfileVerdict
    loci: int
    mismatches: float
    alike: tuple[str, ...] = ()
    stock: str | None = None


def verdict_of(
    profile: Profile, claimed: str | None, panel: Panel, stock: Stock | None = None
) -> SampleVerdict:
    """Return what a sampled plant is, beside the cultivar that its label claims.

    Parameters
    ----------
    claimed : the label's cultivar, None where there is no label.
    stock : the rootstock it stands on, which may have grown in place of the scion.

    Nothing is said (`CANNOT_SAY`) while the label's cultivar is neither confirmed nor excluded, or
    has no reference and none other agrees; nor where the label agrees but for some mismatch, and
    another cultivar without any (`exact_other`). A seedling rootstock is only found where the label
    is excluded, a clone by its own profile.
    """
    ranked = panel.ranked(profile, panel.references(), claimed)
    return _decide(ranked, claimed, panel, stock_tests(profile, stock, panel))


def _decide(
    ranked: Sequence[Beside], claimed: str | None, panel: Panel, tests: Sequence[StockTest]
) -> SampleVerdict:
    label = next((beside for beside in ranked if beside.name == claimed), None)
    best = ranked[0] if ranked else None
    if label is not None and label.is_same:
        if exact_other(ranked, claimed, panel) is not None:
            return _said(SampleFound.CANNOT_SAY, label, panel)
        return _said(SampleFound.AS_LABELLED, label, panel)
    if best is not None and best.is_same:
        if claimed in panel.alike(best.name):
            return _said(SampleFound.AS_LABELLED, best, panel, claimed)
        if label is None or label.verdict is not ProfileVerdict.UNRESOLVED:
            return _said(SampleFound.OTHER_CULTIVAR, best, panel)
        return _said(SampleFound.CANNOT_SAY, label, panel)
    tested = best if claimed is None else label
    excluded = tested is not None and tested.verdict is ProfileVerdict.DIFFERENT
    passed = next(
        (test for test in tests if test.passed and (excluded or test.kind == "clone")), None
    )
    decided = label if label is not None else best
    if passed is not None:
        return _said(SampleFound.ROOTSTOCK, decided, panel, stock=passed.name)
    return _said(
        SampleFound.NOT_IN_REFERENCES if excluded else SampleFound.CANNOT_SAY, decided, panel
    )


def exact_other(ranked: Sequence[Beside], claimed: str | None, panel: Panel) -> Beside | None:
    """Return the cultivar that a sample is at every locus, while its label differs at some.

    That is one that markers tell from the label, compared at each locus where the label differs;
    None where there is none.
    """
    label = next((beside for beside in ranked if beside.name == claimed), None)
    if label is None or not label.differs_at:
        return None
    same = (each for each in ranked if each.is_same and not each.compared.mismatches)
    return next(
        (
            each
            for each in same
            if each.name not in panel.alike(label.name)
            and label.differs_at <= each.compared.at.keys()
        ),
        None,
    )


def _said(
    found: SampleFound,
    beside: Beside | None,
    panel: Panel,
    cultivar: str | None = None,
    stock: str | None = None,
) -> SampleVerdict:
    named = found in (SampleFound.AS_LABELLED, SampleFound.OTHER_CULTIVAR)
    name = (cultivar or beside.name) if named and beside is not None else None
    return SampleVerdict(
        found=found,
        cultivar=name,
        verdict=beside.verdict if beside else ProfileVerdict.TOO_FEW,
        loci=beside.compared.loci if beside else 0,
        mismatches=beside.compared.mismatches if beside else 0.0,
        alike=tuple(sorted(panel.alike(name))) if name else (),
        stock=stock,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """One sample beside the references, nearest first.

    `label` is what the sample's item is claimed to be, `found` what that makes of it. `verdict` is
    of the label where there is one, else beside the nearest, or the nearest of those asked about:
    another cultivar's match is no match. `same_as` is the other cultivar that the sample is at
    every locus, where its label differs at some and is not excluded. `pi` and `pi_sibs` are the
    chances that two unrelated plants, or two full sibs, are the same at `pi_loci` of the loci
    compared with the nearest, `as_good` and `as_good_sibs` that they agree as well as sample and
    nearest, whose mismatches at these loci are `pi_mismatches`; by the allele frequencies of
    `pi_references` references or more, `pi_rough` where those are few. `rootstock_possible` is None
    where nothing could be tested. `doubts` are sentences.
    """

    sample: str
    laboratory: str
    item: str | None
    label: str | None
    verdict: ProfileVerdict
    found: SampleVerdict
    best: tuple[Beside, ...]
    beside_label: Beside | None
    cannot_tell_from: tuple[str, ...]
    same_as: Beside | None
    pi: float | None
    pi_sibs: float | None
    as_good: float | None
    as_good_sibs: float | None
    pi_mismatches: float
    pi_loci: int
    pi_references: int
    pi_rough: bool
    rootstock_possible: bool | None
    rootstock_tests: tuple[StockTest, ...]
    doubts: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {
            "sample": self.sample,
            "laboratory": self.laboratory or None,
            "item": self.item,
            "label": self.label,
            "verdict": self.verdict.value,
            "found": self.found.found.value,
            "found_cultivar": self.found.cultivar,
            "same_as": self.same_as.name if self.same_as else None,
            "best": [_plain(beside) for beside in self.best],
            "beside_label": _plain(self.beside_label) if self.beside_label else None,
            "cannot_tell_from": list(self.cannot_tell_from),
            "pi": self.pi,
            "pi_sibs": self.pi_sibs,
            "as_good": self.as_good,
            "as_good_sibs": self.as_good_sibs,
            "pi_mismatches": self.pi_mismatches,
            "pi_loci": self.pi_loci,
            "pi_references": self.pi_references,
            "pi_rough": self.pi_rough,
            "rootstock_possible": self.rootstock_possible,
            "rootstock_tests": [test.to_dict() for test in self.rootstock_tests],
            "doubts": list(self.doubts),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a flat dictionary a reference, for CSV."""
        return [
            {
                "sample": self.sample,
                "item": self.item,
                "label": self.label,
                "found": self.found.found.value,
                "cultivar": beside.name,
                "reference": beside.reference.sample,
                "verdict": beside.verdict.value,
                "loci": beside.compared.loci,
                "mismatches": beside.compared.mismatches,
            }
            for beside in self.best
        ]


def _plain(beside: Beside) -> dict[str, Any]:
    compared = beside.compared
    return {
        "cultivar": beside.name,
        "loci": compared.loci,
        "mismatches": compared.mismatches,
        "shift": dict(compared.shift),
        "verdict": beside.verdict.value,
        "reference": beside.reference.sample,
        "laboratory": beside.reference.laboratory or None,
        "tree": beside.reference.tree,
        "differs_at": sorted(beside.differs_at),
    }


def match(
    sample: Profile,
    panel: Panel,
    *,
    label: str | None = None,
    against: Sequence[Profile] | None = None,
    stock: Stock | None = None,
) -> Match:
    """Compare a sample with references.

    Parameters
    ----------
    label : the cultivar that its item is claimed to be.
    against : the references to compare with; None means all.
    stock : the rootstock that its item stands on.
    """
    everything = panel.ranked(sample, panel.references(), label)
    ranked = everything if against is None else panel.ranked(sample, against, label)
    best = ranked[0] if ranked else None
    tests = stock_tests(sample, stock, panel)
    found = _decide(everything, label, panel, tests)
    luck = _luck(best, label, panel)
    shown = [each for i, each in enumerate(ranked) if i < MOST or each.is_same]
    beside_label = next((each for each in everything if each.name == label), None)
    other = exact_other(everything, label, panel) if found.found is SampleFound.CANNOT_SAY else None
    return Match(
        sample=sample.sample,
        laboratory=sample.laboratory,
        item=sample.item,
        label=label,
        verdict=_beside(best)
        if label is None or against is not None
        else _of_label(found, beside_label),
        found=found,
        best=tuple(shown if against is None else ranked),
        beside_label=beside_label,
        cannot_tell_from=_cannot_tell(ranked, panel),
        same_as=other,
        pi=luck.same[0],
        pi_sibs=luck.same[1],
        as_good=luck.as_good[0],
        as_good_sibs=luck.as_good[1],
        pi_mismatches=luck.mismatches,
        pi_loci=luck.loci,
        pi_references=luck.references,
        rootstock_possible=_rootstock(found, everything, label, tests),
        rootstock_tests=tuple(tests),
        pi_rough=luck.references < panel.values.few_references,
        doubts=tuple(_doubts(sample, ranked, panel)),
    )


def _cannot_tell(ranked: Sequence[Beside], panel: Panel) -> tuple[str, ...]:
    """Return the cultivars that markers cannot tell from the one that the sample agrees with."""
    if not ranked or not ranked[0].is_same:
        return ()
    best = ranked[0]
    as_near = {
        each.name
        for each in ranked
        if each.is_same and each.compared.mismatches <= best.compared.mismatches
    }
    return tuple(sorted((panel.alike(best.name) | as_near) - {best.name}))


def _beside(reference: Beside | None) -> ProfileVerdict:
    return reference.verdict if reference is not None else ProfileVerdict.TOO_FEW


def _of_label(found: SampleVerdict, label: Beside | None) -> ProfileVerdict:
    """Return the verdict on a sample's label, beside whose reference it is `label`."""
    if found.found is SampleFound.AS_LABELLED:
        return found.verdict
    if found.found is SampleFound.CANNOT_SAY:
        verdict = _beside(label)
        return ProfileVerdict.UNRESOLVED if verdict in SAME else verdict
    return ProfileVerdict.DIFFERENT


class _Luck(NamedTuple):
    """Chances among unrelated plants and among sibs, None unknown, and what they are of."""

    same: tuple[float, float] | tuple[None, None] = (None, None)
    as_good: tuple[float, float] | tuple[None, None] = (None, None)
    mismatches: float = 0.0
    loci: int = 0
    references: int = 0


def _luck(best: Beside | None, label: str | None, panel: Panel) -> _Luck:
    """Return how likely two plants agree by chance, and as well as the sample and the nearest."""
    if best is None:
        return _Luck()
    pool = panel.pool(best.name if best.is_same or label is None else label)
    loci = [locus for locus in best.compared.at if locus in pool.at]
    off = sum(best.compared.at[locus] for locus in loci)
    as_good = pool.chances_as_good(loci, off, panel.values.tolerance_bp)
    none = (None, None)
    return _Luck(pool.chances(loci) or none, as_good or none, off, len(loci), pool.references)


def _rootstock(
    found: SampleVerdict, ranked: Sequence[Beside], label: str | None, tests: Sequence[StockTest]
) -> bool | None:
    """Tell whether the sample may be rootstock: it passes a test and is not what it should be."""
    if not tests:
        return None
    beside = [each for each in ranked if label is None or each.name == label]
    excluded = bool(beside) and not any(each.is_same for each in beside)
    return found.found is SampleFound.ROOTSTOCK or (
        excluded
        and all(each.verdict is ProfileVerdict.DIFFERENT for each in beside)
        and any(test.passed for test in tests)
    )


def _doubts(sample: Profile, ranked: Sequence[Beside], panel: Panel) -> list[str]:
    """Return what weakens the comparison, as sentences."""
    doubts = []
    if not ranked:
        doubts.append("there is no reference profile to compare with")
    if not sample.laboratory:
        doubts.append("the laboratory is not recorded; those without are taken to be of one")
    doubts += _not_compared(sample, ranked, panel)
    if ranked and ranked[0].is_same:
        doubts += _of_best(sample, ranked[0], panel)
    return doubts


def _not_compared(sample: Profile, ranked: Sequence[Beside], panel: Panel) -> list[str]:
    """Return why references could not be compared, those of one reason together."""
    reasons: dict[str, list[str]] = {}
    for each in ranked:
        if each.verdict is ProfileVerdict.TOO_FEW:
            reasons.setdefault(_why_too_few(sample, each, panel), []).append(each.name)
    return [f"{reason}: {_some(names)}" for reason, names in reasons.items()]


def _some(names: Sequence[str]) -> str:
    """Return names, of many the nearest and how many others there are."""
    if len(names) <= NAMED + 1:
        return ", ".join(names)
    return f"{', '.join(names[:NAMED])} and {len(names) - NAMED} others"


def _why_too_few(sample: Profile, beside: Beside, panel: Panel) -> str:
    compared, other = beside.compared, beside.reference.laboratory
    if not compared.at and not compared.not_lined_up:
        return "no locus in common, and different loci cannot be compared"
    if compared.not_lined_up:
        shared = panel.shifts.shared(sample.laboratory, other)
        mine, its = (name or "an unnamed laboratory" for name in (sample.laboratory, other))
        return (
            f"{mine} and {its} cannot be lined up at {len(compared.not_lined_up)} loci "
            f"({shared} profiles that both have; at least {panel.values.least_shared:g} must agree "
            "at a locus)"
        )
    return f"only {compared.loci} loci in common, {panel.values.least_loci:g} are needed"


def _of_best(sample: Profile, best: Beside, panel: Panel) -> list[str]:
    doubts = []
    dropped = [locus for locus, off in best.compared.at.items() if off == 0.5]
    if dropped:
        doubts.append(
            f"one allele against two at {', '.join(dropped)}: an allele may have dropped out"
        )
    if sample.has_three != best.reference.has_three:
        doubts.append(
            "three alleles at some loci of one profile only: a laboratory may report two of a "
            "triploid's three"
        )
    for other in panel.profiles:
        if other.cultivar == best.name and other.sample not in (
            sample.sample,
            best.reference.sample,
        ):
            again = panel.beside(sample, other)
            if again.verdict is ProfileVerdict.DIFFERENT:
                doubts.append(
                    f"the references {best.reference.sample} and {other.sample} of {best.name} "
                    "disagree"
                )
    if best.reference.tree is not None:
        doubts.append(
            f"{best.name} has no reference profile; compared with mother tree "
            f"{best.reference.tree}, which is taken for it"
        )
    return doubts
