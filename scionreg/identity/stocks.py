"""Is a sample the rootstock? A clone has its own profile; a seedling half of its seed parent's."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import prod
from typing import Any

from scionreg.identity.odds import chance_of_sharing
from scionreg.identity.panel import Panel
from scionreg.identity.profiles import Profile, compare, paired


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """The rootstock a sampled plant stands on, as recorded; `parents` are profiles to test with.

    `clone` and `seed_parent` are names, None where not recorded. `parents` are of the seed parent:
    the tree's own profile, or its cultivar's.
    """

    lot: str | None = None
    clone: str | None = None
    seed_parent: str | None = None
    parents: tuple[Profile, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class StockTest:
    """One test: as `clone`, the same profile; as `seedling`, an allele in common at every locus.

    `agree` of `loci` do; `chance` is how often an unrelated plant would pass, None where nobody can
    tell.
    """

    kind: str
    name: str
    reference: str
    loci: int
    agree: int
    passed: bool
    chance: float | None

    def to_dict(self) -> dict[str, Any]:
        """Return the stable JSON form."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def stock_tests(sample: Profile, stock: Stock | None, panel: Panel) -> list[StockTest]:
    """Return the tests that can be made, those passed first; too few loci make none."""
    found = [*_clone_tests(sample, panel)]
    if stock is not None:
        found += _seedling_tests(sample, stock, panel)
    return sorted(found, key=lambda test: (not test.passed, test.kind, test.name))


def _clone_tests(sample: Profile, panel: Panel) -> Iterable[StockTest]:
    for beside in panel.ranked(sample, panel.clones()):
        compared = beside.compared
        if sample.clone is None and compared.loci >= panel.values.least_loci:
            yield StockTest(
                kind="clone",
                name=beside.name,
                reference=beside.reference.sample,
                loci=compared.loci,
                agree=sum(each == 0 for each in compared.at.values()),
                passed=beside.is_same,
                chance=None,
            )


def _seedling_tests(sample: Profile, stock: Stock, panel: Panel) -> Iterable[StockTest]:
    tests = [_seedling_test(sample, stock, parent, panel) for parent in stock.parents]
    told = [test for test in tests if test.loci >= panel.values.least_loci]
    # Of several profiles of the one parent, that with most loci speaks.
    yield from sorted(told, key=lambda test: -test.loci)[:1]


def _seedling_test(sample: Profile, stock: Stock, parent: Profile, panel: Panel) -> StockTest:
    shift = panel.shifts.usable(sample.laboratory, parent.laboratory)
    tolerance = panel.values.tolerance_bp
    loci = list(compare(sample, parent, shift, tolerance).at)
    agree = sum(
        paired(sample.loci[each], parent.loci[each], (shift or {}).get(each, 0), tolerance) > 0
        for each in loci
    )
    return StockTest(
        kind="seedling",
        name=stock.seed_parent or parent.sample,
        reference=parent.sample,
        loci=len(loci),
        agree=agree,
        passed=agree == len(loci) > 0,
        chance=_chance_of_passing(parent, loci, panel),
    )


def _chance_of_passing(parent: Profile, loci: list[str], panel: Panel) -> float | None:
    """Return how often an unrelated plant shares an allele with the parent at every locus."""
    name = panel.taken_for.get(parent.tree or "") or parent.cultivar
    pool = panel.pool(name)
    chances = []
    for locus in loci:
        read_by = pool.laboratory_of.get(locus)
        if read_by is None:
            return None
        shift = panel.shifts.usable(parent.laboratory, read_by)
        if shift is not None and locus not in shift:
            return None
        off = (shift or {}).get(locus, 0)
        shared = [
            length
            for length in pool.at[locus]
            if any(
                abs(length - off - mine) <= panel.values.tolerance_bp for mine in parent.loci[locus]
            )
        ]
        chances.append(chance_of_sharing(pool.at[locus], shared))
    return prod(chances) if chances else None
