"""Marker profiles: odds as published, shifts between laboratories, verdicts, the demo's stories."""

import csv
import itertools
import json
import math
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nursery import add

from scionreg.api import Registry
from scionreg.cli.telling_match import is_off, tell_matches
from scionreg.identity.matching import match, verdict_of
from scionreg.identity.odds import (
    Pool,
    chance_of_sharing,
    chance_sibs,
    chance_unrelated,
    frequencies,
    mismatch_chances,
)
from scionreg.identity.panel import Panel, judge
from scionreg.identity.profiles import Alleles, Profile, all_the_same, compare, mismatch
from scionreg.identity.shifts import estimate_shifts
from scionreg.identity.stocks import Stock
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import MatchValues
from scionreg.records.vocabulary import ProfileVerdict, SampleFound
from scionreg.registry.store import Store
from tests.conftest import Said

Run = Callable[..., Said]
NAMES = tuple("ABCDEFGHIJKL")
"""Twelve loci."""

ALLELES = st.lists(st.integers(100, 130), min_size=1, max_size=3, unique=True).map(
    lambda found: tuple(sorted(found))
)
PROFILES = st.dictionaries(st.sampled_from(NAMES), ALLELES, min_size=1)
SHIFTS = st.fixed_dictionaries({name: st.integers(-6, 6) for name in NAMES})


def profile(sample: str, *alleles: Alleles, laboratory: str = "X", **of: Any) -> Profile:
    """Return a profile with the alleles of A, B, C …"""
    return Profile(
        sample=sample, loci=dict(zip(NAMES, alleles, strict=False)), laboratory=laboratory, **of
    )


def plain(number: int, loci: int = 12) -> list[Alleles]:
    """Return different alleles for each number, far from all others'."""
    return [(1000 + 40 * number + 3 * i, 1010 + 40 * number + 3 * i) for i in range(loci)]


def read_as(seen: Profile, laboratory: str, shift: dict[str, int], **of: Any) -> Profile:
    """Return a profile as a laboratory reads it that reads `shift` more at each locus."""
    loci = {name: tuple(a + shift[name] for a in alleles) for name, alleles in seen.loci.items()}
    kept = {"cultivar": seen.cultivar, "item": seen.item} | of
    return Profile(sample=f"{laboratory} {seen.sample}", loci=loci, laboratory=laboratory, **kept)


# Odds


@pytest.mark.parametrize(
    ("alleles", "unrelated", "sibs"),
    [(2, 0.375, 0.59375), (5, 0.072, 0.368), (10, 0.019, 0.30475)],
)
def test_odds_of_equally_frequent_alleles(alleles: int, unrelated: float, sibs: float) -> None:
    """By the formulas of Waits, Luikart & Taberlet 2001, Mol Ecol 10:249-256."""
    shares = [1 / alleles] * alleles
    assert chance_unrelated(shares) == pytest.approx(unrelated, abs=1e-12)
    assert chance_sibs(shares) == pytest.approx(sibs, abs=1e-12)


def genotypes(shares: Sequence[float]) -> dict[tuple[int, int], float]:
    """Return every ordered pair of alleles with its chance."""
    numbered = range(len(shares))
    return {(a, b): shares[a] * shares[b] for a, b in itertools.product(numbered, repeat=2)}


def same(one: tuple[int, int], other: tuple[int, int]) -> bool:
    return sorted(one) == sorted(other)


@given(st.lists(st.integers(1, 50), min_size=1, max_size=4))
def test_odds_are_those_of_counting_every_pair_of_plants(weights: list[int]) -> None:
    shares = [weight / sum(weights) for weight in weights]
    plants = genotypes(shares)
    unrelated = sum(
        plants[one] * plants[other] for one in plants for other in plants if same(one, other)
    )
    sibs = 0.0
    for mother, father in itertools.product(plants, repeat=2):
        children = list(itertools.product(mother, father))
        alike = sum(same(one, other) for one, other in itertools.product(children, repeat=2))
        sibs += plants[mother] * plants[father] * alike / 16
    assert chance_unrelated(shares) == pytest.approx(unrelated)
    assert chance_sibs(shares) == pytest.approx(sibs)


LENGTHS = st.dictionaries(st.integers(100, 106), st.integers(1, 20), min_size=1, max_size=4)


def in_halves(one: tuple[int, int], other: tuple[int, int], tolerance: float) -> int:
    return int(2 * mismatch(tuple(sorted(set(one))), tuple(sorted(set(other))), 0, tolerance))


@given(LENGTHS, st.sampled_from([0.0, 1.0, 2.0]))
def test_the_chances_of_mismatches_are_those_of_counting_every_pair_of_plants(
    weights: dict[int, int], tolerance: float
) -> None:
    shares = {length: weight / sum(weights.values()) for length, weight in weights.items()}
    plants = {(a, b): shares[a] * shares[b] for a, b in itertools.product(shares, repeat=2)}
    unrelated, sibs = [0.0] * 3, [0.0] * 3
    for one, other in itertools.product(plants, repeat=2):
        chance = plants[one] * plants[other]
        unrelated[in_halves(one, other, tolerance)] += chance
        children = list(itertools.product(one, other))  # one and other as parents
        for pair in itertools.product(children, repeat=2):
            sibs[in_halves(*pair, tolerance)] += chance / 16
    found = mismatch_chances(shares, tolerance)
    assert found[0] == pytest.approx(unrelated)
    assert found[1] == pytest.approx(sibs)


@given(st.lists(LENGTHS, min_size=1, max_size=3), st.integers(0, 7))
def test_a_match_as_good_as_this_is_the_sum_over_every_way_to_mismatch_so_little(
    weights: list[dict[int, int]], halves: int
) -> None:
    at = {
        name: {length: weight / sum(each.values()) for length, weight in each.items()}
        for name, each in zip(NAMES, weights, strict=False)
    }
    pool = Pool(at=at, references=9, laboratory_of={})
    found = pool.chances_as_good(list(at), halves / 2, 1)
    each = [mismatch_chances(shares, 1) for shares in at.values()]
    for of, chance in enumerate(found or ()):
        ways = itertools.product(range(3), repeat=len(at))
        few = (way for way in ways if sum(way) <= halves)
        expected = sum(
            math.prod(float(locus[of][i]) for locus, i in zip(each, way, strict=True))
            for way in few
        )
        assert chance == pytest.approx(expected)


def test_a_match_without_a_mismatch_is_as_good_as_the_same_where_lengths_lie_apart() -> None:
    at = dict.fromkeys("AB", dict.fromkeys((100, 110, 120, 130, 140), 0.2))
    pool = Pool(at=at, references=9, laboratory_of={})
    assert pool.chances_as_good("AB", 0, 1) == pytest.approx(pool.chances("AB"))
    assert pool.chances_as_good("AB", 2, 1) == pytest.approx((1, 1))
    assert pool.chances_as_good("AC", 0, 1) is None


@given(st.lists(st.integers(1, 50), min_size=1, max_size=5), st.sets(st.integers(0, 4), min_size=1))
def test_the_chance_of_sharing_an_allele_is_that_of_counting_plants(
    weights: list[int], held: set[int]
) -> None:
    shares = {i: weight / sum(weights) for i, weight in enumerate(weights)}
    plants = genotypes(list(shares.values()))
    counted = sum(chance for plant, chance in plants.items() if held & set(plant))
    assert chance_of_sharing(shares, held) == pytest.approx(counted)


def test_a_homozygote_counts_twice_and_a_triploid_once_an_allele() -> None:
    assert frequencies([(1,), (1, 2), (1, 2, 3)]) == {1: 4 / 7, 2: 2 / 7, 3: 1 / 7}


# Two profiles


@pytest.mark.parametrize(
    ("one", "other", "off"),
    [
        ((100, 110), (100, 110), 0),
        ((100, 110), (101, 109), 0),
        ((100, 110), (100, 112), 1),
        ((100, 110), (120, 130), 1),
        ((100,), (100, 110), 0.5),
        ((100,), (100, 110, 120), 0.5),
        ((100,), (102, 110), 1),
        ((100, 110), (100, 110, 120), 0),
        ((100, 115), (100, 110, 120), 1),
        ((100, 110, 120), (100, 110, 120), 0),
        ((100, 110, 120), (100, 110, 130), 1),
        # Both of two neighbours lie within a base pair of the one: still one allele against two.
        ((101,), (100, 102), 0.5),
    ],
)
def test_mismatch_at_a_locus(one: Alleles, other: Alleles, off: float) -> None:
    assert mismatch(one, other) == off


@given(ALLELES, ALLELES, st.integers(-6, 6))
def test_mismatch_is_the_same_from_either_side(one: Alleles, other: Alleles, shift: int) -> None:
    assert mismatch(one, other, shift) == mismatch(other, one, -shift)


def pairs_by_trying(one: Alleles, other: Alleles) -> int:
    """Return the most pairs within a base pair, by trying every way to pair them."""
    few, many = sorted((one, other), key=len)
    return max(
        sum(abs(a - b) <= 1 for a, b in zip(few, order, strict=True))
        for order in itertools.permutations(many, len(few))
    )


@given(ALLELES, ALLELES)
def test_mismatch_is_that_of_the_best_way_to_pair_alleles(one: Alleles, other: Alleles) -> None:
    pairs, few, many = pairs_by_trying(one, other), *sorted((len(one), len(other)))
    if pairs < few:
        expected = 1.0
    elif few == many or (few, many) == (2, 3):
        expected = 0.0
    else:
        expected = 0.5
    assert mismatch(one, other) == expected


@given(PROFILES, PROFILES, SHIFTS)
def test_a_comparison_is_symmetric(
    one: dict[str, Alleles], other: dict[str, Alleles], shift: dict[str, int]
) -> None:
    first, second = Profile(sample="1", loci=one), Profile(sample="2", loci=other)
    there = compare(first, second, shift)
    back = compare(second, first, {name: -bp for name, bp in shift.items()})
    assert there.at == back.at
    assert judge(there, MatchValues()) == judge(back, MatchValues())


@given(PROFILES, PROFILES, SHIFTS | st.none())
def test_the_quick_comparison_is_the_full_one(
    one: dict[str, Alleles], other: dict[str, Alleles], shift: dict[str, int] | None
) -> None:
    first = Profile(sample="1", loci=one)
    for second in (Profile(sample="2", loci=other), first):
        full = compare(first, second, shift)
        expected = 0 if full.mismatches else full.loci
        assert all_the_same(first, second, shift) == expected


# Between laboratories


@given(st.lists(PROFILES, min_size=2, max_size=5), SHIFTS)
def test_whatever_was_added_at_each_locus_is_found(
    measured: list[dict[str, Alleles]], shift: dict[str, int]
) -> None:
    first = [
        Profile(sample=f"{i}", loci=loci, laboratory="X", cultivar=f"V{i}")
        for i, loci in enumerate(measured)
    ]
    second = [read_as(each, "Y", shift) for each in first]
    found = estimate_shifts([*first, *second], "X", "Y")
    for name in NAMES:
        shared = sum(name in each.loci for each in first)
        if shared == 0:
            assert name not in found
        else:
            assert found[name].shared == found[name].agree == shared
            assert found[name].bp == (shift[name] if shared >= 2 else None)


def test_one_wrong_reference_of_three_does_not_move_the_shift() -> None:
    first = [profile(f"{i}", *plain(i), cultivar=f"V{i}") for i in range(3)]
    shift = dict.fromkeys(NAMES, 4)
    second = [read_as(each, "Y", shift) for each in first]
    wrong = Profile(sample="wrong", loci=profile("", *plain(9)).loci, laboratory="Y", cultivar="V0")
    found = estimate_shifts([*first, wrong, *second[1:]], "X", "Y")
    assert {(each.bp, each.shared, each.agree) for each in found.values()} == {(4, 3, 2)}


def test_shared_profiles_that_disagree_give_no_shift() -> None:
    first = [profile(f"{i}", *plain(i), cultivar=f"V{i}") for i in range(2)]
    second = [
        read_as(each, "Y", dict.fromkeys(NAMES, by)) for each, by in zip(first, (1, 7), strict=True)
    ]
    found = estimate_shifts([*first, *second], "X", "Y")
    assert {(each.bp, each.agree) for each in found.values()} == {(None, 0)}


def test_a_shift_needs_half_of_the_shared_profiles_to_agree() -> None:
    first = [profile(f"{i}", *plain(i), cultivar=f"V{i}") for i in range(5)]
    read = zip(first, (-9, 0, 1, 5, 9), strict=True)
    second = [read_as(each, "Y", dict.fromkeys(NAMES, by)) for each, by in read]
    found = estimate_shifts([*first, *second], "X", "Y")
    assert {(each.bp, each.agree) for each in found.values()} == {(None, 2)}


# Verdicts


def off_at(*how: float, loci: int = 12) -> tuple[Profile, Profile]:
    """Return two profiles that mismatch so (0.5 or 1) at their first loci, and agree at others."""
    alleles = plain(1, loci)
    for i, off in enumerate(how):
        alleles[i] = alleles[i][:1] if off == 0.5 else (alleles[i][0], alleles[i][1] + 9)
    return profile("s", *plain(1, loci)), profile("r", *alleles, cultivar="Aldern")


@pytest.mark.parametrize(
    ("off", "loci", "verdict"),
    [
        ((), 12, "match"),
        ((), 10, "match"),
        ((0.5,), 12, "match_rerun"),
        ((1,), 12, "match_rerun"),
        ((0.5, 0.5), 12, "match_rerun"),
        ((1, 0.5), 12, "unresolved"),
        ((1, 1), 12, "unresolved"),
        ((1, 1, 0.5), 12, "unresolved"),
        ((1, 1, 1), 12, "different"),
        ((1, 0.5, 0.5, 0.5, 0.5), 12, "different"),
        # A poor sample loses alleles: that alone makes nothing different.
        ((0.5,) * 8, 12, "unresolved"),
        ((), 9, "match_rerun"),
        ((), 8, "match_rerun"),
        ((1,), 9, "unresolved"),
        ((1, 1, 1), 8, "different"),
        ((), 7, "too_few"),
        ((1,) * 7, 7, "too_few"),
    ],
)
def test_verdicts(off: tuple[float, ...], loci: int, verdict: str) -> None:
    one, other = off_at(*off, loci=loci)
    assert judge(compare(one, other), MatchValues()) == verdict
    assert judge(compare(other, one), MatchValues()) == verdict


def test_a_setting_moves_a_verdict() -> None:
    one, other = off_at(1, 1)
    assert judge(compare(one, other), MatchValues(rerun_mismatches=2)) == "match_rerun"
    assert judge(compare(one, other), MatchValues(least_loci=13)) == "too_few"


REFERENCES = tuple(
    profile(f"ref {name}", *plain(i), cultivar=name)
    for i, name in enumerate(("Aldern", "Birkwood", "Corvane", "Dunmere"))
)
PANEL = Panel(profiles=REFERENCES, species=dict.fromkeys(("Aldern", "Birkwood", "Corvane"), "sp"))


def test_a_sample_is_its_label_another_cultivar_or_none_of_them() -> None:
    aldern = profile("s", *plain(0), item="G1/1")
    found = verdict_of(aldern, "Aldern", PANEL)
    assert (found.found, found.cultivar, found.loci) == (SampleFound.AS_LABELLED, "Aldern", 12)
    found = verdict_of(aldern, "Birkwood", PANEL)
    assert (found.found, found.cultivar) == (SampleFound.OTHER_CULTIVAR, "Aldern")
    stranger = profile("s", *plain(17))
    found = verdict_of(stranger, "Birkwood", PANEL)
    assert (found.found, found.cultivar) == (SampleFound.NOT_IN_REFERENCES, None)
    found = verdict_of(stranger, "Erskam", PANEL)
    assert found.found is SampleFound.CANNOT_SAY, "its label has no reference"
    found = verdict_of(profile("s", *plain(0, loci=5)), "Aldern", PANEL)
    assert (found.found, found.verdict) == (SampleFound.CANNOT_SAY, ProfileVerdict.TOO_FEW)
    near, _ = off_at(1, 1)
    found = verdict_of(near, "Aldern", Panel(profiles=(off_at(1, 1)[1],)))
    assert (found.found, found.verdict) == (SampleFound.CANNOT_SAY, ProfileVerdict.UNRESOLVED)


@pytest.mark.parametrize("off", [(1, 1), (1,), (0.5,)])
def test_another_cultivar_throughout_is_said_and_the_label_neither_confirmed_nor_excluded(
    off: tuple[float, ...],
) -> None:
    sample, near = off_at(*off)
    panel = Panel(profiles=(near, profile("ref B", *plain(1), cultivar="Birkwood")))
    assert verdict_of(sample, "Corvane", panel).cultivar == "Birkwood"
    assert verdict_of(sample, "Aldern", panel).found is SampleFound.CANNOT_SAY
    found = match(sample, panel, label="Aldern")
    assert (found.found.found, found.found.cultivar) == (SampleFound.CANNOT_SAY, None)
    assert (found.verdict, found.to_dict()["same_as"]) == ("unresolved", "Birkwood")
    assert is_off(found, asked=False)


def test_another_cultivar_throughout_says_nothing_where_markers_cannot_tell_it_from_the_label() -> (
    None
):
    sample, near = off_at(1)
    beside = (near, profile("ref B", *plain(1), cultivar="Birkwood"))
    panel = Panel(profiles=beside, recorded_alike={"Birkwood": ["Aldern"]})
    found = match(sample, panel, label="Aldern")
    assert (found.found.found, found.same_as) == (SampleFound.AS_LABELLED, None)


def test_another_cultivar_says_nothing_at_loci_where_it_was_not_read() -> None:
    sample, near = off_at(1)
    others = {name: alleles for name, alleles in sample.loci.items() if name != "A"}
    other = Profile(sample="ref B", loci=others, laboratory="X", cultivar="Birkwood")
    found = match(sample, Panel(profiles=(near, other)), label="Aldern")
    assert (found.found.found, found.verdict) == (SampleFound.AS_LABELLED, "match_rerun")


def test_the_verdict_is_of_the_label_and_of_the_nearest_only_where_there_is_none() -> None:
    sample = profile("s", *plain(0))
    assert match(sample, PANEL, label="Aldern").verdict == "match"
    assert match(sample, PANEL, label="Birkwood").verdict == "different"
    assert match(sample, PANEL).verdict == "match"
    assert match(sample, PANEL, label="Birkwood", against=REFERENCES[:1]).verdict == "match"
    stranger = profile("s", *plain(17))
    assert match(stranger, PANEL, label="Erskam").verdict == "too_few", "it has no reference"


def test_a_reference_of_the_sample_s_own_laboratory_speaks_first() -> None:
    shift = dict.fromkeys(NAMES, 3)
    own = [read_as(each, "Y", shift) for each in REFERENCES]
    fewer = Profile(
        sample=own[0].sample, loci=dict(list(own[0].loci.items())[:11]), laboratory="Y",
        cultivar="Aldern",
    )  # fmt: skip
    panel = Panel(profiles=(*REFERENCES, fewer, *own[1:]))
    found = match(read_as(profile("s", *plain(0)), "Y", shift), panel, label="Aldern")
    assert (found.best[0].reference.sample, found.best[0].compared.loci) == (fewer.sample, 11)


def test_references_of_one_cultivar_that_disagree_are_a_doubt() -> None:
    other = profile("ref A again", *plain(9), cultivar="Aldern")
    found = match(profile("s", *plain(0)), Panel(profiles=(*REFERENCES, other)), label="Aldern")
    assert any("ref Aldern and ref A again of Aldern disagree" in doubt for doubt in found.doubts)


def test_a_sport_without_a_reference_has_the_profile_of_its_origin() -> None:
    panel = Panel(profiles=REFERENCES, recorded_alike={"Red": ["Mid"], "Aldern": ["Mid"]})
    assert panel.alike("Aldern") == {"Mid", "Red"}
    assert panel.alike("Red") == {"Mid", "Aldern"}
    found = verdict_of(profile("s", *plain(0)), "Red", panel)
    assert (found.found, found.cultivar, found.alike) == (
        SampleFound.AS_LABELLED,
        "Red",
        ("Aldern", "Mid"),
    )


def test_references_of_one_profile_cannot_be_told_apart_and_count_once() -> None:
    twin = profile("ref Twin", *plain(0), cultivar="Twin")
    species = dict.fromkeys(("Aldern", "Birkwood", "Corvane", "Dunmere", "Twin"), "sp")
    panel = Panel(profiles=(*REFERENCES, twin), species=species)
    found = match(profile("s", *plain(0)), panel)
    assert (found.best[0].name, found.cannot_tell_from) == ("Aldern", ("Twin",))
    assert found.pi_references == 4
    assert found.pi == pytest.approx(chance_unrelated([1 / 8] * 8) ** 12)
    assert found.pi_sibs == pytest.approx(chance_sibs([1 / 8] * 8) ** 12)
    few = Panel(profiles=REFERENCES[:2], species=species)
    assert match(profile("s", *plain(0)), few).pi is None, "two references are no population"
    labelled = match(profile("s", *plain(0)), panel, label="Twin")
    assert labelled.best[0].name == "Twin"


def test_a_seedling_of_the_seed_parent_may_be_the_rootstock() -> None:
    parent = profile("tree T1", *plain(7), item="T1", tree="T1")
    panel = Panel(profiles=(*REFERENCES, parent), taken_for={"T1": "Aldern"})
    stock = Stock(lot="R1", seed_parent="T1", parents=(parent,))
    half = [(mine[0], 2000) for mine in plain(7)]
    seedling = profile("s", *half, item="G1/1")
    found = match(seedling, panel, label="Birkwood", stock=stock)
    assert (found.found.found, found.found.stock) == (SampleFound.ROOTSTOCK, "T1")
    assert found.rootstock_possible is True
    assert [(test.kind, test.agree, test.loci) for test in found.rootstock_tests] == [
        ("seedling", 12, 12)
    ]
    unlabelled = match(seedling, panel, label="Erskam", stock=stock)
    assert unlabelled.found.found is SampleFound.CANNOT_SAY, "it may well be Erskam"
    one_off = profile("s", *half[:-1], (1, 2), item="G1/1")
    found = match(one_off, panel, label="Birkwood", stock=stock)
    assert (found.found.found, found.rootstock_possible) == (SampleFound.NOT_IN_REFERENCES, False)
    true = match(profile("s", *plain(1)), panel, label="Birkwood", stock=stock)
    assert (true.found.found, true.rootstock_possible) == (SampleFound.AS_LABELLED, False)
    untested = match(seedling, panel, label="Birkwood")
    assert (untested.found.found, untested.rootstock_possible) == (
        SampleFound.NOT_IN_REFERENCES,
        None,
    )


def test_the_chance_of_passing_for_a_seedling_is_that_of_sharing_an_allele() -> None:
    """The parent is one of four references of two alleles each, whichever laboratory read it."""
    shift = dict.fromkeys(NAMES, 3)
    parent = profile("tree T1", *plain(0), item="T1", tree="T1")
    species = dict.fromkeys(("Aldern", "Birkwood", "Corvane", "Dunmere"), "sp")
    others = [read_as(each, "Y", shift) for each in REFERENCES[:2]]
    for read in (parent, read_as(parent, "Y", shift, tree="T1")):
        panel = Panel(
            profiles=(*REFERENCES, *others, read), species=species, taken_for={"T1": "Aldern"}
        )
        stock = Stock(lot="R1", seed_parent="T1", parents=(read,))
        sample = profile("s", *plain(3), item="G1/1")
        (test,) = match(sample, panel, label="Dunmere", stock=stock).rootstock_tests
        assert test.chance == pytest.approx((1 - (1 - 2 / 8) ** 2) ** 12)


def test_a_rootstock_clone_has_its_own_profile() -> None:
    clone = profile("clone QD", *plain(8), item="R1", clone="QD")
    panel = Panel(profiles=(*REFERENCES, clone))
    found = match(profile("s", *plain(8)), panel, label="Birkwood")
    assert (found.found.found, found.found.stock) == (SampleFound.ROOTSTOCK, "QD")
    assert found.rootstock_possible is True
    assert "QD" not in {each.name for each in found.best}


def test_a_mother_tree_stands_in_where_its_cultivar_has_no_reference() -> None:
    tree = profile("tree T9", *plain(9), item="T9", tree="T9")
    panel = Panel(profiles=(*REFERENCES, tree), taken_for={"T9": "Erskam"})
    found = match(profile("s", *plain(9)), panel, label="Erskam")
    assert (found.found.found, found.best[0].reference.tree) == (SampleFound.AS_LABELLED, "T9")
    assert any("no reference profile" in doubt for doubt in found.doubts)
    # It does not vouch for itself, nor does another sample of it.
    again = profile("tree T9 again", *plain(9), item="T9", tree="T9")
    both = Panel(profiles=(*panel.profiles, again), taken_for=panel.taken_for)
    assert match(tree, both, label="Erskam").found.found is SampleFound.CANNOT_SAY
    assert match(tree, panel, label="Erskam").found.found is SampleFound.CANNOT_SAY


def test_loci_that_others_have_not_read_cannot_be_compared() -> None:
    loci = {f"Z{i}": (100, 120) for i in range(12)}
    sample = Profile(sample="s", loci=loci, laboratory="X")
    found = match(sample, PANEL, label="Aldern")
    assert (found.verdict, found.pi, found.found.found) == ("too_few", None, "cannot_say")
    assert any("different loci cannot be compared" in doubt for doubt in found.doubts)


def test_laboratories_that_share_too_little_cannot_be_lined_up() -> None:
    shift = dict.fromkeys(NAMES, 3)
    shared = read_as(REFERENCES[0], "Y", shift)
    panel = Panel(profiles=(*REFERENCES, shared))
    sample = read_as(profile("s", *plain(1)), "Y", shift)
    found = match(sample, panel, label="Birkwood")
    assert found.found.found is SampleFound.CANNOT_SAY
    (doubt,) = [each for each in found.doubts if "lined up" in each]
    assert "1 profiles that both have; at least 2" in doubt
    lined_up = Panel(profiles=(*panel.profiles, read_as(REFERENCES[2], "Y", shift)))
    found = match(sample, lined_up, label="Birkwood")
    assert found.found.found is SampleFound.AS_LABELLED
    assert found.best[0].compared.shift == dict.fromkeys(NAMES, -3)


@given(st.integers(0, 3), st.integers(0, 3), SHIFTS)
def test_a_verdict_does_not_depend_on_who_read_the_sample(
    truth: int, label: int, shift: dict[str, int]
) -> None:
    panel = Panel(profiles=(*REFERENCES, *(read_as(each, "Y", shift) for each in REFERENCES[:2])))
    here = profile("s", *plain(truth))
    there = read_as(here, "Y", shift)
    name = REFERENCES[label].cultivar
    assert verdict_of(here, name, panel) == verdict_of(there, name, panel)


@given(st.permutations(REFERENCES), st.integers(0, 3))
def test_the_order_of_records_does_not_matter(order: list[Profile], truth: int) -> None:
    sample = profile("s", *plain(truth))
    shuffled = Panel(profiles=tuple(order), species=PANEL.species)
    assert match(sample, PANEL).to_dict() == match(sample, shuffled).to_dict()


# In a registry


def write(store: Store, sample: str, alleles: Sequence[Alleles], **of: Any) -> None:
    for name, lengths in zip(NAMES, alleles, strict=False):
        columns = {f"allele_{i}": length for i, length in enumerate(lengths, 1)}
        add(store, "genotypes", sample=sample, locus=name, **columns, **of)


@pytest.fixture
def furnished(store: Store) -> Registry:
    """Two cultivars with references, a tree of each, and a sample of one tree."""
    for name, aliases in (("Aldern", "Ald"), ("Birkwood", "")):
        add(store, "cultivars", cultivar=name, species="Malus domestica", aliases=aliases)
    add(store, "mother_trees", tree="T1", cultivar="Ald")
    add(store, "mother_trees", tree="T2", cultivar="Birkwood")
    write(store, "ref A", plain(0), cultivar="Ald", laboratory="X")
    write(store, "ref B", plain(1), cultivar="Birkwood", laboratory="X")
    write(store, "one", plain(0), item="T1", laboratory="X")
    write(store, "two", plain(0), item="T2", laboratory="X")
    return Registry(store)


def test_aliases_stand_for_their_cultivars(furnished: Registry) -> None:
    one, two = furnished.match().matches
    assert (one.sample, one.label, one.found.found) == ("one", "Aldern", "as_labelled")
    assert (two.label, two.found.found, two.found.cultivar) == (
        "Birkwood",
        "other_cultivar",
        "Aldern",
    )
    (asked,) = furnished.match("T1", against=["Ald"]).matches
    assert [each.name for each in asked.best] == ["Aldern"]
    (beside_tree,) = furnished.match("two", against=["T1"]).matches
    assert (beside_tree.best[0].reference.sample, beside_tree.verdict) == ("one", "match")


def test_bad_questions_are_answered_in_a_sentence(furnished: Registry) -> None:
    with pytest.raises(RegistryError, match="no sample of 'onee'; did you mean one"):
        furnished.match("onee")
    with pytest.raises(RegistryError, match="no profile of 'Zelkova'"):
        furnished.match("one", against=["Zelkova"])


def test_a_registry_without_profiles_says_what_to_do(store: Store) -> None:
    with pytest.raises(RegistryError, match="there are no samples"):
        Registry(store).match()


def test_a_registry_without_references_says_so(store: Store) -> None:
    add(store, "cultivars", cultivar="Aldern", species="Malus domestica")
    add(store, "mother_trees", tree="T1", cultivar="Aldern")
    write(store, "one", plain(0), item="T1")
    (found,) = Registry(store).match("one").matches
    assert (found.verdict, found.best, found.found.found) == ("too_few", (), "cannot_say")
    assert "there is no reference profile to compare with" in found.doubts


def test_a_sample_of_nothing_recorded_is_told_by_its_profile_alone(furnished: Registry) -> None:
    write(furnished.store, "three", plain(1), laboratory="X")
    found = furnished.match().matches[-1]
    assert (found.sample, found.label, found.found.cultivar) == ("three", None, "Birkwood")
    frame = furnished.match().to_frame()
    assert list(frame.loc[frame["sample"] == "three", "cultivar"]) == ["Birkwood", "Aldern"]


def test_a_profile_that_is_another_cultivar_s_throughout_is_told_so_and_a_check_finds_something(
    furnished: Registry, run: Run
) -> None:
    add(furnished.store, "cultivars", cultivar="Corvane", species="Malus domestica")
    add(furnished.store, "mother_trees", tree="T3", cultivar="Corvane")
    near = list(off_at(1, 1)[1].loci.values())
    write(furnished.store, "ref C", near, cultivar="Corvane", laboratory="X")
    write(furnished.store, "three", plain(1), item="T3", laboratory="X")
    where = furnished.store.url.render_as_string(hide_password=False)
    code, out, _ = run("match", "three", "--registry", where)
    assert code == 3
    assert (
        "It is Birkwood at all 12 loci compared, while 2 of 12 loci differ from its label, "
        "Corvane: it may be either until it is run again, for more loci."
    ) in out
    code, out, _ = run("match", "--registry", where)
    assert "three: it is Birkwood at all 12 loci compared" in out


@pytest.mark.parametrize(("off", "said"), [((), "be the same"), ((1,), "agree as well as this")])
def test_chance_is_told_of_a_match_as_good_as_this(
    off: tuple[float, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    sample, _ = off_at(*off)
    panel = Panel(profiles=(*REFERENCES[2:], off_at(*off)[1]))
    found = match(sample, panel, label="Aldern")
    tell_matches([found], asked=False)
    assert f"two unrelated plants would {said} " in capsys.readouterr().out
    assert found.pi is not None
    assert found.as_good is not None
    assert (found.as_good > 2 * found.pi) == bool(off)


def test_many_names_are_counted() -> None:
    many = [profile(f"r{i}", *plain(i, 3), cultivar=f"C{i}") for i in range(10, 30)]
    found = match(profile("s", *plain(0)), Panel(profiles=tuple(many)))
    assert found.doubts == (
        "only 3 loci in common, 8 are needed: C10, C11, C12, C13 and 16 others",
    )


# The invented nursery


@pytest.fixture
def ask(run: Run, demo: str) -> Run:
    return lambda *words: run(words[0], *words[1:], "--registry", demo)


def test_every_sample_of_the_demo_is_what_its_story_says(demo: str) -> None:
    with Registry.open(demo) as registry:
        found = {each.item: each.found for each in registry.match().matches}
    off = {item: each for item, each in found.items() if each.found != "as_labelled"}
    assert {item: each.cultivar for item, each in off.items()} == {
        "G24-0029-6/6": "Pendrake",
        "G25-0322-9/87": "Quarrow",
        "G25-0243-6/35": "Quarrow",
        "G25-0234-0/1": "Tarnwick",
        "G24-0162-6/97": None,
    }
    assert off["G24-0162-6/97"].found is SampleFound.ROOTSTOCK
    assert off["G24-0162-6/97"].stock == "Old-1"
    assert found["T24-0047-1"].alike == ("Tillowby Red",)


def test_the_second_laboratory_is_lined_up_as_it_was_set_off(demo: str) -> None:
    from scionreg.demo_nursery.markers import SHIFT

    with Registry.open(demo) as registry:
        (found,) = registry.match("tree T24-0047-1", against=["ref Tillowby"]).matches
    used = found.best[0].compared.shift
    assert used == {name: -SHIFT[name] for name in used}
    assert len(used) >= 10
    assert (found.verdict, found.best[0].compared.mismatches) == ("match", 0)


def test_the_triploid_of_the_demo_agrees_with_its_reference(ask: Run) -> None:
    code, out, _ = ask("match", "tree T24-0048-3", "--json")
    found = json.loads(out)
    assert (code, found["verdict"], found["best"][0]["cultivar"]) == (0, "match", "Pendrake")
    keys = {"sample", "verdict", "best", "cannot_tell_from", "pi", "pi_sibs", "rootstock_possible"}
    assert found.keys() >= keys
    assert found["best"][0].keys() >= {"cultivar", "loci", "mismatches", "shift"}


def test_a_grower_reads_what_the_wrong_tree_is(ask: Run) -> None:
    code, out, err = ask("match", "G24-0029-6/6")
    assert code == 3
    assert "26-001: G24-0029-6/6, labelled Tillowby" in out
    assert "It is not Tillowby: 8 of 11 loci differ, 2 more by half." in out
    assert "It agrees with Pendrake: the same at all 11 loci compared." in out
    assert err.count("the laboratory's own report decides") == 1
    code, out, _ = ask("match", "G24-0029-6/6", "--against", "Pendrake")
    assert (code, "Beside Pendrake: the same at all 11 loci" in out) == (0, True)


def test_a_grower_reads_that_it_may_be_rootstock(ask: Run) -> None:
    code, out, _ = ask("match", "25-077")
    assert code == 3
    assert "shares an allele with the seed parent, Old-1, at all 12 loci" in out


def test_a_sport_is_told_with_what_it_cannot_be_told_from(ask: Run) -> None:
    code, out, _ = ask("match", "tree T24-0036-7")
    assert (code, "No marker here tells Tillowby Red from Tillowby." in out) == (0, True)


def test_all_samples_make_a_table_and_a_file(ask: Run) -> None:
    code, out, _ = ask("match")
    assert (code, len(out.splitlines())) == (3, 16)
    code, out, _ = ask("match", "26-001", "26-002", "--json")
    assert [each["sample"] for each in json.loads(out)["matches"]] == ["26-001", "26-002"]
    _, out, _ = ask("match", "26-001", "--csv")
    rows = list(csv.DictReader(out.splitlines()))
    assert (rows[0]["cultivar"], rows[0]["loci"], rows[0]["verdict"]) == ("Pendrake", "11", "match")


def test_what_is_not_there_is_refused(ask: Run) -> None:
    code, out, err = ask("match", "26-01")
    assert (code, out) == (1, "")
    assert "did you mean 26-001" in err
