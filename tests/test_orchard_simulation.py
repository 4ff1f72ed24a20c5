"""The simulated orchard of benchmarks/rotation_seasons.py: its arithmetic, rules and limits."""

import dataclasses
import math
from collections import defaultdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchmarks.orchard import BEFORE, HARSH, MILD, Orchard, Standing, draw_orchard
from benchmarks.rotation_seasons import (
    HORIZON,
    RULES,
    Outcome,
    cut_in_turn,
    interval,
    rooms,
    run,
    supplies,
    table,
)
from scionreg.rotation.program import most_sticks
from scionreg.rotation.rechecking import broken_rules
from scionreg.rotation.supply import Limits, TreeSupply

SIMPLE = [name for name in RULES if not name.startswith("plan")]
MODELS = st.sampled_from((MILD, HARSH))


@pytest.fixture(scope="module")
def orchard() -> Orchard:
    return draw_orchard(seed=3, seasons=8)


def left_alone(orchard: Orchard, model, seasons: int, standing: Standing | None = None) -> Standing:
    standing = standing or Standing(orchard, model)
    for season in range(seasons):
        standing.cut(season, {})
    return standing


@given(MODELS, st.floats(0, 1), st.floats(0, 4), st.floats(0.2, 3))
def test_vigour_stays_between_none_and_full(model, vigour, strain, bears):
    assert 0 <= model.after(vigour, strain, bears) <= 1


@given(MODELS, st.floats(0.01, 1), st.floats(0, 4), st.floats(0, 4))
def test_more_strain_never_leaves_more_vigour(model, vigour, strain, more):
    easier, harder = (model.after(vigour, s, 1.0) for s in (strain, strain + more))
    assert harder <= easier + 1e-12


@given(st.floats(0.01, 1), st.floats(0, 4))
def test_the_harsh_model_is_never_the_milder(vigour, strain):
    assert HARSH.after(vigour, strain, 1.0) <= MILD.after(vigour, strain, 1.0) + 1e-12


def test_an_uncut_tree_recovers_sooner_under_the_mild_model(orchard):
    tree = next(each for each in orchard.trees if each.stands(0) and each.leaves > 8)
    vigour = []
    for model in (MILD, HARSH):
        standing = Standing(orchard, model, vigour={tree.tree: 0.4}, strain={tree.tree: 0.5})
        left_alone(orchard, model, 6, standing)
        vigour.append(standing.vigour[tree.tree])
    assert 0.4 < vigour[1] < vigour[0] <= 1


def test_trees_never_cut_stay_as_they_were(orchard):
    standing = left_alone(orchard, HARSH, orchard.seasons)
    assert set(standing.vigour.values()) == {1.0}


@pytest.mark.parametrize("model", [MILD, HARSH], ids=lambda model: model.name)
def test_a_tree_stripped_every_season_grows_less_and_less(orchard, model):
    tree = next(t for t in orchard.trees if t.stock == "bearing" and t.kind(0) == "bearing")
    standing, vigour = Standing(orchard, model), [1.0]
    for season in range(4):
        standing.cut(season, {tree.tree: standing.there(season)[tree.tree]})
        vigour.append(standing.vigour[tree.tree])
    assert vigour == sorted(vigour, reverse=True)
    assert vigour[-1] < vigour[1] < 1


def test_no_more_is_cut_than_grew(orchard):
    standing = Standing(orchard, MILD)
    there = standing.there(0)
    tree = max(there, key=there.get)
    with pytest.raises(ValueError, match="more sticks than"):
        standing.cut(0, {tree: there[tree] + 1})
    assert not standing.vigour  # a refused cut changes nothing
    (cut,) = standing.cut(0, {tree: there[tree]})
    assert cut.sticks == there[tree] <= cut.grew


def test_trees_stand_from_planting_until_they_go(orchard):
    for tree in orchard.trees:
        assert not tree.stands(tree.planted)
        assert not tree.stands(tree.leaves)
        assert tree.stands(tree.leaves - 1)


def test_a_place_is_planted_again_as_its_tree_goes():
    orchard = draw_orchard(seed=5, seasons=20)
    for season in range(20):
        by_cultivar = defaultdict(int)
        for tree in orchard.trees:
            by_cultivar[tree.cultivar] += tree.stands(season)
        # A tree's successor is planted as it goes or before, and stands from the next season.
        assert all(count >= 8 for count in by_cultivar.values())


def test_young_trees_come_into_yield_and_old_bank_trees_decline(orchard):
    tree = next(tree for tree in orchard.trees if tree.stock == "bank")
    by_age = [tree.by_age(tree.planted + age) for age in range(1, 40)]
    top = by_age.index(max(by_age))
    assert by_age[: top + 1] == sorted(by_age[: top + 1])
    assert by_age[top:] == sorted(by_age[top:], reverse=True)
    assert by_age[-1] < by_age[top]


def test_chance_is_drawn_once_from_the_seed():
    assert draw_orchard(4, seasons=5) == draw_orchard(4, seasons=5)
    assert draw_orchard(4, seasons=5) != draw_orchard(5, seasons=5)


def test_peaks_are_foreseen_and_must_be_filled_in_part(orchard):
    orders = draw_orchard(seed=2, seasons=20).orders
    for cultivar in "ABCDE":
        foreseen = [orders[cultivar, season].foreseen for season in range(20)]
        usual = min(foreseen)
        peaks = [s for s, sticks in enumerate(foreseen) if sticks > 1.5 * usual]
        assert 2 <= len(peaks) <= 3
        assert all(orders[cultivar, s].sticks == foreseen[s] for s in peaks)
    assert all(0 < order.must < order.sticks for order in orders.values())


# --------------------------------------------------------------------------------- the rules


@st.composite
def cultivars(draw) -> list[TreeSupply]:
    trees = []
    for number in range(draw(st.integers(1, 8))):
        share = draw(st.sampled_from((0.25, 0.4, 0.6, 0.9)))
        limits = Limits(
            share=share,
            watch=0.7 * share,
            rest=draw(st.sampled_from((1.2, 2.0))) * share,
            heavy_share=draw(st.sampled_from((0.8, 1.0))) * share,
            rest_seasons=1,
            least_visit=5,
        )
        past = st.floats(0, share)
        trees.append(
            TreeSupply(
                tree=f"T{number}",
                cultivar="A",
                kind="bearing",
                capacity=(draw(st.floats(2, 300)),) * HORIZON,
                limits=limits,
                past=(draw(past), draw(past)),
                eligible=(draw(st.booleans()),) * HORIZON,
            )
        )
    return trees


@pytest.mark.parametrize("rule", SIMPLE)
@given(trees=cultivars(), wanted=st.integers(13, 900))
@settings(max_examples=150)
def test_a_simple_rule_keeps_the_plans_limits(rule, trees, wanted):
    asked = RULES[rule](trees, [wanted] * HORIZON)
    cuts = {(tree, 0): sticks for tree, sticks in asked.items()}
    broken = broken_rules([one_season(tree) for tree in trees], [wanted], cuts)
    waived = [each for each in broken if "all from one tree" in each or " wanted, over " in each]
    assert list(broken) == waived, "only the spread may be waived"
    if waived:  # and only where the order could not be met otherwise, but for a visit's sticks
        assert sum(rooms(trees, wanted).values()) < wanted + 5 * len(trees)


def one_season(tree: TreeSupply) -> TreeSupply:
    return dataclasses.replace(tree, capacity=tree.capacity[:1], eligible=tree.eligible[:1])


@pytest.mark.parametrize("rule", SIMPLE)
@given(trees=cultivars(), wanted=st.integers(13, 900))
def test_a_simple_rule_meets_what_the_limits_allow_but_for_a_visit(rule, trees, wanted):
    asked = RULES[rule](trees, [wanted] * HORIZON)
    can = min(wanted, sum(most_sticks(tree, 0, wanted) for tree in trees))
    spread = min(can, sum(rooms(trees, wanted).values()))
    # Too few sticks for a visit may be left.
    assert spread - 5 * len(trees) <= sum(asked.values()) <= can


def test_equal_shares_are_equal(orchard):
    trees = [t for t in supplies(orchard, 0, {}, limited=True) if t.cultivar == "A"]
    asked = RULES["equal shares"](trees, [400])
    shares = [asked[tree.tree] / tree.capacity[0] for tree in trees if tree.tree in asked]
    assert sum(asked.values()) == 400
    assert max(shares) - min(shares) < 0.05


def test_the_longest_uncut_tree_is_first_and_the_best_tree_first():
    limits = Limits(share=0.5, watch=1, rest=2, heavy_share=1, rest_seasons=0, least_visit=5)
    made = [
        TreeSupply(
            tree=f"T{at}",
            cultivar="A",
            kind="bank",
            capacity=(grows,) * 3,
            limits=limits,
            past=past,
        )
        for at, (grows, past) in enumerate([(100, (0.5, 0)), (60, (0, 0.4)), (80, (0, 0))])
    ]
    assert list(RULES["longest uncut first"](made, [70])) == ["T2", "T1", "T0"]
    assert list(RULES["best trees every year"](made, [70])) == ["T0", "T2", "T1"]


@given(trees=cultivars(), wanted=st.integers(13, 900), data=st.data())
def test_what_a_tree_lacks_is_looked_for_on_others(trees, wanted, data):
    asked = RULES["longest uncut first"](trees, [wanted])
    there = {tree.tree: data.draw(st.integers(0, 300)) for tree in trees}
    sticks = cut_in_turn(trees, wanted, asked, there)
    assert all(0 < number <= there[tree] for tree, number in sticks.items())
    assert sum(sticks.values()) <= sum(asked.values())
    if all(there[tree] >= number for tree, number in asked.items()):
        assert sticks == asked
    room = rooms(trees, wanted, spread=False)
    assert all(number <= room[tree] for tree, number in sticks.items())
    if sum(sticks.values()) < sum(asked.values()):
        # Nothing is left on the trees, or in their limits.
        assert all(sticks.get(t, 0) == min(room[t], there[t]) for t in there)


# -------------------------------------------------------------------------------- whole runs


@pytest.mark.parametrize("limited", [True, False], ids=["limits", "none"])
@pytest.mark.parametrize("rule", [*SIMPLE, "plan"])
def test_wood_is_conserved(rule, limited):
    orchard = draw_orchard(seed=1, seasons=1 if rule == "plan" else 3)
    outcome = run(orchard, HARSH, RULES[rule], limited)
    wanted = sum(order.sticks for order in orchard.orders.values())
    assert outcome.met == pytest.approx(outcome.sticks / wanted)
    assert 0 < outcome.met <= 1
    assert outcome.must_met >= outcome.met  # what must be filled is filled first
    assert 0 <= outcome.worn <= len(orchard.trees)
    assert outcome.sticks_a_visit == outcome.sticks / outcome.visits


def test_trees_wear_out_sooner_under_the_harsh_model():
    orchard = draw_orchard(seed=1, seasons=8)
    rule = RULES["best trees every year"]
    mild, harsh = (run(orchard, model, rule, limited=False) for model in (MILD, HARSH))
    assert mild.worn < harsh.worn
    assert mild.vigour > harsh.vigour


def test_before_the_first_season_the_books_are_the_same_for_every_rule():
    orchard = draw_orchard(seed=1, seasons=1)
    seen = []

    def watching(trees, wanted):
        seen.append((trees[0].cultivar, tuple(tree.past for tree in trees)))
        return {}

    for limited in (True, False):
        run(orchard, MILD, watching, limited)
    half = len(seen) // 2
    assert seen[:half] == seen[half:]
    assert any(share > 0 for _, pasts in seen for past in pasts for share in past)
    assert BEFORE >= 3  # three seasons make a fall that is a sign


def test_a_planned_departure_is_known_to_all():
    orchard = draw_orchard(seed=1, seasons=20)
    going = [t for t in orchard.trees if t.grubbed and 2 < t.leaves < 19 and t.stands(t.leaves - 1)]
    tree = going[0]
    (supply,) = (
        s for s in supplies(orchard, tree.leaves - 1, {}, limited=True) if s.tree == tree.tree
    )
    assert supply.eligible == (True, False, False)


def test_the_interval_is_students():
    sample = [0.4, -0.2, 1.1, 0.3, 0.7]
    mean, half = interval(sample)
    low, high = stats.ttest_1samp(sample, 0).confidence_interval(0.95)
    assert (mean - half, mean + half) == pytest.approx((low, high))
    assert math.isinf(interval([1.0])[1])


def test_the_table_pairs_each_rule_with_the_plan():
    def came_of(worn: int, visits: int) -> Outcome:
        return Outcome(met=0.9, must_met=1.0, worn=worn, visits=visits, sticks=900, vigour=0.8)

    outcomes = {
        ("mild", True, "plan", 1): came_of(4, 100),
        ("mild", True, "plan", 2): came_of(9, 140),
        ("mild", True, "equal shares", 1): came_of(5, 130),
        ("mild", True, "equal shares", 2): came_of(10, 190),
    }
    lines = table(outcomes, [1, 2])
    assert sum("less the plan" in line for line in lines) == 1
    assert "+1.0 ± 0.0" in lines[-1], (
        "worn differs by one in both, however much the orchards differ"
    )
    # Student's t of one degree of freedom: 12.706 standard errors.
    assert f"+40 ± {12.706 * 10:.0f}" in lines[-1]
