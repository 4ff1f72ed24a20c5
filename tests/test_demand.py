"""From trees to be sold to sticks to be cut."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scionreg.records.errors import RegistryError
from scionreg.rotation.demand import (
    LotTake,
    Order,
    expected_take,
    grafts_for,
    needs_of,
    sticks_for,
    wanted_of,
)


def lots(*taken: int, grafts: int = 100, method: str = "whip") -> list[LotTake]:
    return [LotTake(cultivar="Brellan", method=method, grafts=grafts, taken=n) for n in taken]


def test_the_worked_example() -> None:
    """Two thousand pecans at a take of 70 %, reckoned by hand with the starting values."""
    assert grafts_for(2000, 0.70) == 3451
    assert sticks_for(3451) == 4466


def test_without_lots_the_methods_usual_take_holds() -> None:
    assert expected_take("Brellan", "whip", []).take == pytest.approx(0.70)


@given(st.lists(st.integers(0, 100), min_size=1, max_size=12))
def test_take_lies_between_own_and_usual_and_must_fill_below(taken: list[int]) -> None:
    own = lots(*taken)
    mean = expected_take("Brellan", "whip", own)
    low, high = sorted((sum(taken) / 100 / len(taken), 0.70))
    assert max(0.01, low - 1e-9) <= mean.take <= high + 1e-9
    assert expected_take("Brellan", "whip", own, must_fill=True).take <= mean.take


def test_must_fill_takes_the_low_fifth_of_many_lots() -> None:
    own = lots(30, 40, 60, 70, 80, 82, 84, 86, 88, 90)
    assert expected_take("Brellan", "whip", own, must_fill=True).take == 0.40


def test_buds_need_fewer_sticks_and_wood_in_store_counts_once() -> None:
    orders = [Order(cultivar="Brellan", season=2027, trees=n) for n in (100, 200)]
    chip, whip = (needs_of(orders, [], method=m) for m in ("chip_bud", "whip"))
    assert chip[0].sticks < whip[0].sticks / 3
    stored = needs_of(orders, [], {("Brellan", 2027): 300.0}, method="whip")
    assert [each.in_store for each in stored] == [whip[0].sticks, 300 - whip[0].sticks]
    assert stored[0].to_cut == 0
    (wanted,) = wanted_of(stored, 2027)
    assert (wanted.season, wanted.sticks) == (0, sum(each.sticks for each in whip) - 300)


def test_grafts_made_already_count_before_wood_in_store() -> None:
    orders = [Order(cultivar="Brellan", season=2027, trees=n) for n in (100, 200)]
    whole = needs_of(orders, [], method="whip")
    made = {("Brellan", 2027): whole[0].grafts + 40}
    first, second = needs_of(orders, [], {("Brellan", 2027): 10.0}, made, method="whip")
    assert (first.grafted, first.to_cut, first.in_store) == (whole[0].grafts, 0, 0)
    assert second.grafted == 40
    assert second.to_cut == sticks_for(whole[1].grafts - 40) - 10
    assert second.sticks == whole[1].sticks


def test_an_unknown_method_is_refused() -> None:
    with pytest.raises(RegistryError, match="is no method"):
        needs_of([Order(cultivar="Brellan", season=2027, trees=1)], [], method="glue")
