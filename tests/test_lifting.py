"""What would lift a shortfall: every way holds when it is tried."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_cutting_plan import LIMITS, LONG, tree, wanted

from scionreg.rotation.cutting_plan import plan
from scionreg.rotation.lifting import MOST_PLANTED
from scionreg.rotation.supply import Bar, TreeSupply

BARRED = {"eligible": (False,), "why_not": ("stands still",)}


def ways(trees: list[TreeSupply], *sticks: int, new: TreeSupply | None = None):
    made = plan(trees, wanted(*sticks), len(sticks), first_season=2027)
    lifts = made.lifts({"Ostra": new} if new else None, seconds=LONG)
    return {lift.way: lift for lift in lifts}


def lacks(trees: list[TreeSupply], *sticks: int) -> int:
    return sum(row.shortfall for row in plan(trees, wanted(*sticks), len(sticks)).seasons)


def test_where_nothing_lacks_there_is_nothing_to_lift() -> None:
    assert ways([tree("A", 20), tree("B", 20)], 15) == {}


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.integers(8, 40), min_size=1, max_size=3), st.integers(1, 2), st.integers(30, 150)
)
def test_so_many_new_trees_and_no_fewer_lift_it(grows: list[int], seasons: int, want: int) -> None:
    trees = [tree(f"T{at}", *[n] * seasons) for at, n in enumerate(grows)]
    new = tree("new", *[24] * seasons)
    found = ways(trees, *[want] * seasons, new=new)
    if not found:
        assert lacks(trees, *[want] * seasons) == 0
        return
    count = int(found["plant"].amount)
    assert f"plant {count} more" in found["plant"].text

    def with_new(number: int) -> int:
        more = [replace(new, tree=f"N{at}") for at in range(number)]
        return lacks([*trees, *more], *[want] * seasons)

    assert with_new(count) == 0
    assert with_new(count - 1) > 0


def test_what_lacks_can_be_taken_in() -> None:
    (lift,) = ways([], 30, 0, 5).values()
    assert (lift.way, lift.amount) == ("take_in", 35)
    assert lift.text == "take 30 in 2027 and 5 in 2029 from elsewhere"


@pytest.mark.parametrize(
    ("bar", "way", "says"),
    [
        (Bar.LICENCE, "licence", "with the right holder's licence B would give 10 of the 20"),
        (Bar.IDENTITY, "check", "if a check settles the doubt about B: 10 of the 20"),
        (Bar.STOPPED, "release", "once what stops B is over: 10 of the 20"),
        (Bar.RANK, "renew", "with new plants of the rank in place of B: 10 of the 20"),
    ],
)
def test_a_tree_that_stands_still_for_one_reason_would_give(bar, way: str, says: str) -> None:
    trees = [tree("A", 20), tree("B", 20, bars=(frozenset({bar}),), **BARRED)]
    trees[0] = replace(trees[0], eligible=(True,), bars=(frozenset(),))
    found = ways(trees, 30)
    assert found[way].text == says
    assert found[way].amount == 10
    assert found[way].trees == ("B",)
    opened = [trees[0], tree("B", 20)]
    assert lacks(trees, 30) - lacks(opened, 30) == 10


def test_no_tree_is_planted_where_a_licence_lacks_or_rank_bars_all() -> None:
    for bar in (Bar.LICENCE, Bar.RANK):
        trees = [tree(code, 20, bars=(frozenset({bar}),), **BARRED) for code in "AB"]
        assert "plant" not in ways(trees, 8)
        assert bar is Bar.LICENCE or "renew" in ways(trees, 8)
    held = [tree(code, 20, bars=(frozenset({Bar.STOPPED}),), **BARRED) for code in "AB"]
    assert "plant" in ways(held, 8)


def test_a_tree_with_two_reasons_or_one_that_is_gone_would_give_nothing() -> None:
    for bars in ({Bar.LICENCE, Bar.STOPPED}, {Bar.GONE}, {Bar.RESTING}):
        trees = [tree(code, 20, bars=(frozenset(bars),), **BARRED) for code in "AB"]
        assert not ways(trees, 8).keys() & {"licence", "release", "check", "renew"}


def test_very_many_new_trees_are_reckoned_not_planned() -> None:
    found = ways([tree("A", 20)], 5000)
    assert found["plant"].amount > MOST_PLANTED
    assert "about" in found["plant"].text


def test_a_tree_that_gives_nothing_even_grown_is_not_planted() -> None:
    assert "plant" not in ways([tree("A", 2, limits=replace(LIMITS, least_visit=9))], 50)


def test_an_order_that_trees_can_only_round_up_to_needs_no_new_ones() -> None:
    bearing = replace(LIMITS, share=0.25, heavy_share=0.25, rest_seasons=0, least_visit=5)
    assert ways([tree(f"T{at}", 20, limits=bearing) for at in range(10)], 24) == {}
    found = ways([tree("A", 20, limits=bearing)], 6)
    assert (found["plant"].amount, found["take_in"].amount) == (1, 1)


def test_where_trees_are_cut_back_for_their_wood_more_of_them_are_cut_back() -> None:
    (one,) = {
        lift.text
        for way, lift in ways([tree("A", 40)], 30, new=tree("N", 40, kind="dehorned")).items()
        if way == "plant"
    }
    assert one.startswith("cut back 1 more tree of it for later years")


def test_visits_of_fewer_sticks_are_named_where_they_would_lift_it() -> None:
    small = [tree(code, 12, limits=replace(LIMITS, least_visit=7)) for code in "AB"]
    found = ways(small, 10)["small_visits"]
    assert (found.amount, found.text) == (10, "with visits of fewer than 7 sticks: 10 of the 10")
    assert lacks([tree(code, 12) for code in "AB"], 10) == 0


def test_its_json() -> None:
    (told,) = (lift.to_dict() for lift in ways([], 3).values())
    assert told == {
        "way": "take_in",
        "cultivar": "Ostra",
        "amount": 3,
        "text": "take 3 in 2027 from elsewhere",
        "season": None,
        "trees": (),
    }
