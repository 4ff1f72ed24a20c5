"""How hard trees were cut, signs of it, rest; and whether a tree may be a source."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scionreg.records.starting_values import RotationValues
from scionreg.rotation.capacity import CutTree, SeasonCut
from scionreg.rotation.cutting_plan import plan
from scionreg.rotation.pressure import (
    NO_LIMIT,
    CutState,
    TakeAgainstMates,
    cut_status,
    limits_of,
    one_a_season,
    pressure_in,
    signs_of,
)
from scionreg.rotation.supply import TreeSupply, Wanted

VALUES = RotationValues()


def cut(season: int, share: float | None, **more: object) -> SeasonCut:
    told = {"sticks": 100, "counted": True, **more}
    return SeasonCut(season=season, share=share, **told)  # type: ignore[arg-type]


def tree(*cuts: SeasonCut, kind: str = "bearing") -> CutTree:
    return CutTree(tree="A", kind=kind, species="Carya illinoinensis", cuts=cuts)


def test_pressure_weighs_the_last_seasons() -> None:
    assert pressure_in([0.75, 0.66, 0.58]) == pytest.approx(0.6 * 0.75 + 0.3 * 0.66)
    assert pressure_in([0.75, 0.66, 0.58], 1) == pytest.approx(0.3 * 0.75)
    assert pressure_in([0.75], 2) == 0


def test_a_cut_in_leaf_counts_half_as_much_again() -> None:
    found = cut_status(tree(cut(2026, 0.2, in_leaf=True)), 2027, 100)
    assert found.past[0] == pytest.approx(0.3)


def test_a_share_not_written_down_is_sticks_of_what_it_grows() -> None:
    assert cut_status(tree(cut(2026, None, sticks=30)), 2027, 120).past[0] == 0.25


def test_a_bearing_tree_lightly_cut_is_fit() -> None:
    found = cut_status(tree(cut(2026, 0.2)), 2027, 100)
    assert (found.state, found.until, found.why) == (CutState.FIT, None, ())


def test_bank_trees_take_turns_where_others_suffice() -> None:
    """Cut whole every winter they would do as well for the orders, and be visited less."""
    limits = limits_of(tree(kind="bank"), 2027, VALUES)
    trees = [
        TreeSupply(tree=f"T{n}", cultivar="A", kind="bank", capacity=(100.0,) * 3, limits=limits)
        for n in range(6)
    ]
    wanted = [Wanted(cultivar="A", season=season, sticks=270) for season in range(3)]
    made = plan(trees, wanted, 3, seconds=5)
    assert not any(row.shortfall for row in made.seasons)
    assert max(row.pressure for row in made.trees) <= VALUES.watch_bank + 0.02
    careless = [replace(each, limits=replace(limits, watch=NO_LIMIT)) for each in trees]
    assert max(row.pressure for row in plan(careless, wanted, 3, seconds=5).trees) > 1.5


@pytest.mark.parametrize(("share", "until"), [(0.26, 2028), (0.51, 2029)])
def test_a_heavy_cut_of_a_bearing_tree_is_followed_by_rest(share: float, until: int) -> None:
    found = cut_status(tree(cut(2026, share)), 2027, 100)
    assert (found.state, found.until) == (CutState.REST, until)


def test_a_rest_ends() -> None:
    assert cut_status(tree(cut(2024, 0.6)), 2027, 100).state is CutState.FIT


def test_a_bank_tree_is_judged_by_vigour_not_by_share() -> None:
    strong = tree(*(cut(y, 1.0, shoot_length_cm=80) for y in (2024, 2025, 2026)), kind="bank")
    assert cut_status(strong, 2027, 100).state is CutState.FIT
    weak = tree(cut(2026, 0.8, shoot_length_cm=40), kind="bank")
    assert cut_status(weak, 2027, 100).state is CutState.WATCH
    low = TakeAgainstMates(difference=-0.2, low=-0.3, high=-0.1, grafts=80)
    found = cut_status(weak, 2027, 100, take=low)
    assert (found.state, found.until) == (CutState.REST, 2028)
    assert "40 cm" in found.why[0]
    assert "20 points" in found.why[0]


def test_yield_must_fall_twice_running_at_a_known_share() -> None:
    def seen(*sticks: int, share: float | None = 0.5) -> list[str]:
        cuts = [cut(2024 + i, share, sticks=each) for i, each in enumerate(sticks)]
        return [each.sign for each in signs_of(tree(*cuts), 2027, None, VALUES)]

    assert seen(100, 75, 50) == ["falling_yield"]
    assert seen(100, 75, 70) == []
    assert seen(100, 75) == []
    assert seen(100, 75, 50, share=None) == []


@pytest.mark.parametrize(
    "figures",
    [
        {"grafts": 49},
        {"difference": -0.1},
        {"high": 0.01},
    ],
)
def test_take_that_may_be_chance_or_is_slight_is_no_sign(figures: dict[str, float]) -> None:
    low = TakeAgainstMates(difference=-0.2, low=-0.3, high=-0.1, grafts=80)
    assert [s.sign for s in signs_of(tree(), 2027, low, VALUES)] == ["low_take"]
    assert signs_of(tree(), 2027, replace(low, **figures), VALUES) == ()


@given(st.lists(st.floats(0, 1), min_size=3, max_size=3), st.integers(0, 2), st.floats(0.001, 0.5))
def test_cutting_more_never_ends_a_rest_sooner(shares: list[float], at: int, more: float) -> None:
    def until(given: list[float]) -> int:
        cuts = (cut(2024 + i, share, sticks=1) for i, share in enumerate(given))
        return cut_status(tree(*cuts), 2027, 100, values=replace(VALUES, fall=1)).until or 2027

    harder = [min(1.0, s + more * (i == at)) for i, s in enumerate(shares)]
    assert until(harder) >= until(shares)


def test_cuts_of_one_season_are_summed() -> None:
    both = one_a_season([(2026, cut(2026, 0.2)), (2026, cut(2026, 0.1)), (2025, cut(2025, None))])
    assert [(c.season, c.sticks, c.share) for c in both] == [
        (2025, 100, None),
        (2026, 200, pytest.approx(0.3)),
    ]
