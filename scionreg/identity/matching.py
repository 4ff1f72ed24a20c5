"""Is this sample that cultivar? The verdict, the nearest references, and what cannot be told."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from scionreg.identity.panel import Beside, Panel
from scionreg.identity.profiles import Profile
from scionreg.identity.stocks import Stock, StockTest, stock_tests
from scionreg.records.vocabulary import ProfileVerdict, SampleFound

MOST = 5
"""References shown beside a sample, unless more of them agree with it."""


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
    has no reference and none other agrees. A seedling rootstock is only found where the label is
    excluded, a clone by its own profile.
    """
    ranked = panel.ranked(profile, panel.references(), claimed)
    return _decide(ranked, claimed, panel, stock_tests(profile, stock, panel))


def _decide(
    ranked: Sequence[Beside], claimed: str | None, panel: Panel, tests: Sequence[StockTest]
) -> SampleVerdict:
    label = next((beside for beside in ranked if beside.name == claimed), None)
    best = ranked[0] if ranked else None
    if label is not None and label.is_same:
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

    `verdict` is beside the nearest. `label` is what the sample's item is claimed to be, `found`
    what that makes of it. `pi` and `pi_sibs` are the chances that two unrelated plants, or two full
    sibs, are the same at `pi_loci` of the loci compared with the nearest, by the allele frequencies
    of `pi_references` references or more, `pi_rough` where those are few. `rootstock_possible` is
    None where nothing could be tested. `doubts` are sentences.
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
    pi: float | None
    pi_sibs: float | None
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
            "best": [_plain(beside) for beside in self.best],
            "beside_label": _plain(self.beside_label) if self.beside_label else None,
            "cannot_tell_from": list(self.cannot_tell_from),
            "pi": self.pi,
            "pi_sibs": self.pi_sibs,
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
        "differs_at": [locus for locus, off in compared.at.items() if off],
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
    verdict = best.verdict if best else ProfileVerdict.TOO_FEW
    found = _decide(everything, label, panel, tests)
    chances, loci, references = _chances(best, label, panel)
    shown = [each for i, each in enumerate(ranked) if i < MOST or each.is_same]
    return Match(
        sample=sample.sample,
        laboratory=sample.laboratory,
        item=sample.item,
        label=label,
        verdict=verdict,
        found=found,
        best=tuple(shown if against is None else ranked),
        beside_label=next((each for each in everything if each.name == label), None),
        cannot_tell_from=_cannot_tell(ranked, panel),
        pi=chances[0] if chances else None,
        pi_sibs=chances[1] if chances else None,
        pi_loci=loci,
        pi_references=references,
        rootstock_possible=_rootstock(found, everything, label, tests),
        rootstock_tests=tuple(tests),
        pi_rough=references < panel.values.few_references,
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


def _chances(
    best: Beside | None, label: str | None, panel: Panel
) -> tuple[tuple[float, float] | None, int, int]:
    """Return the chances of the same profile, the loci they are of, and how many references."""
    if best is None:
        return None, 0, 0
    pool = panel.pool(best.name if best.is_same or label is None else label)
    loci = [locus for locus in best.compared.at if locus in pool.at]
    return pool.chances(loci), len(loci), pool.references


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
    return [f"{reason}: {', '.join(names)}" for reason, names in reasons.items()]


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
