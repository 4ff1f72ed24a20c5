"""The cutting plan: least shortfall, few visits, every rule kept, and what is said about it."""

import itertools
import subprocess
import sys
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.cutting_plan import by_cultivar, by_scip, nursery
from scionreg.records.errors import RegistryError
from scionreg.rotation.cutting_plan import OWN_LIMITS, plan, recheck
from scionreg.rotation.goals import improve, largest_pressure, over_watch, serve, shortfalls
from scionreg.rotation.program import Program, still_wanted
from scionreg.rotation.rechecking import broken_rules, could_be_cut
from scionreg.rotation.supply import Allowed, Limits, TreeSupply, Wanted, shared_out

LONG = 300
"""Seconds that no search of a test comes near, however busy the machine."""
LIMITS = Limits(share=0.5, watch=0.5, rest=0.8, heavy_share=0.4, rest_seasons=1, least_visit=2)


def tree(code: str, *grows: float, **more) -> TreeSupply:
    more = {"limits": LIMITS, "cultivar": "Ostra", "kind": "bearing"} | more
    return TreeSupply(tree=code, capacity=grows, **more)


def wanted(*sticks: int) -> list[Wanted]:
    return [Wanted(cultivar="Ostra", season=at, sticks=n) for at, n in enumerate(sticks)]


@st.composite
def small_cases(draw, seasons=0, most_trees=4) -> tuple[list[TreeSupply], list[int]]:
    seasons = seasons or draw(st.integers(1, 2))
    share = st.sampled_from([0.25, 0.4, 0.5, 0.7])
    most = tuple(draw(st.integers(0, 9)) for _ in range(seasons))
    owners = [(), (), (Allowed(of="yard", host="H1", most=most),)]
    trees = []
    for at in range(draw(st.integers(1, 3 if seasons == 2 else most_trees))):
        limits = Limits(
            share=draw(share),
            watch=draw(st.sampled_from([0.2, 0.35, 0.5])),
            rest=draw(st.sampled_from([0.4, 0.55, 0.9])),
            heavy_share=draw(share),
            rest_seasons=draw(st.integers(0, 2)),
            least_visit=draw(st.integers(1, 3)),
        )
        trees.append(
            tree(
                f"T{at}",
                *(draw(st.integers(0, 9)) for _ in range(seasons)),
                limits=limits,
                past=tuple(draw(st.lists(st.sampled_from([0.0, 0.2, 0.45, 0.7]), max_size=2))),
                eligible=tuple(draw(st.lists(st.booleans(), min_size=seasons, max_size=seasons))),
                done=draw(st.sampled_from([0.0, 0.0, 0.15, 0.5])),
                shares=tuple(draw(share) for _ in range(seasons)) if draw(st.booleans()) else (),
                allowed=draw(st.sampled_from(owners)),
            )
        )
    return trees, [draw(st.integers(0, 9)) for _ in range(seasons)]


def surplus(demand, cuts) -> int:
    return sum(max(0, -lacks) for lacks in still_wanted(demand, cuts))


def every_plan(trees, demand, waived):
    """Yield every plan that keeps the rules, by trying all numbers of sticks."""
    keys = [(at, season) for at in range(len(trees)) for season in range(len(demand))]
    tops = [range(int(trees[at].capacity[season] * 0.7) + 1) for at, season in keys]
    for numbers in itertools.product(*tops):
        cuts = {key: n for key, n in zip(keys, numbers, strict=True) if n}
        coded = {(trees[at].tree, season): n for (at, season), n in cuts.items()}
        if not broken_rules(trees, demand, coded, waived):
            yield cuts


def in_order(demand, cuts) -> tuple[int, int]:
    now, *later = shortfalls(demand, cuts)
    return now, sum(later)


@settings(max_examples=40, deadline=None)
@given(small_cases())
def test_no_plan_at_all_leaves_less_short(case) -> None:
    trees, demand = case
    served = serve("Ostra", trees, demand, LONG)
    best = min(in_order(demand, cuts) for cuts in every_plan(trees, demand, range(len(demand))))
    assert in_order(demand, served.cuts) == best
    assert [(goal.value, goal.status) for goal in served.goals] == [(n, "proven") for n in best]


@settings(max_examples=25, deadline=None)
@given(small_cases())
def test_no_plan_as_little_short_cuts_less_above_what_is_wanted(case) -> None:
    trees, demand = case
    served = improve(serve("Ostra", trees, demand, LONG), "Ostra", LONG)
    short = shortfalls(demand, served.cuts)
    assert surplus(demand, served.cuts) == min(
        surplus(demand, cuts)
        for cuts in every_plan(trees, demand, served.waived)
        if shortfalls(demand, cuts) == short
    )


@settings(max_examples=25, deadline=None)
@given(small_cases(seasons=1))
def test_what_an_idle_tree_could_give_is_not_called_short(case) -> None:
    trees, demand = case
    served = improve(serve("Ostra", trees, demand, LONG), "Ostra", LONG)
    if shortfalls(demand, served.cuts)[0]:
        cut = {place for place, _ in served.cuts}
        assert not [
            e for at, e in enumerate(trees) if at not in cut and could_be_cut(e, 0, *demand)
        ]


@pytest.mark.parametrize(
    ("grow", "want", "cut"), [(10, 24, 25), (10, 6, 10), (1, 4, 4), (10, 25, 25), (2, 9, 10)]
)
def test_trees_that_give_a_least_visit_and_no_more_meet_an_order(grow, want, cut) -> None:
    bearing = Limits(
        share=0.25, watch=0.35, rest=0.6, heavy_share=0.25, rest_seasons=0, least_visit=5
    )
    trees = [tree(f"T{at}", 20, limits=bearing) for at in range(grow)]
    made = plan(trees, wanted(want), 1, first_season=2027)
    (row,) = made.seasons
    assert (row.demand, row.planned, row.shortfall) == (want, cut, 0)
    says = f"Ostra, season 2027: {cut} cut for {want} wanted: a visit takes at least 5."
    assert (says in made.cautions) == (cut > want)


@settings(max_examples=25, deadline=None)
@given(small_cases())
def test_spread_is_waived_only_where_the_order_would_starve(case) -> None:
    trees, demand = case
    served = serve("Ostra", trees, demand, LONG)
    if served.waived:
        fewer = [
            frozenset(kept)
            for count in range(len(served.waived))
            for kept in itertools.combinations(range(len(demand)), count)
        ]
        for waived in fewer:
            best = min(in_order(demand, cuts) for cuts in every_plan(trees, demand, waived))
            assert best > in_order(demand, served.cuts)


@settings(max_examples=25, deadline=None)
@given(small_cases())
def test_no_plan_within_the_same_pressures_has_fewer_visits(case) -> None:
    trees, demand = case
    served = serve("Ostra", trees, demand, LONG)
    better = improve(served, "Ostra", LONG)
    count, short = len(demand), shortfalls(demand, served.cuts)
    assert shortfalls(demand, better.cuts) == short
    over = over_watch(trees, better.cuts, count)
    top = largest_pressure(trees, better.cuts, count)
    visits = {goal.goal: goal for goal in better.goals}["visits"]
    for cuts in every_plan(trees, demand, served.waived):
        if (
            shortfalls(demand, cuts) == short
            and surplus(demand, cuts) == surplus(demand, better.cuts)
            and over_watch(trees, cuts, count) <= over + 1e-9
            and largest_pressure(trees, cuts, count) <= top + 1e-9
        ):
            assert len(cuts) >= visits.bound
            assert len(cuts) >= len(better.cuts) or visits.status != "proven"


@settings(max_examples=25, deadline=None)
@given(small_cases())
def test_every_goals_bound_is_kept_by_every_plan(case) -> None:
    trees, demand = case
    served = serve("Ostra", trees, demand, LONG)
    better = improve(served, "Ostra", LONG)
    goals, over = {goal.goal: goal for goal in better.goals}, surplus(demand, better.cuts)
    short = shortfalls(demand, served.cuts)
    for cuts in every_plan(trees, demand, served.waived):
        if shortfalls(demand, cuts) == short and surplus(demand, cuts) == over:
            assert over_watch(trees, cuts, len(demand)) >= goals["over_watch"].bound - 1e-6


def greedy(trees, demand):
    """Cut the oldest cut first, as much as the rules let, a season after the other."""
    cuts = {}
    for season, wants in enumerate(demand):
        order = sorted(trees, key=lambda each: (sum(each.past), each.tree))
        for _ in range(2):  # a tree's part may be free only once another was cut
            for each in order:
                left = wants - sum(n for (_, when), n in cuts.items() if when == season)
                for sticks in range(left, 0, -1):
                    if (each.tree, season) in cuts:
                        break
                    tried = cuts | {(each.tree, season): sticks}
                    if not broken_rules(trees, demand, tried, range(len(demand))):
                        cuts = tried
                        break
    return cuts


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000))
def test_shortfall_is_never_above_a_greedy_rules(seed: int) -> None:
    supply, wants = nursery(12, 1, seed)
    ((name, (trees, demand)),) = by_cultivar(supply, wants).items()
    cuts = greedy(trees, demand)
    by_rule = sum(n for (_, season), n in cuts.items() if season == 0)
    served = serve(name, trees, demand, LONG)
    assert shortfalls(demand, served.cuts)[0] <= demand[0] - by_rule


@pytest.mark.parametrize("seed", range(8))
def test_another_solver_finds_no_less_shortfall(seed: int) -> None:
    supply, wants = nursery(40, 2, seed)
    for name, (trees, demand) in by_cultivar(supply, wants).items():
        served = serve(name, trees, demand, LONG)
        other, _ = by_scip([Program(trees, demand, served.waived)], LONG)
        assert {goal.status for goal in served.goals} == {"proven"}
        now, then = (goal.value for goal in served.goals)
        assert other == pytest.approx(now + then * 0.5 / (sum(demand[1:]) + 1), abs=1e-5)


def test_a_start_is_not_given_back_as_the_best() -> None:
    """HiGHS 1.16 did where presolve left nothing to search, and called it proven."""
    free = Limits(share=1, watch=9, rest=9, heavy_share=1, rest_seasons=0, least_visit=1)
    served = serve("Ostra", [tree(code, 12, limits=free) for code in "AB"], [12], LONG)
    assert served.goals[0].value == 0
    assert sorted(served.cuts.values()) == [6, 6]


TWO = [tree("A", 20, 20), tree("B", 20, 20)]
BROKEN = {
    "season 0: more sticks than are wanted": (TWO, [9, 0], {("A", 0): 5, ("B", 0): 5}),
    "season 0: a visit more than is needed": (TWO, [2, 0], {("A", 0): 2, ("B", 0): 2}),
    "over 0.5": ([tree("A", 8), tree("B", 8)], [10], {("A", 0): 5, ("B", 0): 2}),
    "fewer than the least": (TWO, [9, 0], {("A", 0): 1, ("B", 0): 4}),
    "pressure": (
        [replace(TWO[0], past=(0.3, 0.9)), TWO[1]],
        [18, 0],
        {("A", 0): 8, ("B", 0): 8},
    ),
    "rests after a heavy cut": (TWO, [18, 8], {("A", 0): 9, ("B", 0): 8, ("A", 1): 2, ("B", 1): 2}),
    "all from one tree": (TWO, [10, 0], {("A", 0): 4}),
    "of 10 wanted, over 5": (TWO, [10, 0], {("A", 0): 6, ("B", 0): 2}),
    "may not be cut": (
        [replace(TWO[0], eligible=(False, True)), *TWO[1:]],
        [9, 0],
        {("A", 0): 3, ("B", 0): 3},
    ),
    "0.650 of its sticks": (
        [replace(TWO[0], done=0.4), TWO[1]],
        [18, 0],
        {("A", 0): 5, ("B", 0): 5},
    ),
    "over 0.3": ([replace(TWO[0], shares=(0.5, 0.3)), TWO[1]], [0, 18], {("A", 1): 7, ("B", 1): 7}),
    "A, season 1: cut while it rests": (
        [replace(TWO[0], done=0.45), TWO[1]],
        [0, 9],
        {("A", 1): 2, ("B", 1): 2},
    ),
    "9 sticks of yard, over 6": (
        [replace(each, allowed=(Allowed(of="yard", host="H1", most=(6, 0)),)) for each in TWO],
        [10, 0],
        {("A", 0): 5, ("B", 0): 4},
    ),
    "H1 allows 4": (
        [replace(TWO[0], allowed=(Allowed(of="A", host="H1", most=(4, 0)),)), TWO[1]],
        [10, 0],
        {("A", 0): 5, ("B", 0): 5},
    ),
    "is no tree": (TWO, [9, 0], {("C", 0): 3}),
    "no whole number": (TWO, [9, 0], {("A", 0): 2.5, ("B", 0): 3}),
    "inf of its sticks": ([tree("A", 0), tree("B", 9)], [9], {("A", 0): 3, ("B", 0): 3}),
}


@pytest.mark.parametrize("says", BROKEN)
def test_the_recheck_catches_each_broken_rule(says: str) -> None:
    trees, demand, cuts = BROKEN[says]
    found = broken_rules(trees, demand, cuts)
    assert any(says.split(",")[0] in sentence for sentence in found), found


def test_the_recheck_lets_a_good_plan_be() -> None:
    assert broken_rules(TWO, [10, 6], {("A", 0): 5, ("B", 0): 5, ("A", 1): 3, ("B", 1): 3}) == ()


def test_spread_is_waived_with_a_caution() -> None:
    made = plan([tree("A", 40), tree("B", 6)], wanted(18), 1)
    assert made.seasons[0].shortfall == 0
    assert any("one tree gives more than its part" in caution for caution in made.cautions)


def test_a_shortfall_is_stated() -> None:
    made = plan([tree("A", 20), tree("B", 20)], wanted(100), 1, first_season=2027)
    assert (made.seasons[0].planned, made.seasons[0].shortfall) == (20, 80)
    assert made.cautions == (OWN_LIMITS,)


def test_a_cultivar_without_trees_is_short_of_all() -> None:
    made = plan([], wanted(30, 0, 5))
    assert [row.shortfall for row in made.seasons] == [30, 0, 5]
    assert all(goal.value == goal.bound for goal in made.goals)


def test_the_binding_limit_and_what_changes_without_the_tree() -> None:
    made = plan([tree("A", 20), tree("B", 20)], wanted(100), 1)
    why = made.why("A")
    assert why.binding == ("the largest share cut in a season, 0.5",)
    assert (why.without.shortfall_change, why.with_more.shortfall_change) == (10, -1)
    assert why.with_demand.shortfall_change == 10
    assert (why.without.sticks, why.with_more.sticks) == ((0,), (11,))
    assert why.to_dict()["without"]["shortfall"] == (90,)


def test_other_trees_that_give_in_its_place_are_named() -> None:
    made = plan([tree(code, 40) for code in "ABC"], wanted(24), 1, first_season=2027)
    given = {row.tree: row.sticks for row in made.trees if row.sticks}
    asked = next(iter(given))
    why = made.why(asked)
    assert why.binding == ("nothing: it gives what is wanted of it",)
    assert why.without.shortfall_change == 0
    assert sum(each.change for each in why.without.others) == given[asked]
    assert all(each.tree != asked and each.season == 0 for each in why.without.others)


@pytest.mark.parametrize(
    ("its", "says"),
    [
        ({"eligible": (False,), "why_not": ("on hold",)}, "on hold"),
        ({"past": (0.45,)}, "it rests after a heavy cut"),
        ({"past": (0.4, 0.4), "limits": replace(LIMITS, rest=0.3)}, "its past pressure"),
        ({"limits": replace(LIMITS, least_visit=15)}, "fewer than the 15 sticks"),
    ],
)
def test_a_tree_that_gives_nothing_says_why(its, says: str) -> None:
    made = plan([tree("A", 20, **its), tree("B", 80)], wanted(30), 1)
    (row,) = [each for each in made.trees if each.tree == "A"]
    assert row.sticks == 0
    assert says in row.why


def test_what_was_cut_this_season_counts_against_its_share_and_pressure() -> None:
    trees = [tree("A", 20, 20, done=0.4), tree("B", 20, 20)]
    made = plan(trees, wanted(30, 30), 2)
    by = {(row.tree, row.season): row for row in made.trees}
    assert (by["A", 0].sticks, by["B", 0].sticks) == (2, 10)
    assert by["A", 0].pressure == pytest.approx(0.5)
    assert by["A", 0].why == "the largest share cut in a season, 0.5"


def test_no_more_is_cut_of_a_place_than_its_owner_allows() -> None:
    yard = (Allowed(of="yard", host="H1", most=(12,)),)
    trees = [tree("A", 40, allowed=yard), tree("B", 40, allowed=yard), tree("C", 10)]
    made = plan(trees, wanted(40), 1)
    by = {row.tree: row for row in made.trees}
    assert (by["A"].sticks + by["B"].sticks, by["C"].sticks) == (12, 5)
    assert by["A"].why == "H1 lets no more than 12 sticks of yard be cut a season"
    assert made.seasons[0].shortfall == 23


def test_what_an_owner_allows_is_shared_out_among_cultivars() -> None:
    yard = (Allowed(of="yard", host="H1", most=(12, 50)),)
    trees = [tree("A", 40, 40, allowed=yard), tree("V", 40, 40, cultivar="Velm", allowed=yard)]
    shared = shared_out(trees, {"Ostra": [20, 20], "Velm": [10, 20]})
    assert [each.allowed[0].most for each in shared] == [(8, 50), (4, 50)]


def test_a_growing_tree_gives_a_larger_share_as_it_ages() -> None:
    (row, later) = plan([tree("A", 20, 20, shares=(0.1, 0.4))], wanted(9, 9), 2).trees
    assert (row.sticks, later.sticks) == (2, 8)


def test_wants_outside_the_seasons_are_said() -> None:
    made = plan(
        TWO, [*wanted(4), Wanted(cultivar="Ostra", season=2, sticks=7)], 2, first_season=2027
    )
    assert made.cautions[1] == (
        "7 sticks of Ostra wanted in 2029 are left out: that season is not planned."
    )


def test_no_time_leaves_a_complete_plan() -> None:
    supply, wants = nursery(120, 1)
    made = plan(supply, wants, seconds=0.01)
    assert len(made.goals) == 6
    assert {goal.status for goal in made.goals} - {"proven"} != set()
    for name, its in made.served.items():
        coded = {(its.trees[at].tree, season): n for (at, season), n in its.cuts.items()}
        assert broken_rules(its.trees, its.demand, coded, its.waived) == (), name


def test_its_json_and_its_table() -> None:
    told = []
    made = plan(TWO, wanted(10, 6), 2, progress=lambda done, steps: told.append((done, steps)))
    assert list(made.to_dict()) == [
        "seasons",
        "trees",
        "walk",
        "work",
        "caps",
        "goals",
        "cautions",
    ]
    assert set(made.to_dict()["goals"][0]) == {"goal", "cultivar", "value", "bound", "status"}
    assert made.to_frame().sticks.sum() == 16
    assert told == [(1, 2), (2, 2)]


@pytest.mark.parametrize(
    ("trees", "sticks", "seasons", "says"),
    [
        (TWO, 5, 6, "1 to 5 seasons"),
        ([TWO[0], TWO[0]], 5, 1, "given twice"),
        (TWO, 5, 3, "not known for all 3"),
        ([tree("A", -1)], 5, 1, "cannot grow"),
        (TWO, -5, 1, "cannot be wanted"),
    ],
)
def test_what_is_no_supply_is_refused(trees, sticks, seasons, says: str) -> None:
    with pytest.raises(RegistryError, match=says):
        plan(trees, wanted(sticks), seasons)
    with pytest.raises(RegistryError, match="no tree Z"):
        plan(TWO, wanted(4), 1).why("Z")


def test_a_plan_prints_nothing() -> None:
    code = (
        "from scionreg.rotation.cutting_plan import *; from scionreg.rotation.supply import *;"
        "l = Limits(share=1, watch=1, rest=1, heavy_share=1, rest_seasons=0, least_visit=1);"
        "t = TreeSupply(tree='A', cultivar='Ostra', kind='bank', capacity=(9,), limits=l);"
        "assert plan([t], [Wanted(cultivar='Ostra', season=0, sticks=5)], 1).trees[0].sticks == 5"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert (ran.stdout, ran.stderr) == ("", "")


def test_cuts_that_break_a_rule_are_no_plan() -> None:
    its = plan([tree("T1", 10), tree("T2", 10)], wanted(6), 1).served["Ostra"]
    recheck({"Ostra": its}, ())
    with pytest.raises(RegistryError, match=r"The plan breaks a rule: Ostra: .*T1"):
        recheck({"Ostra": replace(its, cuts={(0, 0): 11})}, ())
