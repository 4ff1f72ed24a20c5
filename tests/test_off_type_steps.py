"""Each step of docs/offtype.md by a table reckoned by hand: the twin takes the steps as stated."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

import pytest
from small_registries import holding, small

from scionreg.identity.states import SHARES, Floats, Space
from scionreg.identity.steps import Steps
from scionreg.lineage.identity_books import Cut, IdentityBooks, Neighbour, Stem, Tied, Worked
from scionreg.lineage.identity_reader import read_identity_books
from scionreg.records.starting_values import OffTypeValues
from scionreg.records.vocabulary import Failure
from scionreg.registry.store import Store

CULTIVARS = dict.fromkeys(("Amber", "Birk", "Corl", "Dunn", "Elm"), "Malus domestica")
SPACE = Space(("Birk",))
"""One cultivar was found, Birk; Corl, Dunn and Elm are among the others."""
BIRK, OTHER = 1 / 4.6, 3.6 / 4.6
"""Birk weighs 1, what nobody found 4 × 1.15 − 1: of the species the registry knows four others."""
DAY = dt.date(2026, 1, 20)


def steps(**values: float) -> Steps:
    books = IdentityBooks({}, {}, {}, {}, cultivars=CULTIVARS)
    return Steps(SPACE, books, OffTypeValues(**values))


def whole(what: str) -> int:
    return SPACE.wholly(what)


def told(table: Floats) -> dict[tuple[str, float], float]:
    """Return what a table gives each state, by what and share, where it gives anything."""
    return {
        (SPACE.whats[SPACE.what[state]], float(SPACE.share[state])): float(chance)
        for state, chance in enumerate(table)
        if state and chance
    }


def alike(chances: Mapping[str, float], shares: tuple[float, ...]) -> dict[tuple[str, float], Any]:
    """Return the chance of each state where all shares are equally likely."""
    return {
        (what, share): pytest.approx(chance / len(shares))
        for what, chance in chances.items()
        for share in shares
    }


PARTS = SHARES[:3]


def test_foreign_wood_is_a_found_cultivar_or_any_other_of_the_species() -> None:
    assert steps().cultivars("Amber") == pytest.approx({"Birk": BIRK, "other": OTHER})
    assert steps().cultivars("Birk") == {"other": 1}, "Birk is no other than Birk"
    alone = Steps(SPACE, IdentityBooks({}, {}, {}, {}, cultivars={"Amber": "s"}), OffTypeValues())
    assert alone.cultivars("Amber") == {"other": 1}, "there are always cultivars not in the records"


def test_a_mother_tree() -> None:
    failures = steps().tree(Stem("T1", "T1", "Amber")).failures
    assert told(failures[Failure.TREE_IS_OTHER]) == pytest.approx(
        {("Birk", 1.0): 0.02 * BIRK, ("other", 1.0): 0.02 * OTHER}
    )
    partly = {"Birk": 0.005 * BIRK, "other": 0.005 * OTHER}
    assert told(failures[Failure.TREE_PARTLY_OTHER]) == alike(partly, PARTS)
    assert told(failures[Failure.TREE_SPORT]) == alike({"sport": 0.002}, SHARES)
    topworked = steps().tree(Stem("T1", "T1", "Amber", True)).failures
    partly = {"Birk": 0.1 * BIRK, "other": 0.1 * OTHER}
    assert told(topworked[Failure.TREE_PARTLY_OTHER]) == alike(partly, PARTS)


NEAR = (Neighbour("T2", "Birk", 0.5), Neighbour("T3", "Corl", 0.3), Neighbour("T0", "Amber", 0.2))


@pytest.mark.parametrize(
    ("neighbours", "solid", "birk", "other"),
    [
        # Nobody recorded what stands beside it: 0.4 % of any other cultivar.
        ((), False, 0.004 * BIRK, 0.004 * OTHER),
        # All beside it are of its cultivar: only a tree further off, 0.04 %.
        ((), True, 0.0004 * BIRK, 0.0004 * OTHER),
        # Half of the 0.4 % for Birk, 30 % for Corl, which nobody found; none for its own cultivar.
        (NEAR, False, 0.004 * 0.5 + 0.0004 * BIRK, 0.004 * 0.3 + 0.0004 * OTHER),
        # A fix beside Birk: 0.004 × 1000 is more than all there is, so a half.
        ((Neighbour("T2", "Birk", 1000),), False, 0.5 + 0.0004 * BIRK, 0.0004 * OTHER),
        # And beside both: the half is shared as they are, 2 to 1.
        (
            (Neighbour("T2", "Birk", 1000), Neighbour("T3", "Corl", 500)),
            False,
            1 / 3 + 0.0004 * BIRK,
            1 / 6 + 0.0004 * OTHER,
        ),
        # Just below a half nothing is taken off.
        ((Neighbour("T2", "Birk", 124),), False, 0.496 + 0.0004 * BIRK, 0.0004 * OTHER),
    ],
)
def test_a_tree_cut_instead(
    neighbours: tuple[Neighbour, ...], solid: bool, birk: float, other: float
) -> None:
    cut = Cut("C1", "T1", "Amber", neighbours=neighbours, solid=solid)
    assert steps().cut_instead(cut) == pytest.approx({"Birk": birk, "other": other})
    failures = steps().cut(cut).failures
    assert told(failures[Failure.OTHER_TREE_CUT]) == pytest.approx(
        {("Birk", 1.0): birk, ("other", 1.0): other}
    )
    both = birk + other
    second = {"Birk": 0.002 * birk / both, "other": 0.002 * other / both}
    assert told(failures[Failure.TWO_TREES_CUT]) == alike(second, PARTS)


def test_part_of_a_partly_foreign_tree() -> None:
    cutting = steps().cutting().inherit
    assert cutting is not None
    tree = SPACE.state("Birk", 0.35)
    assert cutting[tree, tree] == 0.75
    assert cutting[tree, 0] == 0.08
    others = [SPACE.state("Birk", share) for share in (0.1, 0.7, 1.0)]
    assert cutting[tree, others] == pytest.approx([0.17 / 3] * 3)
    assert cutting[whole("Birk"), whole("Birk")] == 1
    limb = steps().limb().inherit
    assert limb is not None
    assert limb[tree, whole("Birk")] == pytest.approx(0.8 * 0.35)
    assert limb[tree, 0] == pytest.approx(0.8 * 0.65)
    parts = [SPACE.state("Birk", share) for share in PARTS]
    assert limb[tree, parts] == pytest.approx([0.2 / 3] * 3)


@pytest.mark.parametrize(
    ("bundle", "before", "mislabelled", "mixed"),
    [
        (Tied("B1", "Amber", "C1"), "Amber", 0.004 * 0.996, 0.004),
        # Received wood has its supplier's 2 % beside the label's 0.4 %.
        (Tied("B1", "Amber"), None, 0.024 * 0.996, 0.004),
        (Tied("B1", "Amber", None, (("B0", 1.0),)), "Amber", 0.004 * 0.98, 0.02),
    ],
)
def test_a_bundle(bundle: Tied, before: str | None, mislabelled: float, mixed: float) -> None:
    failures = steps().bundle(bundle, before).failures
    assert told(failures[Failure.BUNDLE_MISLABELLED]) == pytest.approx(
        {("Birk", 1.0): mislabelled * BIRK, ("other", 1.0): mislabelled * OTHER}
    )
    # A quarter of the mixes hold several.
    mixes = {"Birk": 0.75 * mixed * BIRK, "other": 0.75 * mixed * OTHER, "several": mixed / 4}
    assert told(failures[Failure.BUNDLE_MIXED]) == alike(mixes, PARTS)


def test_a_bundle_of_which_more_was_used_than_packed() -> None:
    """With a mix the alarm comes in half of the cases, without in 0.5 %: 0.002 to 0.00498."""
    failures = steps().bundle(Tied("B1", "Amber", "C1", excess=0.35), "Amber").failures
    mixed = 0.004 * 0.5 / (0.004 * 0.5 + 0.996 * 0.005)
    assert failures[Failure.BUNDLE_MIXED].sum() == pytest.approx(mixed)
    assert failures[Failure.BUNDLE_MISLABELLED].sum() == pytest.approx(0.004 * (1 - mixed))
    # Shares fade by e every 15 points from the 35 % that were used beyond what was packed.
    weights = {0.1: 0.18888, 0.35: 1.0, 0.7: 0.09697}
    found = told(failures[Failure.BUNDLE_MIXED])
    assert {share: found["several", share] for share in PARTS} == pytest.approx(
        {share: mixed / 4 * weight / 1.28585 for share, weight in weights.items()}, rel=1e-4
    )


@pytest.mark.parametrize(
    ("too_much", "mixed"), [(False, 0.001), (True, 0.0005 / (0.0005 + 0.999 * 0.005))]
)
def test_a_graft_lot(too_much: bool, mixed: float) -> None:
    lot = Worked("G1", "B1", "Amber", "P1", DAY, 20, lives_too_much=too_much)
    failures = steps().lot(lot, "Amber").failures
    mislabelled = 0.003 * (1 - mixed)
    assert told(failures[Failure.LOT_MISLABELLED]) == pytest.approx(
        {("Birk", 1.0): mislabelled * BIRK, ("other", 1.0): mislabelled * OTHER}
    )
    mixes = {"Birk": 0.75 * mixed * BIRK, "other": 0.75 * mixed * OTHER, "several": mixed / 4}
    assert told(failures[Failure.BUNDLE_MIXED]) == alike(mixes, PARTS)


def test_a_nursery_s_own_values_take_the_place_of_the_starting_ones() -> None:
    cut = Cut("C1", "T1", "Amber", solid=True)
    assert sum(steps(elsewhere_cut=0.01).cut_instead(cut).values()) == pytest.approx(0.01)
    received = steps(received_is_other=0.1).bundle(Tied("B1", "Amber"), None).failures
    assert received[Failure.BUNDLE_MISLABELLED].sum() == pytest.approx(0.104 * 0.996)


def at(tree: str, cultivar: str, position: int | None) -> dict[str, Any]:
    return {"tree": tree, "cultivar": cultivar, "block": "N1", "row": 1, "position": position}


@pytest.mark.parametrize(
    ("trees", "neighbours", "solid"),
    [
        ([at("T1", "Aldern", 5), at("T2", "Aldern", 6)], [], True),
        ([at("T1", "Aldern", 5), at("T2", "Old Aldern", 6)], [], True),
        ([at("T1", "Aldern", 5), at("T2", "Aldern", 7)], [], True),
        ([at("T1", "Aldern", 5), at("T2", "Aldern", 8)], [], False),
        ([at("T1", "Aldern", None), at("T2", "Aldern", 6)], [], False),
        ([at("T1", "Aldern", 5), at("T2", "Birkwood", 6)], [("T2", 1.0)], False),
        (
            [at("T1", "Aldern", 5), at("T2", "Birkwood", 6), at("T3", "Birkwood", 3)],
            [("T2", 1 / 1.2), ("T3", 0.2 / 1.2)],
            False,
        ),
    ],
)
def test_what_stands_beside_a_tree_that_was_cut(
    store: Store, trees: list[dict[str, Any]], neighbours: list[tuple[str, float]], solid: bool
) -> None:
    with holding(store, {**small(), "mother_trees": trees}) as connection:
        cut = read_identity_books(connection, "G1").cuts["C1"]
    assert cut.solid is solid
    found = {each.stem.partition(" ")[0]: each.weight for each in cut.neighbours}
    assert found == pytest.approx(dict(neighbours))
