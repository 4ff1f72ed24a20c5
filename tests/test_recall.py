"""Recall: everything that may share a source, and what is excluded."""

import datetime as dt
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scionreg.lineage.recall import Recall, recall
from scionreg.lineage.recall_items import Item, OfCode, OfCutter, OfGrafter, OfStore
from scionreg.lineage.trace import trace
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.vocabulary import Reach
from scionreg.registry.store import Store
from tests.naive_chain import NaiveChain, Node
from tests.small_registries import bundle, collection, day, dispatch, holding, lot, small
from tests.strategies import Rows, registries

ONE_STORE = settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
"""Every example is taken back before the next, so that one registry serves them all."""


def recalled(store: Store, records: Rows, *items: Item | str) -> Recall:
    asked = [OfCode(item) if isinstance(item, str) else item for item in items]
    with holding(store, records) as connection:
        return recall(connection, asked)


def grades(found: Sequence[Any]) -> dict[str, str]:
    return {item[0]: item.grade.value for item in found}


def mixed() -> Rows:
    """Return the small registry with a bundle B3 of both trees' wood, grafted as G3 and sent."""
    records = small()
    records["bundles"] += [bundle("B3", sticks=20)]
    records["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 15},
        {"bundle": "B3", "parent": "B2", "sticks": 5},
    ]
    records["graft_lots"] += [lot("G3", "B3", row=3)]
    records["dispatches"] = [
        dispatch("D1", "G1"),
        dispatch("D2", "G2", customer="CU2"),
        dispatch("D3", "G3", customer="CU3"),
    ]
    return records


# What is reached


@pytest.mark.parametrize("code", ["T1", "C1", "B1"])
def test_all_wood_of_one_source_is_certain_and_mixed_wood_possible(store: Store, code: str) -> None:
    found = recalled(store, mixed(), code)
    assert grades(found.bundles) == {"B1": "certain", "B3": "possible"}
    assert grades(found.graft_lots) == {"G1": "certain", "G3": "possible"}
    assert grades(found.dispatches) == {"D1": "certain", "D3": "possible"}
    assert {each.graft_lot: each.share for each in found.graft_lots} == {"G1": 1, "G3": 0.75}
    assert found.customers() == {"CU1": {"certain": 5}, "CU3": {"possible": 5}}


def test_items_are_taken_together(store: Store) -> None:
    found = recalled(store, mixed(), "T1", "T2")
    assert set(grades(found.graft_lots).values()) == {"certain"}
    assert set(grades(found.bundles)) == {"B1", "B2", "B3"}


def test_a_graft_lot_reaches_its_own_trees_only(store: Store) -> None:
    found = recalled(store, mixed(), "G1")
    assert not found.bundles
    assert grades(found.graft_lots) == {"G1": "certain"}
    assert grades(found.dispatches) == {"D1": "certain"}


def test_a_dispatch_stands_for_itself(store: Store) -> None:
    records = small()
    records["dispatches"] = [dispatch("D1", "G1"), dispatch("D1", "G2"), dispatch("D2", "G1")]
    found = recalled(store, records, "D1")
    assert [(line.dispatch, line.graft_lot) for line in found.dispatches] == [
        ("D1", "G1"),
        ("D1", "G2"),
    ]
    assert set(grades(found.dispatches).values()) == {"certain"}


def test_sticks_left_are_those_that_nobody_took(store: Store) -> None:
    found = recalled(store, mixed(), "T1")
    assert {each.bundle: each.sticks_left for each in found.bundles} == {"B1": 5, "B3": 0}


# Limbs


def limbs() -> Rows:
    records = small()
    records["collections"] += [
        collection("C3", "T1", limb="S"),
        collection("C4", "T1", limb=None),
    ]
    records["bundles"] += [bundle("B3", collection="C3"), bundle("B4", collection="C4")]
    return records


def test_wood_of_an_unknown_limb_is_possible_and_of_another_limb_excluded(store: Store) -> None:
    found = recalled(store, limbs(), OfCode("T1", "N"))
    assert grades(found.bundles) == {"B1": "certain", "B4": "possible"}
    assert [(each.bundle, each.because) for each in found.excluded] == [
        ("B3", "cut from limb S of T1")
    ]


def test_a_whole_tree_excludes_none_of_its_wood(store: Store) -> None:
    found = recalled(store, limbs(), "T1")
    assert set(grades(found.bundles).values()) == {"certain"}
    assert not found.excluded


def test_a_limb_that_nothing_names_is_refused(store: Store) -> None:
    with pytest.raises(NotFoundError, match="no limb 'E' of T1 is recorded; its limbs are N, S"):
        recalled(store, limbs(), OfCode("T1", "E"))
    with pytest.raises(NotFoundError, match="no limb 'N' of T2 is recorded; recall the whole"):
        recalled(store, limbs(), OfCode("T2", "N"))
    events = [{"tree": "T1", "date": day("2026-02-01"), "event": "topworked", "limb": "E"}]
    found = recalled(store, {**limbs(), "tree_events": events}, OfCode("T1", "E"))
    assert {each.bundle for each in found.bundles} == {"B4"}  # of a limb that nobody wrote down


def test_a_limb_of_what_has_none_is_refused(store: Store) -> None:
    with pytest.raises(RegistryError, match="only mother trees have limbs"):
        recalled(store, limbs(), OfCode("B1", "N"))


def test_other_cuttings_of_the_same_tree_are_named_as_excluded(store: Store) -> None:
    found = recalled(store, limbs(), "C1")
    assert {each.bundle for each in found.excluded} == {"B3", "B4"}
    assert all("in another cutting" in each.because for each in found.excluded)


def test_other_bundles_of_the_same_collection_are_named_as_excluded(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", collection="C1", sticks=10)]
    found = recalled(store, records, "B1")
    assert [(each.bundle, each.because) for each in found.excluded] == [
        ("B3", "another bundle of C1")
    ]


# Regrafts


def regrafted(**more: Any) -> Rows:
    records = small()
    made = {"regraft_of": "G1", "date": day("2026-04-20"), "first": 8, "last": 12, "grafts": 5}
    records["graft_lots"] += [lot("G3", "B2", **{**made, **more})]
    records["dispatches"] = [
        dispatch("D1", "G1", first=1, last=5),
        dispatch("D2", "G1", first=8, last=12),
        dispatch("D3", "G1", first=6, last=9, trees=4),
        dispatch("D4", "G1", first=None, last=None),
        dispatch("D5", "G1", first=8, last=12, date=day("2026-04-01")),
    ]
    return records


def test_regrafted_positions_belong_to_the_wood_of_the_regraft(store: Store) -> None:
    first = recalled(store, regrafted(), "T1")
    assert grades(first.dispatches) == {
        "D1": "certain",
        "D3": "possible",
        "D4": "possible",
        "D5": "certain",
    }
    assert {each.graft_lot: each.positions for each in first.graft_lots} == {"G1": "1-7;13-20"}
    second = recalled(store, regrafted(), "T2")
    assert grades(second.dispatches) == {"D2": "certain", "D3": "possible", "D4": "possible"}


def test_a_regraft_of_some_trees_in_its_range_leaves_both_woods_possible(store: Store) -> None:
    records = regrafted(first=1, last=20)
    for code in ("T1", "T2"):
        found = recalled(store, records, code)
        assert grades(found.dispatches)["D2"] == "possible"


def test_trees_booked_on_a_lot_of_other_wood_that_was_regrafted_again_are_reached(
    store: Store,
) -> None:
    records = regrafted(first=8, last=12)
    again = {"regraft_of": "G3", "date": day("2026-05-20"), "first": 10, "last": 11, "grafts": 2}
    records["graft_lots"] += [lot("G4", "B1", **again)]
    records["dispatches"] = [
        dispatch("D1", "G3", first=10, last=10, trees=1),
        dispatch("D2", "G3", first=9, last=10, trees=2),
        dispatch("D3", "G3", first=8, last=9, trees=2),
    ]
    records["mother_trees"] += [
        {"tree": "T3", "cultivar": "Aldern", "graft_lot": "G3", "graft_position": 11}
    ]
    found = recalled(store, records, "T1")
    assert grades(found.dispatches) == {"D1": "certain", "D2": "possible"}
    assert grades(found.mother_trees) == {"T3": "certain"}


def test_a_single_tree_reaches_dispatches_that_may_hold_it(store: Store) -> None:
    records = small()
    records["dispatches"] = [
        dispatch("D1", "G1", first=3, last=3, trees=1),
        dispatch("D2", "G1", first=4, last=8),
        dispatch("D3", "G1", first=None, last=None),
        dispatch("D4", "G1", first=1, last=3, trees=3),
    ]
    found = recalled(store, records, "G1/3")
    assert grades(found.dispatches) == {"D1": "certain", "D3": "possible", "D4": "possible"}


# Generations


def grown() -> Rows:
    records = mixed()
    records["mother_trees"] += [
        {"tree": "T3", "cultivar": "Aldern", "graft_lot": "G1"},
        {"tree": "T4", "cultivar": "Aldern", "graft_lot": "G3"},
    ]
    records["collections"] += [collection("C3", "T3"), collection("C4", "T4")]
    records["bundles"] += [bundle("B5", collection="C3"), bundle("B6", collection="C4")]
    records["graft_lots"] += [lot("G5", "B5"), lot("G6", "B6")]
    records["mother_trees"] += [{"tree": "T5", "cultivar": "Aldern", "graft_lot": "G5"}]
    return records


def test_progeny_is_reached_through_generations(store: Store) -> None:
    found = recalled(store, grown(), "T1")
    assert [(each.tree, each.generation, each.grade.value) for each in found.mother_trees] == [
        ("T3", 1, "certain"),
        ("T4", 1, "possible"),
        ("T5", 2, "certain"),
    ]
    assert grades(found.graft_lots) == {
        "G1": "certain",
        "G3": "possible",
        "G5": "certain",
        "G6": "possible",
    }


# Stores, hands


def test_wood_in_a_store_counts_from_its_stay_on(store: Store) -> None:
    records = small()
    move = {"bundle": "B1", "event": "moved", "store": "S2"}
    records["bundle_log"] = [{**move, "time": dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC)}]
    records["graft_lots"] += [
        lot("G3", "B1", date=day("2026-02-20")),
        lot("G4", "B1", date=day("2026-03-01")),
        lot("G5", "B1", date=None),
    ]
    found = recalled(store, records, OfStore("S2", day("2026-02-01"), day("2026-03-05")))
    assert grades(found.graft_lots) == {"G1": "certain", "G4": "possible", "G5": "possible"}
    assert grades(found.bundles) == {"B1": "certain"}
    before = recalled(store, records, OfStore("S2", None, day("2026-02-28")))
    assert not before.bundles
    after = recalled(store, records, OfStore("S1", day("2026-03-02")))
    assert grades(after.bundles) == {"B2": "certain"}


def test_wood_tied_anew_before_the_period_is_not_touched(store: Store) -> None:
    records = mixed()
    records["bundles"][2] |= {"packed": day("2026-02-01"), "store": "S2"}
    touched = recalled(store, records, OfStore("S1", day("2026-02-15"), day("2026-02-20")))
    assert set(grades(touched.bundles)) == {"B1", "B2"}
    earlier = recalled(store, records, OfStore("S1", day("2026-01-15"), day("2026-01-20")))
    assert grades(earlier.bundles)["B3"] == "certain"


def test_a_cutters_day_reaches_that_days_wood(store: Store) -> None:
    records = small()
    records["collections"][1] |= {"date": day("2026-01-12")}
    records["collections"] += [collection("C3", "T2", date=None)]
    records["bundles"] += [bundle("B3", collection="C3")]
    found = recalled(store, records, OfCutter("P1", day("2026-01-10")))
    assert grades(found.bundles) == {"B1": "certain", "B3": "possible"}
    assert set(grades(recalled(store, records, OfCutter("P1")).bundles)) == {"B1", "B2", "B3"}
    assert not recalled(store, records, OfCutter("P2")).bundles


def test_a_grafters_day_reaches_that_days_lots(store: Store) -> None:
    records = mixed()
    records["graft_lots"][1]["date"] = day("2026-03-21")
    found = recalled(store, records, OfGrafter("P3", day("2026-03-20")))
    assert grades(found.graft_lots) == {"G1": "certain", "G3": "certain"}
    assert grades(found.dispatches) == {"D1": "certain", "D3": "certain"}


@pytest.mark.parametrize("item", ["X9", OfStore("X9"), OfCutter("X9"), OfGrafter("X9")])
def test_what_is_not_recorded_cannot_be_recalled(store: Store, item: Item | str) -> None:
    with pytest.raises(NotFoundError, match="X9"):
        recalled(store, small(), item)


def test_nothing_asked_is_refused(store: Store) -> None:
    with pytest.raises(RegistryError, match="name what to recall"):
        recalled(store, small())


def test_the_json_form_has_the_promised_keys(store: Store) -> None:
    found = recalled(store, grown(), "T1")
    told = found.to_dict()
    promised = {
        "bundles": {"bundle", "sticks_left", "grade"},
        "graft_lots": {"graft_lot", "grafts", "positions", "share", "grade"},
        "dispatches": {"dispatch", "customer", "date", "trees", "grade"},
        "mother_trees": {"tree", "grade"},
    }
    assert told["code"] == "T1"
    for name, keys in promised.items():
        assert told[name]
        assert all(keys <= each.keys() for each in told[name])
    assert told["dispatches"][0]["date"] == "2026-11-05"
    assert (
        len(found.to_frame()) == len(found.to_rows()) == sum(len(told[name]) for name in promised)
    )


# Against the slow twin, and against trace


def listed(found: Recall) -> dict[Node, float]:
    shares: dict[Node, float] = {("bundle", each.bundle): each.share for each in found.bundles}
    shares |= {("graft_lot", each.graft_lot): each.share for each in found.graft_lots}
    shares |= {("tree", each.tree): each.share for each in found.mother_trees}
    shares |= {
        ("line", f"{each.dispatch}|{each.graft_lot}"): each.share for each in found.dispatches
    }
    return shares


ASKABLE = ("tree", "collection", "bundle", "graft_lot")


@given(records=registries(), data=st.data())
@ONE_STORE
def test_reach_and_shares_are_those_of_the_slow_twin(
    store: Store, records: Rows, data: st.DataObject
) -> None:
    naive = NaiveChain(records)
    nodes = [node for node in naive.nodes() if node[0] in ASKABLE]
    asked = data.draw(st.lists(st.sampled_from(nodes), min_size=1, max_size=2, unique=True))
    expected = {
        node: share
        for node, share in naive.reached(asked).items()
        if node[0] not in ("collection", "dispatch") and not (node in asked and node[0] == "tree")
    }
    with holding(store, records) as connection:
        found = recall(connection, [OfCode(code) for _, code in asked])
    shares = {node: share for node, share in listed(found).items() if node not in asked}
    wanted = {node: share for node, share in expected.items() if node not in asked}
    assert shares == pytest.approx({node: float(share) for node, share in wanted.items()})
    for each in (*found.bundles, *found.graft_lots, *found.mother_trees, *found.dispatches):
        assert (each.grade is Reach.CERTAIN) == (each.share == pytest.approx(1))


@given(records=registries())
@ONE_STORE
def test_recall_and_trace_are_each_others_inverse(store: Store, records: Rows) -> None:
    naive = NaiveChain(records)
    trees = [node[1] for node in naive.nodes() if node[0] == "tree"]
    lots = [node[1] for node in naive.nodes() if node[0] == "graft_lot"]
    sent = sorted({row["dispatch"] for row in records["dispatches"]})
    with holding(store, records) as connection:
        up = {
            code: {source.tree for source in trace(connection, code).sources}
            for code in (*lots, *sent)
        }
        for tree in trees:
            down = recall(connection, [OfCode(tree)])
            assert {each.graft_lot for each in down.graft_lots} == {
                code for code in lots if tree in up[code]
            }
            assert {each.dispatch for each in down.dispatches} == {
                code for code in sent if tree in up[code]
            }


def test_rows_for_a_csv_file_come_in_one_order(store: Store) -> None:
    records = small()
    codes = [f"L{number}" for number in (7, 3, 9, 1, 5)]
    places = enumerate(codes, start=10)
    records["graft_lots"] += [lot(code, "B1", row=row, grafts=1) for row, code in places]
    found = recalled(store, records, "B1").to_rows()
    assert [row["code"] for row in found if row["kind"] == "graft_lot"] == ["G1", *sorted(codes)]


@pytest.mark.parametrize(
    ("grafts", "first", "last", "left"),
    [
        (3, 4, 6, "1-3;7-20"),
        # Three of seven: which, nobody wrote down, so that none is off the list.
        (3, 4, 10, "1-20"),
        (2, 4, 6, "1-20"),
        (20, 1, 20, ""),
    ],
)
def test_only_a_regraft_of_every_position_takes_trees_off_a_recall(
    store: Store, grafts: int, first: int, last: int, left: str
) -> None:
    records = small()
    again = lot("G3", "B2", first=first, last=last, grafts=grafts, date=day("2026-05-01"))
    records["graft_lots"].append({**again, "regraft_of": "G1"})
    (found,) = (each for each in recalled(store, records, "T1").graft_lots if each[0] == "G1")
    assert found.positions == left


@pytest.mark.parametrize(("asked", "share"), [(["G1/3"], 0.05), (["G1/3", "G1/7"], 0.1)])
def test_single_positions_are_their_share_of_a_lot(
    store: Store, asked: list[str], share: float
) -> None:
    (found,) = recalled(store, small(), *asked).graft_lots
    assert (found.graft_lot, found.share, found.grade) == ("G1", share, Reach.POSSIBLE)
