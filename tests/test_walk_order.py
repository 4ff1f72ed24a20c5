"""A short order: the shortest where few are visited, and near what no order can beat elsewhere."""

import itertools
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scionreg.rotation.shortest import ALL_TRIED, bound, improved, length, shortest_of

Metres = np.ndarray


def on_a_plane(places: int, seed: int) -> Metres:
    """Return distances between random places of a plane, in metres."""
    at = np.random.default_rng(seed).uniform(0, 100, (places, 2))
    return np.asarray(np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)))


def in_rows(places: int, seed: int) -> Metres:
    """Return distances between places of rows 6 m apart that are changed at either end."""
    dice = random.Random(seed)
    at = [(dice.randrange(5), dice.uniform(0, 80)) for _ in range(places)]
    return np.array(
        [
            [abs(x - y) if r == s else 6 * abs(r - s) + min(x + y, 160 - x - y) for s, y in at]
            for r, x in at
        ]
    )


def by_subsets(metres: Metres) -> float:
    """Return the least length from the first place through all to the last, set by set.

    R. Bellman 1962, Dynamic programming treatment of the travelling salesman problem, J. ACM 9.
    """
    last = len(metres) - 1
    inner = range(1, last)
    best = {(frozenset([i]), i): metres[0, i] for i in inner}
    for size in range(2, last):
        for some in itertools.combinations(inner, size):
            its = frozenset(some)
            for i in some:
                before = its - {i}
                best[its, i] = min(best[before, j] + metres[j, i] for j in before)
    return float(min(best[frozenset(inner), i] + metres[i, last] for i in inner))


MAPS = st.sampled_from([on_a_plane, in_rows])


@settings(max_examples=60)
@given(st.integers(3, ALL_TRIED + 2), st.integers(0, 10**6), MAPS)
def test_few_places_are_visited_in_the_shortest_order(places: int, seed: int, ground) -> None:
    metres = ground(places, seed)
    order = shortest_of(metres, range(places))
    assert sorted(order) == list(range(places))
    assert (order[0], order[-1]) == (0, places - 1)
    assert length(metres, order) == pytest.approx(by_subsets(metres))


@settings(max_examples=25)
@given(st.integers(6, 11), st.integers(0, 10**6), MAPS)
def test_more_places_are_visited_in_an_order_hardly_longer(places: int, seed: int, ground) -> None:
    metres = ground(places, seed)
    order = improved(metres, range(places))
    least = by_subsets(metres)
    assert least - 1e-6 <= length(metres, order) <= 1.03 * least + 1e-6
    assert bound(metres, order) <= least + 1e-6


@settings(max_examples=8)
@given(st.integers(1, 40), st.integers(0, 10**6), MAPS)
def test_an_order_is_never_made_longer_and_keeps_its_ends(places: int, seed: int, ground) -> None:
    metres = ground(places + 2, seed)
    given_order = [0, *random.Random(seed).sample(range(1, places + 1), places), places + 1]
    order = improved(metres, given_order)
    assert sorted(order) == sorted(given_order)
    assert (order[0], order[-1]) == (0, places + 1)
    assert length(metres, order) <= length(metres, given_order) + 1e-6
    assert bound(metres, order) <= length(metres, order) + 1e-6
    assert improved(metres, given_order) == order


def test_no_swap_of_two_or_turn_of_a_stretch_shortens_it_further() -> None:
    metres = on_a_plane(40, 3)
    order = improved(metres, range(40))
    for i, j in itertools.combinations(range(1, 39), 2):
        turned = [*order[:i], *order[i : j + 1][::-1], *order[j + 1 :]]
        # Only the nearest places are tried beside each other, so a little may be left.
        assert length(metres, turned) > 0.995 * length(metres, order)


def test_along_a_line_the_bound_is_the_way() -> None:
    at = np.array([0.0, 1, 3, 4, 8, 9, 20, 21, 30])
    metres = np.abs(at[:, None] - at[None])
    order = improved(metres, [0, 3, 5, 1, 2, 7, 4, 6, 8])
    assert order == list(range(9))
    assert bound(metres, order) == pytest.approx(30)


def test_nothing_between_the_ends_is_no_search() -> None:
    metres = np.array([[0.0, 5.0], [5.0, 0.0]])
    assert improved(metres, [0, 1]) == shortest_of(metres, [0, 1]) == [0, 1]
    assert bound(metres, [0, 1]) == 5


@pytest.mark.parametrize("seed", [1, 2])
def test_a_large_walk_is_near_what_no_order_can_beat(seed: int) -> None:
    metres = on_a_plane(120, seed)
    order = improved(metres, range(120))
    assert length(metres, order) <= 1.03 * bound(metres, order)
