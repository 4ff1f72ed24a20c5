"""Caps that all cultivars share: the least shortfall within them, and what lifts it."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_cutting_plan import LIMITS, LONG, every_plan, small_cases, tree

from benchmarks.cutting_plan import by_cultivar, by_scip, nursery
from scionreg.records.errors import RegistryError
from scionreg.records.starting_values import RotationValues
from scionreg.rotation.caps import Level, all_keep
from scionreg.rotation.cutting_plan import plan
from scionreg.rotation.goals import shortfalls
from scionreg.rotation.prices import priced
from scionreg.rotation.program import Program
from scionreg.rotation.rechecking import broken_caps
from scionreg.rotation.supply import Cap, Labour, Limits, Wanted, cap_of

LABOUR = Labour(0.25, 0.02)
FREE = Limits(share=1, watch=9, rest=9, heavy_share=1, rest_seasons=0, least_visit=1)


def wants(cultivar: str, *sticks: int, must: int = 0) -> list[Wanted]:
    return [
        Wanted(cultivar=cultivar, season=at, sticks=n, must=min(n, must) if at == 0 else 0)
        for at, n in enumerate(sticks)
    ]


@st.composite
def two_cultivars(draw):
    """Yield trees and wants of two cultivars over one season, and caps on it."""
    trees, wanted = [], []
    for name in ("Ostra", "Velm"):
        its, demand = draw(small_cases(seasons=1, most_trees=2))
        trees += [
            tree(
                f"{name}{each.tree}",
                *each.capacity,
                cultivar=name,
                limits=each.limits,
                past=each.past,
                eligible=each.eligible,
                done=each.done,
                shares=each.shares,
            )
            for each in its
        ]
        wanted += wants(name, *demand, must=draw(st.integers(0, 5)))
    caps = [
        cap_of("visits", 0, draw(st.integers(0, 4)), LABOUR),
        cap_of("sticks", 0, draw(st.integers(0, 14)), LABOUR),
        cap_of("days", 0, draw(st.floats(0, 1.2)), LABOUR),
    ]
    return trees, wanted, draw(st.lists(st.sampled_from(caps), min_size=1, max_size=2, unique=True))


def best_of_all(trees, wanted, caps) -> tuple[int, int]:
    """Return the least must-fill shortfall and the least in all, by trying every plan."""
    options = []
    for want in wanted:
        its = [each for each in trees if each.cultivar == want.cultivar]
        options.append(
            [
                (
                    sum(cuts.values()),
                    {(f"{want.cultivar}{at}", s): n for (at, s), n in cuts.items()},
                )
                for cuts in every_plan(its, [want.sticks], [0])
            ]
        )
    best = (10**6, 10**6)
    for chosen in itertools.product(*options):
        if broken_caps(caps, [cuts for _, cuts in chosen]):
            continue
        lacks = [max(0, want.sticks - cut) for want, (cut, _) in zip(wanted, chosen, strict=True)]
        must = [max(0, n - (w.sticks - w.must)) for n, w in zip(lacks, wanted, strict=True)]
        best = min(best, (sum(must), sum(lacks)))
    return best


@settings(max_examples=25, deadline=None)
@given(two_cultivars())
def test_no_plan_within_the_caps_leaves_less_short(case) -> None:
    trees, wanted, caps = case
    made = plan(trees, wanted, 1, seconds=LONG, caps=caps)
    assert all_keep(caps, made.served)
    lacks = {row.cultivar: row.shortfall for row in made.seasons}
    must = sum(max(0, lacks[w.cultivar] - (w.sticks - w.must)) for w in wanted)
    assert (must, sum(lacks.values())) == best_of_all(trees, wanted, caps)


def caps_for(supply, wanted):
    """Return caps a third below what the plan without any uses."""
    made = plan(supply, wanted, seconds=LONG)
    return [
        cap_of("visits", 0, made.work[0].visits * 2 // 3, LABOUR),
        cap_of("sticks", 1, made.work[1].sticks * 2 // 3, LABOUR),
    ]


@pytest.mark.parametrize("seed", range(4))
def test_another_solver_finds_no_less_shortfall_under_caps(seed: int) -> None:
    supply, wanted = nursery(36, 3, seed)
    caps = caps_for(supply, wanted)
    made = plan(supply, wanted, seconds=LONG, caps=caps)
    goals = {goal.goal: goal for goal in made.goals if goal.cultivar == "all"}
    programs = [
        Program(trees, demand, made.served[name].waived)
        for name, (trees, demand) in by_cultivar(supply, wanted).items()
    ]
    other, _ = by_scip(programs, LONG, caps)
    later = sum(sum(program.demand[1:]) for program in programs)
    now, then = goals["shortfall"], goals["later_shortfall"]
    least, found = (
        n + t * 0.5 / (later + 1) for n, t in ((now.bound, then.bound), (now.value, then.value))
    )
    assert least - 1e-4 <= other <= found + 1e-4
    assert now.status == "proven"
    start = priced(made.uncapped, caps, LONG)
    assert start is not None
    assert all_keep(caps, start)
    lacks = sum(shortfalls(its.demand, its.cuts)[0] for its in start.values())
    assert now.value <= lacks <= 1.1 * now.value + 5


def greedy(trees, wanted, caps) -> int:
    """Cut the best filled trees first while the caps last; return the sticks of this season."""
    left, visits = {w.cultivar: w.sticks for w in wanted if w.season == 0}, 0
    most_visits = next(cap.most for cap in caps if cap.what == "visits")
    given = 0
    for each in sorted(trees, key=lambda tree: -tree.capacity[0] * tree.limits.share):
        if visits >= most_visits or each.past or not all(each.eligible):
            continue
        n = min(left[each.cultivar], int(each.capacity[0] * min(each.limits.share, 0.24)))
        if n >= each.limits.least_visit:
            left[each.cultivar] -= n
            visits, given = visits + 1, given + n
    return given


@pytest.mark.parametrize("seed", range(5))
def test_a_greedy_rule_within_the_caps_gives_no_more(seed: int) -> None:
    supply, wanted = nursery(40, 4, seed + 100)
    supply = [tree(e.tree, *e.capacity, cultivar=e.cultivar, limits=e.limits) for e in supply]
    caps = [cap_of("visits", 0, 12, LABOUR)]
    made = plan(supply, wanted, seconds=4, caps=caps)
    assert sum(row.planned for row in made.seasons if row.season == 0) >= greedy(
        supply, wanted, caps
    )
    assert made.work[0].visits <= 12


def test_a_cap_that_does_not_bind_changes_nothing() -> None:
    supply, wanted = nursery(24, 2, 5)
    free = plan(supply, wanted, seconds=LONG)
    loose = plan(supply, wanted, seconds=LONG, caps=[cap_of("visits", 0, 1000, LABOUR)])
    assert loose.seasons == free.seasons
    assert loose.served == loose.uncapped
    assert [goal for goal in loose.goals if goal.cultivar == "all"] == []
    assert "cap" not in {lift.way for lift in loose.lifts(seconds=1)}


def test_orders_that_must_be_filled_come_first() -> None:
    trees = [tree("A", 10, limits=FREE), tree("B", 10, cultivar="Velm", limits=FREE)]
    caps = [cap_of("sticks", 0, 10, LABOUR)]
    for first, other in (("Ostra", "Velm"), ("Velm", "Ostra")):
        made = plan(trees, [*wants(first, 10, must=8), *wants(other, 10)], 1, caps=caps)
        planned = {row.cultivar: row.planned for row in made.seasons}
        assert planned[first] >= 8
        assert sum(planned.values()) == 10
        goals = {g.goal: (g.value, g.status) for g in made.goals if g.cultivar == "all"}
        assert goals == {Level.MUST_FILL: (0, "proven"), Level.NOW: (10, "proven")}


@pytest.mark.parametrize(("what", "most"), [("visits", 3), ("sticks", 31), ("days", 1.6)])
def test_what_a_cap_must_be_for_nothing_to_lack(what: str, most: float) -> None:
    trees = [tree(f"A{n}", 12, limits=FREE) for n in range(4)]
    trees += [tree(f"B{n}", 12, cultivar="Velm", limits=FREE) for n in range(4)]
    wanted = [*wants("Ostra", 24), *wants("Velm", 30)]
    made = plan(trees, wanted, 1, caps=[cap_of(what, 0, most, LABOUR)], first_season=2027)
    (lift,) = made.lifts(seconds=LONG)
    assert (lift.way, lift.season) == ("cap", 2027)
    assert f"instead of {most:g}" in lift.text
    raised = plan(trees, wanted, 1, caps=[cap_of(what, 0, lift.amount, LABOUR)])
    assert sum(row.shortfall for row in raised.seasons) == 0
    step = 0.1 if what == "days" else 1
    below = plan(trees, wanted, 1, caps=[cap_of(what, 0, lift.amount - step, LABOUR)])
    assert sum(row.shortfall for row in below.seasons) > 0


def test_spread_gives_way_before_an_order_starves() -> None:
    trees = [tree("A", 12, limits=FREE), tree("B", 12, limits=FREE)]
    made = plan(trees, wants("Ostra", 12), 1, caps=[cap_of("visits", 0, 1, LABOUR)])
    assert made.seasons[0].shortfall == 0
    assert any("one tree gives more than its part" in each for each in made.cautions)


def test_the_cap_is_named_where_it_keeps_a_tree_from_giving() -> None:
    trees = [tree(code, 20, limits=FREE, cultivar=name) for code, name in ("AO", "BO", "CV", "DV")]
    wanted = [*wants("O", 20), *wants("V", 20)]
    made = plan(trees, wanted, 1, caps=[cap_of("sticks", 0, 13, LABOUR)])
    assert {row.why for row in made.trees} == {"the cap on sticks that all cultivars share"}
    why = made.why("A")
    assert sum(why.without.sticks) == 0
    assert why.without.shortfall_change >= 0


def test_its_work_and_caps_are_told() -> None:
    made = plan(
        [tree("A", 40, limits=LIMITS), tree("B", 40, limits=LIMITS)],
        wants("Ostra", 30),
        1,
        first_season=2027,
        caps=[cap_of("days", 0, 1, LABOUR)],
        labour=LABOUR,
    )
    assert made.to_dict()["work"] == [{"season": 2027, "visits": 2, "sticks": 25, "days": 1.0}]
    assert made.to_dict()["caps"] == [{"season": 2027, "what": "days", "most": 1, "used": 1.0}]


def test_days_follow_from_minutes_a_visit_and_sticks_an_hour() -> None:
    labour = Labour.of(RotationValues(visit_minutes=21, sticks_an_hour=60, hours_a_day=7))
    assert (labour.a_visit, labour.a_stick) == pytest.approx((0.05, 1 / 420))


@pytest.mark.parametrize(("what", "most"), [("hours", 3), ("visits", -1), ("days", float("nan"))])
def test_what_is_no_cap_is_refused(what: str, most: float) -> None:
    with pytest.raises(RegistryError, match="cap"):
        cap_of(what, 0, most, LABOUR)


def test_the_recheck_catches_a_broken_cap() -> None:
    cap = Cap(what="visits", season=0, most=2, a_visit=1, a_stick=0)
    cuts = [{("A", 0): 3, ("B", 0): 1}, {("C", 0): 2, ("D", 1): 9}]
    assert broken_caps([cap], cuts) == ("season 0: 3 visits, over 2",)
    assert broken_caps([cap], cuts[:1]) == ()
