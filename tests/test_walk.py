"""A day's trees in walking order, and the neighbours that must not be cut."""

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from orchards import orchard

from scionreg.rotation.beside import ACROSS, IN_ROW, WITHIN_FIX, do_not_cut, neighbours
from scionreg.rotation.rows import Spacing, Standing
from scionreg.rotation.walk import Asked, Walk, walk

START, FINISH = (47.0004, 10.9995), (46.999, 11.002)


def asked_for(trees: list[Standing], number: int, seed: int) -> list[Asked]:
    return [Asked(each.tree) for each in random.Random(seed).sample(trees, number)]


def walked(metres_of: Walk) -> float:
    """Return what the steps of a walk come to."""
    return sum(each.metres or 0 for each in metres_of.stops) + (metres_of.to_finish or 0)


@settings(max_examples=15)
@given(
    seed=st.integers(0, 10**6),
    number=st.integers(1, 40),
    start=st.sampled_from([None, START]),
    finish=st.sampled_from([None, FINISH]),
)
def test_every_tree_is_visited_once_and_the_steps_come_to_the_whole(
    seed: int, number: int, start: tuple[float, float] | None, finish: tuple[float, float] | None
) -> None:
    trees, blocks = orchard(2, 3, 8, turned=30)
    asked = asked_for(trees, number, seed)
    found = walk(asked, trees, blocks, start=start, finish=finish)
    assert sorted(found.codes) == sorted(each.tree for each in asked)
    assert [each.order for each in found.stops] == list(range(1, number + 1))
    assert walked(found) == pytest.approx(found.metres, abs=0.06 * (number + 1))
    assert found.bound <= found.metres
    assert (found.stops[0].metres is None) == (start is None)
    assert (found.to_finish is None) == (finish is None)
    assert not found.cautions


@settings(max_examples=15)
@given(st.integers(0, 10**6), st.integers(2, 6))
def test_no_order_of_a_few_trees_is_shorter(seed: int, number: int) -> None:
    trees, blocks = orchard(2, 2, 6)
    asked = asked_for(trees, number, seed)
    found = walk(asked, trees, blocks)
    # A walk of two trees is the way between them, so any order's length can be told.
    pairs = {
        frozenset((one.tree, other.tree)): walk([one, other], trees, blocks).metres
        for one, other in itertools.combinations(asked, 2)
    }
    least = min(
        sum(pairs[frozenset(step)] for step in itertools.pairwise(order))
        for order in itertools.permutations([each.tree for each in asked])
    )
    assert found.metres == pytest.approx(least, abs=0.1 * number)
    assert found.bound == found.metres


@pytest.mark.parametrize("seed", range(3))
def test_a_day_is_never_longer_than_row_by_row_to_and_fro(seed: int) -> None:
    trees, blocks = orchard(1, 6, 12, seed=seed)
    asked = asked_for(trees, 30, seed)
    found = walk(asked, trees, blocks)
    place = {each.tree: (each.row, each.position) for each in trees}
    by_row: dict[int, list[str]] = {}
    for each in sorted(asked, key=lambda a: place[a.tree]):
        by_row.setdefault(place[each.tree][0], []).append(each.tree)
    plain = [
        tree
        for turn, row in enumerate(by_row)
        for tree in (by_row[row][::-1] if turn % 2 else by_row[row])
    ]
    to_and_fro = sum(
        walk([Asked(one), Asked(other)], trees, blocks).metres
        for one, other in itertools.pairwise(plain)
    )
    assert found.metres <= to_and_fro + 0.1 * len(plain)


def test_one_tree_from_the_start_and_back() -> None:
    trees, blocks = orchard(1, 2, 4)
    found = walk([Asked("A-1-1")], trees, blocks, start=START, finish=START)
    assert found.stops[0].metres == found.to_finish == pytest.approx(found.metres / 2, abs=0.1)
    assert found.bound == found.metres


def test_blocks_nobody_measured_come_after_and_trees_without_a_place_last() -> None:
    trees, blocks = orchard(1, 2, 4)
    trees += [
        Standing("Z-2", "Fernhill", "Z", 1, 2),
        Standing("Z-1", "Fernhill", "Z", 1, 1),
        Standing("lost", "Fernhill", "A"),
        Standing("by the barn", "Oldgate", None, None, None, 47.0003, 11.0, 5.0),
    ]
    blocks["Z"] = Spacing(6.0, 5.0, "N", 4)
    asked = [Asked(each) for each in ("lost", "Z-2", "A-1-1", "Z-1", "by the barn")]
    found = walk(asked, trees, blocks)
    by_tree = {each.tree: each for each in found.stops}
    assert set(found.codes[:2]) == {"A-1-1", "by the barn"}
    assert found.codes[4] == "lost"
    assert by_tree["Z-1"].estimated
    assert not by_tree["A-1-1"].estimated
    assert [each.metres for each in found.stops[2:]] == [None, 5.0, None]
    assert any("block Z" in says for says in found.cautions)
    assert any("the place of 1 of the trees is not recorded" in says for says in found.cautions)


def test_rows_of_a_block_in_which_only_a_stray_tree_was_measured_are_walked_beside_it() -> None:
    trees = [
        *(Standing(f"{n}", "Fernhill", "A", 1, n) for n in (1, 4)),
        Standing("stray", "Oldgate", "A", None, None, 47.0, 11.0, 3.0),
    ]
    found = walk([Asked(each.tree) for each in trees], trees, {"A": Spacing(6.0, 4.0, "N", 4)})
    assert sorted(found.codes) == ["1", "4", "stray"]
    assert [each.estimated for each in sorted(found.stops, key=lambda s: s.tree)] == [
        True,
        True,
        False,
    ]
    assert 12.0 <= found.metres < 40.0


def test_start_and_finish_of_trees_nobody_measured_do_not_count() -> None:
    trees = [Standing("1", "Fernhill", "Z", 1, 1), Standing("2", "Fernhill", "Z", 1, 2)]
    found = walk([Asked("1"), Asked("2")], trees, {}, start=START)
    assert found.metres == 3.0
    assert "start and finish do not count" in found.cautions[-1]


def test_a_gate_makes_the_way_longer_and_is_obeyed() -> None:
    trees, blocks = orchard(2, 2, 6)
    asked = [Asked("A-2-1"), Asked("B-1-1")]
    free = walk(asked, trees, blocks).metres
    gated = walk(asked, trees, blocks, gates={"A": [(47.0010, 11.0)]}).metres
    assert free < 40 < 100 < gated


def test_the_date_line_is_no_end_of_the_world() -> None:
    trees = [
        Standing(f"{n}", "Fernhill", "A", 1, n, 52.0, 179.99995 + 4e-5 * n - 360 * (n > 1), 0.1)
        for n in (1, 2, 3)
    ]
    assert walk([Asked("1"), Asked("3")], trees, {}).metres == pytest.approx(5.5, abs=0.2)


def test_neighbours_of_another_cultivar_are_told_by_where_they_stand() -> None:
    def at(code: str, cultivar: str, row: int, position: int, fix: tuple = ()) -> Standing:
        return Standing(code, cultivar, "A", row, position, *fix)

    own = at("own", "Fernhill", 2, 5, (47.0, 11.0, 3.0))
    trees = [
        own,
        at("before", "Oldgate", 2, 4, (47.0, 11.00001, 3.0)),
        at("after", "Fernhill", 2, 6),
        at("left", "Oldgate", 1, 5),
        at("right", "Tallis", 3, 5),
        at("far", "Oldgate", 2, 9, (47.001, 11.0, 3.0)),
        Standing("stray", "Tallis", None, None, None, 47.00003, 11.0, 4.0),
        Standing("said", "Tallis", None, None, None, 47.00003, 11.0, 4.0, True),
        Standing("phone", "Tallis", None, None, None, 47.00005, 11.0),
    ]
    found = {each.tree: each.where for each in neighbours([own], trees)["own"]}
    assert found == {
        "before": IN_ROW,
        "left": ACROSS,
        "right": ACROSS,
        "stray": WITHIN_FIX,
        "phone": WITHIN_FIX,
    }
    assert do_not_cut(neighbours([own], trees)["own"]) == [
        "do not cut the next one: it is Oldgate (before)",
        "do not cut those across the row: Oldgate (left), Tallis (right)",
        "do not cut those that the fix does not tell apart: Tallis (stray), Tallis (phone)",
    ]


def test_the_forms_hold_the_same() -> None:
    trees, blocks = orchard(1, 2, 4)
    asked = [Asked("A-1-2", 12, ("old tag 7",), ("limb east only",)), Asked("A-2-2", 3)]
    found = walk(asked, trees, blocks)
    plain, frame = found.to_dict(), found.to_frame()
    assert list(frame["tree"]) == [each["tree"] for each in plain["stops"]] == list(found.codes)
    assert plain.keys() == {"stops", "metres", "bound", "to_finish", "cautions"}
    first = next(each for each in plain["stops"] if each["tree"] == "A-1-2")
    assert (first["sticks"], first["marks"], first["cautions"]) == (
        12,
        ["old tag 7"],
        ["limb east only"],
    )
    beside = [each["tree"] for each in first["neighbours"]]
    assert frame.set_index("tree").loc["A-1-2", "neighbours"] == ";".join(beside)
