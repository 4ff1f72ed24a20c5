"""How many trees to look at: the published table, every sample counted out, and the demo."""

import csv
import itertools
import json
import math
from collections.abc import Callable, Sequence

import pytest
from conftest import Filled
from hypothesis import given, settings
from hypothesis import strategies as st
from nursery import LOT, add, furnish

from scionreg.api import Registry
from scionreg.cli.telling_sample import tell_sample
from scionreg.identity.sampling import (
    Group,
    chance_of_finding,
    chance_unseen,
    laid_together,
    off_at,
    still_possible,
    still_possible_after,
    trees_to_look_at,
)
from scionreg.records.errors import RegistryError
from scionreg.registry.store import Store
from tests.conftest import Said

Run = Callable[..., Said]
RATES = st.sampled_from((0.3, 0.7, 0.95, 1.0))


@pytest.mark.parametrize(
    ("trees", "expected"), [(100, (45, 78, 95)), (1000, (57, 138, 258)), (10_000, (59, 148, 294))]
)
def test_sample_sizes_are_those_of_the_published_table(
    trees: int, expected: tuple[int, ...]
) -> None:
    """ISPM 31 (IPPC/FAO 2008), 95 % confidence, levels 5, 2 and 1 %; table from memory."""
    found = tuple(
        trees_to_look_at(trees, off_at(trees, level), 0.95) for level in (0.05, 0.02, 0.01)
    )
    assert found == expected


@pytest.mark.parametrize(
    ("level", "looked", "percent"),
    [(0.05, 30, 79), (0.05, 60, 95), (0.02, 60, 70), (0.02, 100, 87), (0.01, 100, 63)],
)
def test_the_chances_that_growers_are_told(level: float, looked: int, percent: int) -> None:
    """Of a lot without end, 1 − (1 − level)^looked; common practice, no source."""
    trees = 1_000_000
    found = chance_of_finding(trees, off_at(trees, level), looked)
    assert round(100 * found) == percent == round(100 * (1 - (1 - level) ** looked))


@pytest.mark.parametrize(
    ("trees", "level", "off"),
    [(150, 0.05, 7), (199, 0.01, 1), (20, 0.02, 1), (100, 0.29, 29), (1000, 0.007, 7)],
)
def test_off_types_at_a_level_are_rounded_down_to_one_at_least(
    trees: int, level: float, off: int
) -> None:
    assert off_at(trees, level) == off


def counted_out(trees: int, off: int, rates: list[float]) -> float:
    """Return the chance that nothing is found, by placing the off-types in every way.

    `rates` is the share found at each tree looked at; the rest was not looked at.
    """
    missed = [1 - rate for rate in rates] + [1.0] * (trees - len(rates))
    chances = []
    for places in itertools.combinations(range(trees), off):
        chance = 1.0
        for place in places:
            chance *= missed[place]
        chances.append(chance)
    return sum(chances) / len(chances)


@given(st.integers(1, 8), st.data())
def test_chances_are_those_of_every_way_to_place_off_types(trees: int, data: st.DataObject) -> None:
    off = data.draw(st.integers(0, trees))
    looked = data.draw(st.integers(0, trees))
    rate = data.draw(RATES)
    found = chance_of_finding(trees, off, looked, rate)
    assert found == pytest.approx(1 - counted_out(trees, off, [rate] * looked))


@given(st.integers(1, 8), st.data())
def test_looks_by_several_methods_are_those_of_every_way(trees: int, data: st.DataObject) -> None:
    rates = data.draw(st.lists(RATES, max_size=trees))
    groups = [Group(rates.count(rate), rate) for rate in sorted(set(rates))]
    off = data.draw(st.integers(0, trees))
    found = chance_unseen(trees, off, groups)
    assert found == pytest.approx(counted_out(trees, off, rates), abs=1e-12)


def test_more_trees_than_there_are_cannot_have_been_looked_at() -> None:
    with pytest.raises(RegistryError, match="more trees were looked at than the 5"):
        chance_unseen(5, 2, [Group(3, 1.0), Group(3, 0.7)])


@settings(max_examples=60)
@given(st.integers(1, 300), st.floats(0.001, 1), st.sampled_from((0.8, 0.95, 0.99)), RATES)
def test_the_number_is_the_smallest_that_will_do(
    trees: int, level: float, confidence: float, rate: float
) -> None:
    off = off_at(trees, level)
    found = trees_to_look_at(trees, off, confidence, rate)
    if found is None:
        assert chance_of_finding(trees, off, trees, rate) < confidence
    else:
        assert chance_of_finding(trees, off, found, rate) >= confidence - 1e-9
        assert chance_of_finding(trees, off, found - 1, rate) < confidence


def test_a_level_found_just_as_surely_as_asked_is_no_longer_possible() -> None:
    """One of 50 trees is among 45 of them in exactly 0.9."""
    assert trees_to_look_at(50, 1, 0.9) == 45
    assert still_possible(50, 45, 0.9) == 0
    assert still_possible_after(50, [Group(45, 1.0)], 0.9) == 0
    assert still_possible(50, 44, 0.9) == 1


@settings(max_examples=60)
@given(st.integers(2, 300), st.data())
def test_a_clean_look_of_that_number_allows_fewer_than_were_to_be_found(
    trees: int, data: st.DataObject
) -> None:
    off = data.draw(st.integers(1, trees))
    rate = data.draw(RATES)
    found = trees_to_look_at(trees, off, 0.9, rate)
    if found is not None:
        assert still_possible(trees, found, 0.9, rate) < off
        assert still_possible(trees, found, 0.9, rate) <= still_possible(
            trees, found - 1, 0.9, rate
        )


@settings(max_examples=60)
@given(st.integers(1, 60), st.data())
def test_one_kind_of_look_is_a_group_of_its_own(trees: int, data: st.DataObject) -> None:
    looked, rate = data.draw(st.integers(1, trees)), data.draw(RATES)
    assert still_possible_after(trees, [Group(looked, rate)], 0.9) == still_possible(
        trees, looked, 0.9, rate
    )
    # Looking again elsewhere, or better, never allows more.
    assert still_possible(trees, looked, 0.9, 1.0) <= still_possible(trees, looked, 0.9, rate)


def test_all_seen_and_none_off_leaves_none() -> None:
    assert still_possible(40, 40, 0.95) == 0
    assert still_possible(40, 40, 0.95, 0.7) == 2
    assert still_possible(40, 0, 0.95) == 40


def test_those_found_are_among_those_possible() -> None:
    assert still_possible(40, 40, 0.95, 1.0, found=3) == 3
    assert still_possible(40, 10, 0.95, 1.0, found=10) == 40


# In a registry


def furnish_twice_grafted(store: Store) -> None:
    furnish(store)
    add(store, "graft_lots", bundle="B26-0001-7", grafts=20, **LOT, block=None)


@pytest.fixture
def furnished(filled: Filled) -> Registry:
    return Registry(filled(furnish_twice_grafted))


LOT_CODE = "G26-0001-7"


def test_a_lot_that_was_not_counted_has_its_grafts(furnished: Registry) -> None:
    found = furnished.sample(LOT_CODE, level=10)
    assert (found.trees, found.off, found.looks, found.possible) == (20, 2, (), None)
    assert "not counted" in found.trees_are


def test_a_counted_lot_has_what_grew(furnished: Registry) -> None:
    for date, pushing in (("2026-05-20", 18), ("2026-10-01", 15)):
        add(furnished.store, "take_counts", graft_lot=LOT_CODE, date=date, pushing=pushing)
    assert furnished.sample(LOT_CODE).trees == 15
    assert furnished.sample(LOT_CODE, trees=12).trees == 12
    furnished.correct(
        "take_counts", f"{LOT_CODE}/2026-10-01", why="all dead", recorder="P01", pushing=0
    )
    with pytest.raises(RegistryError, match="no tree of G26-0001-7 grew"):
        furnished.sample(LOT_CODE)


def test_looks_at_other_trees_add_up_and_at_the_same_trees_are_better(furnished: Registry) -> None:
    def look(**more: object) -> int | None:
        made = {"item": LOT_CODE, "method": "leaf", "checked": 8, "off": 0, "date": "2026-09-01"}
        add(furnished.store, "identity_checks", **made | more)
        return furnished.sample(LOT_CODE).possible

    first = look(check="K1")
    again = look(check="K2", reference="same trees as K1")
    more = look(check="K3")
    assert first == still_possible(20, 8, 0.95, 0.7)
    assert again == still_possible(20, 8, 0.95, 1 - 0.3**2)
    assert more == still_possible(20, 8, 0.95, 1 - 0.3**3), "which trees, nobody wrote down"
    assert first > again >= more
    found = furnished.sample(LOT_CODE)
    assert (found.looked_at, found.looked_at_if_apart) == (8, 16)
    apart = still_possible_after(20, [Group(8, 0.91), Group(8, 0.7)], 0.95)
    assert found.possible_if_apart == apart
    assert found.possible is not None
    assert found.possible > apart
    assert look(check="K4", method="paper") == more
    assert look(check="K5", off=1, found="other") is None


def test_looks_at_positions_that_differ_add_up(furnished: Registry) -> None:
    look = {"item": LOT_CODE, "method": "leaf", "off": 0, "date": "2026-09-01"}
    add(furnished.store, "identity_checks", check="K1", checked=8, positions_checked="1-8", **look)
    add(furnished.store, "identity_checks", check="K2", checked=4, positions_checked="7-10", **look)
    found = furnished.sample(LOT_CODE)
    assert (found.looked_at, found.possible) == (10, found.possible_if_apart)
    assert found.possible == still_possible_after(20, [Group(8, 0.7), Group(2, 0.91)], 0.95)


def test_it_is_said_that_looks_without_positions_are_taken_as_at_the_same_trees(
    furnished: Registry, capsys: pytest.CaptureFixture[str]
) -> None:
    look = {"item": LOT_CODE, "off": 0, "date": "2026-09-01"}
    add(furnished.store, "identity_checks", check="K1", checked=10, method="fruit", **look)
    add(furnished.store, "identity_checks", check="K2", checked=6, method="dna", **look)
    tell_sample(furnished.sample(LOT_CODE))
    out = capsys.readouterr().out
    assert "All looks together, at 10 trees at least: up to" in out
    assert "Looks without positions are taken to be at the same trees; if they were at different "
    assert "ones, 16 trees: up to" in out


PLACED = st.lists(st.integers(1, 4), max_size=2, unique=True)
LOOKS = st.lists(st.tuples(PLACED, st.integers(0, 2)), min_size=1, max_size=3)


@given(LOOKS, st.lists(st.sampled_from([0.5, 0.7, 0.95]), min_size=3, max_size=3))
def test_the_worst_case_is_the_worst_of_every_way_to_place_looks(
    looks: list[tuple[list[int], int]], rates: list[float]
) -> None:
    """Four positions; each look names some, and was at so many more that nobody wrote down."""
    names = [
        [*map(str, placed), *(f"K{k} tree {i}" for i in range(more))]
        for k, (placed, more) in enumerate(looks)
    ]
    known_by = {tree: tree[:2] for trees in names for tree in trees if "tree" in tree}
    found = laid_together(names, rates[: len(looks)], known_by)
    ways = [
        [
            (*placed, *others)
            for others in itertools.combinations(sorted({1, 2, 3, 4} - {*placed}), more)
        ]
        for placed, more in looks
    ]

    def unseen(chances: Sequence[float], off: int) -> float:
        every = [*chances, *([1.0] * (4 - len(chances)))]
        return sum(math.prod(some) for some in itertools.combinations(every, off))

    for off in (1, 2, 3, 4):
        worst = 0.0
        for way in itertools.product(*ways):
            at = [1.0] * 4
            for trees, rate in zip(way, rates, strict=False):
                for tree in trees:
                    at[tree - 1] *= 1 - rate
            worst = max(worst, unseen(at, off))
        if all(not placed or not more for placed, more in looks):
            assert unseen(found, off) == pytest.approx(worst)
        else:
            assert unseen(found, off) >= worst - 1e-12


def test_the_trees_of_one_look_are_as_many_as_it_looked_at() -> None:
    known_by = {"K1 tree 0": "K1"}
    assert laid_together([["3", "4", "K1 tree 0"]], [0.7], known_by) == pytest.approx([0.3] * 3)
    again = [["3", "4", "K1 tree 0"], ["3", "4", "K1 tree 0"]]
    assert laid_together(again, [0.7, 0.5], known_by) == pytest.approx([0.15] * 3)


def test_the_find_rates_are_the_nursery_s_own(furnished: Registry) -> None:
    rates = {"dna": 0.995, "fruit": 0.95, "leaf": 0.7, "bud": 0.5}
    before = furnished.sample(trees=1000).by_method
    assert before == {
        method: trees_to_look_at(1000, 20, 0.95, rate) for method, rate in rates.items()
    }
    furnished.change_settings(recorder="P01", **{"identity.find_rate_bud": "1"})
    assert furnished.sample(trees=1000).by_method["bud"] == 138


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"lot": "nothing"}, "nothing is recorded under 'nothing'"),
        ({"lot": "T26-0001-7"}, "is a mother tree; name a graft lot or a dispatch"),
        ({"lot": f"{LOT_CODE}/3"}, "is a single tree; name its graft lot"),
        ({}, "how many of what"),
        ({"trees": 0}, "0 trees are no lot; give 1 to 1,000,000"),
        ({"trees": 10, "level": 0}, "a level of 0 % is none"),
        ({"trees": 10, "confidence": 100}, "100 % sure cannot be had"),
        ({"trees": 10, "look_at": 11}, "11 of 10 trees cannot be looked at"),
    ],
)
def test_bad_questions_are_answered_in_a_sentence(
    furnished: Registry, asked: dict[str, object], said: str
) -> None:
    with pytest.raises(RegistryError, match=said):
        furnished.sample(**asked)


def test_a_grower_reads_how_many_and_what_is_left_open(run: Run, demo: str) -> None:
    code, out, err = run("sample", "G25-0243-6", "--look-at", "10", "--registry", demo)
    assert code == 0
    assert "30 trees (growing at the count of 2025-10-02)" in out
    assert "2 % (less than one tree, so taken as 1)" in out
    assert "All looks together, at 14 trees: up to 6 of 30 may be off (20%), 95 % sure." in out
    assert "at random over the whole lot" in err


def test_a_look_at_more_trees_than_there_are_now_is_told_of_those_looked_at(
    furnished: Registry, capsys: pytest.CaptureFixture[str]
) -> None:
    add(furnished.store, "take_counts", graft_lot=LOT_CODE, date="2026-10-01", pushing=1)
    look = {"item": LOT_CODE, "method": "leaf", "checked": 3, "off": 0, "date": "2026-09-01"}
    add(furnished.store, "identity_checks", check="K1", **look)
    tell_sample(furnished.sample(LOT_CODE))
    out = capsys.readouterr().out
    assert "leaf and habit of 3 trees, none off: by that alone up to 2 of 3 may be off (67%)" in out
    assert "All looks together, at 3 trees: up to 2 of 3 may be off (67%)" in out


def test_a_dispatch_has_what_was_sent_and_its_own_looks(run: Run, demo: str) -> None:
    code, out, _ = run("sample", "D26-0001-7", "--json", "--registry", demo)
    found = json.loads(out)
    assert (code, found["trees"], found["possible"]) == (0, 24, None)
    assert {(each["checked"], each["off"]) for each in found["looks"]} == {(24, 24), (2, 2)}


def test_the_answer_goes_into_a_spreadsheet(run: Run, demo: str) -> None:
    _, out, _ = run("sample", "--trees", "1000", "--csv", "--registry", demo)
    rows = list(csv.DictReader(out.splitlines()))
    assert [row["method"] for row in rows] == ["perfect", "dna", "fruit", "leaf", "bud"]
    assert (rows[0]["look_at"], rows[0]["off"]) == ("138", "20")
