"""Trace: every source that something may have come from, and how sure that is."""

import datetime as dt
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection

from scionreg.lineage.lot_looks import read_lot_trees
from scionreg.lineage.recall import recall
from scionreg.lineage.recall_items import OfCode
from scionreg.lineage.trace import Trace, trace
from scionreg.records.errors import NotFoundError, RegistryError
from scionreg.records.vocabulary import Grade
from scionreg.registry.store import Store
from tests.naive_chain import NaiveChain, Node, Shares
from tests.small_registries import bundle, collection, day, dispatch, holding, lot, small
from tests.strategies import Rows, registries

ONE_STORE = settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
"""Every example is taken back before the next, so that one registry serves them all."""


def traced(store: Store, records: Rows, code: str) -> Trace:
    with holding(store, records) as connection:
        return trace(connection, code)


def trees_of(found: Trace, generation: int = 1) -> dict[str | None, float]:
    shares: dict[str | None, float] = {}
    for source in found.sources:
        if source.generation == generation:
            shares[source.tree] = shares.get(source.tree, 0) + source.share
    return shares


# Single chains


@pytest.mark.parametrize("code", ["G1", "G1/7", "B1", "C1"])
def test_a_single_recorded_source_is_certain_from_any_code_on_the_way(
    store: Store, code: str
) -> None:
    found = traced(store, small(), code)
    (source,) = found.sources
    assert (source.tree, source.limb, source.collection) == ("T1", "N", "C1")
    assert (source.cultivar, source.date, source.share) == ("Aldern", day("2026-01-10"), 1)
    assert found.grade is source.grade is Grade.CERTAIN
    assert source.path[0] == code
    assert source.path[-2:] == ("C1", "T1")
    assert not found.contradictions


def test_hands_are_named_with_what_they_did_and_when(store: Store) -> None:
    found = traced(store, small(), "G1")
    assert [(h.person, h.did, h.code, str(h.date)) for h in found.hands] == [
        ("P1", "cut", "C1", "2026-01-10"),
        ("P2", "packed", "B1", "2026-01-11"),
        ("P3", "grafted", "G1", "2026-03-20"),
    ]


def test_stays_of_a_bundle_itself_last_while_sticks_are_left(store: Store) -> None:
    records = small()
    moved = dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC)
    records["bundle_log"] = [{"bundle": "B1", "time": moved, "event": "moved", "store": "S2"}]

    def told() -> list[tuple[str, object, object, bool]]:
        with holding(store, records) as connection:
            stays = trace(connection, "B1").stays
        return [(each.store, each.start, each.end, each.left) for each in stays]

    first = ("S1", day("2026-01-11"), moved, False)
    assert told() == [first, ("S2", moved, None, True)]
    records["graft_lots"].append(lot("G3", "B1", row=3, date=day("2026-03-25"), sticks_used=20))
    assert told() == [first, ("S2", moved, day("2026-03-25"), False)]
    gone = dt.datetime(2026, 3, 22, 8, tzinfo=dt.UTC)
    records["graft_lots"].pop()
    records["bundle_log"].append({"bundle": "B1", "time": gone, "event": "discarded"})
    assert told() == [first, ("S2", moved, gone, False)]


def test_stays_run_from_packing_over_moves_to_the_use(store: Store) -> None:
    records = small()
    records["bundle_log"] = [
        {"bundle": "B1", "time": moment("2026-02-01T09:00"), "event": "moved", "store": "S2"},
        {"bundle": "B1", "time": moment("2026-04-01T09:00"), "event": "moved", "store": "S1"},
    ]
    found = traced(store, records, "G1")
    assert [(s.store, str(s.start)[:10], str(s.end)[:10]) for s in found.stays] == [
        ("S1", "2026-01-11", "2026-02-01"),
        ("S2", "2026-02-01", "2026-03-20"),
    ]


def moment(text: str) -> Any:
    import datetime as dt

    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def test_an_alias_is_resolved_and_the_written_name_kept(store: Store) -> None:
    records = small()
    records["mother_trees"][0]["cultivar"] = "old aldern"
    (source,) = traced(store, records, "G1").sources
    assert (source.cultivar, source.written) == ("Aldern", "old aldern")


def test_received_wood_is_likely_and_named_as_claimed(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", received_from="SU1", cultivar="Birkwood")]
    records["graft_lots"] += [lot("G3", "B3")]
    found = traced(store, records, "G3")
    (source,) = found.sources
    assert (source.tree, source.cultivar, source.grade) == (None, "Birkwood", Grade.LIKELY)
    assert "as claimed" in source.because[0]
    assert "SU1" in source.because[0]


def test_a_bundle_without_a_source_is_unknown(store: Store) -> None:
    records = small()
    records["bundles"][0]["collection"] = None
    found = traced(store, records, "G1")
    assert found.grade is Grade.UNKNOWN
    assert trees_of(found) == {None: 1}
    assert any("source of its 40 sticks" in gap for gap in found.missing)


@pytest.mark.parametrize(
    ("kind", "column", "gap"),
    [
        ("collections", "date", "C1: day of cutting"),
        ("bundles", "packed", "B1: day of packing"),
        ("graft_lots", "date", "G1: day of grafting"),
    ],
)
def test_an_unknown_day_makes_its_link_likely_and_is_named_as_missing(
    store: Store, kind: str, column: str, gap: str
) -> None:
    records = small()
    records[kind][0][column] = None
    found = traced(store, records, "G1")
    assert found.grade is Grade.LIKELY
    (link,) = [link for link in found.links if link.grade is Grade.LIKELY]
    assert "not recorded" in link.because[0]
    assert any(gap in each for each in found.missing)


def test_what_was_not_written_down_is_named(store: Store) -> None:
    records = small()
    records["collections"][0] |= {"cutter": None, "count": None}
    records["bundles"][0] |= {"packer": None, "store": None, "count": None}
    records["graft_lots"][0] |= {"row": None, "first": None, "last": None}
    missing = "\n".join(traced(store, records, "G1").missing)
    for gap in (
        "collection C1: cutter",
        "collection C1: whether its sticks were counted or estimated",
        "bundle B1: packer",
        "bundle B1: store",
        "bundle B1: whether its sticks were counted or estimated",
        "graft lot G1: row",
        "graft lot G1: row positions",
    ):
        assert f"{gap} not recorded" in missing
    assert traced(store, records, "G1").grade is Grade.CERTAIN


def test_a_fully_written_chain_misses_only_the_origin_of_its_tree(store: Store) -> None:
    missing = traced(store, small(), "G1").missing
    assert missing == ("mother tree T1: where it came from not recorded",)


# Mixed wood


def mixed() -> Rows:
    records = small()
    records["bundles"] += [bundle("B3", sticks=40)]
    records["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 30},
        {"bundle": "B3", "parent": "B2", "sticks": 10},
    ]
    records["graft_lots"] = [lot("G3", "B3")]
    return records


def test_a_re_bundle_mixes_by_the_sticks_each_parent_gave(store: Store) -> None:
    found = traced(store, mixed(), "G3")
    assert trees_of(found) == pytest.approx({"T1": 0.75, "T2": 0.25})
    assert {source.grade for source in found.sources} == {Grade.ONE_OF}
    assert found.grade is Grade.ONE_OF


def test_estimated_counts_do_not_lower_the_grade(store: Store) -> None:
    records = mixed()
    for row in records["bundles"]:
        row["count"] = "estimated"
    assert traced(store, records, "G3").grade is Grade.ONE_OF


def test_sticks_that_no_parent_gave_are_a_source_that_nobody_knows(store: Store) -> None:
    records = mixed()
    records["bundles"][2]["sticks"] = 50
    found = traced(store, records, "G3")
    assert trees_of(found) == pytest.approx({"T1": 0.6, "T2": 0.2, None: 0.2})
    assert found.grade is Grade.UNKNOWN
    assert "bundle B3: source of 10 of its 50 sticks not recorded" in found.missing


def test_an_estimated_bundle_may_hold_a_few_more_than_its_parents_gave(store: Store) -> None:
    records = mixed()
    records["bundles"][2] |= {"sticks": 43, "count": "estimated"}
    assert trees_of(traced(store, records, "G3")) == pytest.approx({"T1": 0.75, "T2": 0.25})


def test_wood_split_and_tied_together_again_has_one_source(store: Store) -> None:
    records = small()
    records["bundles"] += [bundle("B3", sticks=10), bundle("B4", sticks=10), bundle("B5", sticks=8)]
    records["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 10},
        {"bundle": "B4", "parent": "B1", "sticks": 10},
        {"bundle": "B5", "parent": "B3", "sticks": 5},
        {"bundle": "B5", "parent": "B4", "sticks": 3},
    ]
    records["graft_lots"] = [lot("G5", "B5", sticks_used=8)]
    (source,) = traced(store, records, "G5").sources
    assert (source.tree, source.ways, source.grade) == ("T1", 2, Grade.CERTAIN)
    assert source.path == ("G5", "B5", "B3", "B1", "C1", "T1")
    assert source.share == pytest.approx(1)


def test_a_dispatch_of_several_lots_has_the_sources_of_each(store: Store) -> None:
    records = small()
    records["dispatches"] = [
        dispatch("D1", "G1", trees=15, first=1, last=15),
        dispatch("D1", "G2"),
    ]
    found = traced(store, records, "D1")
    assert trees_of(found) == pytest.approx({"T1": 0.75, "T2": 0.25})
    assert found.grade is Grade.ONE_OF


# Regrafts


def regrafted(**more: Any) -> Rows:
    records = small()
    made = {"regraft_of": "G1", "date": day("2026-04-20"), "first": 8, "last": 12, "grafts": 5}
    records["graft_lots"] += [lot("G3", "B2", **{**made, "sticks_used": 5, **more})]
    return records


@pytest.mark.parametrize(("position", "tree"), [(7, "T1"), (8, "T2"), (12, "T2"), (13, "T1")])
def test_a_position_means_the_tree_that_stands_there_now(
    store: Store, position: int, tree: str
) -> None:
    found = traced(store, regrafted(), f"G1/{position}")
    assert trees_of(found) == {tree: 1}
    assert found.grade is Grade.CERTAIN
    assert [each.graft_lot for each in found.regrafts] == ["G3"]


def test_a_regraft_of_a_regraft_stands_there_now(store: Store) -> None:
    records = regrafted()
    again = {"regraft_of": "G3", "date": day("2026-05-20"), "first": 10, "last": 10, "grafts": 1}
    records["graft_lots"] += [lot("G4", "B1", **again, sticks_used=1)]
    assert trees_of(traced(store, records, "G1/10")) == {"T1": 1}
    assert trees_of(traced(store, records, "G1/11")) == {"T2": 1}


def test_a_regraft_of_fewer_trees_than_positions_is_only_likely_to_stand(store: Store) -> None:
    found = traced(store, regrafted(first=1, last=20), "G1/9")
    assert trees_of(found) == {"T2": 1}
    assert found.grade is Grade.LIKELY
    assert "first graft may still stand" in found.sources[0].because[0]


def test_trees_sent_before_a_regraft_are_not_of_its_wood(store: Store) -> None:
    records = regrafted()
    records["dispatches"] = [
        dispatch("D1", "G1", trees=3, first=9, last=11, date=day("2026-04-01")),
        dispatch("D2", "G1", trees=3, first=9, last=11),
        dispatch("D3", "G1", trees=4, first=6, last=9),
    ]
    assert trees_of(traced(store, records, "D1")) == {"T1": 1}
    assert trees_of(traced(store, records, "D2")) == {"T2": 1}
    assert trees_of(traced(store, records, "D3")) == pytest.approx({"T1": 0.5, "T2": 0.5})


def test_a_position_outside_the_lot_is_not_recorded(store: Store) -> None:
    with pytest.raises(NotFoundError, match="positions 1 to 20"):
        traced(store, small(), "G1/21")


# Generations


def grown() -> Rows:
    records = small()
    records["mother_trees"] += [
        {"tree": "T3", "cultivar": "Aldern", "graft_lot": "G1", "graft_position": 4}
    ]
    records["collections"] += [collection("C3", "T3", date=day("2030-01-10"))]
    records["bundles"] += [bundle("B3", collection="C3", packed=day("2030-01-11"))]
    records["graft_lots"] += [lot("G3", "B3", date=day("2030-03-20"))]
    return records


def test_a_chain_crosses_generations(store: Store) -> None:
    found = traced(store, grown(), "G3")
    assert trees_of(found, 1) == {"T3": 1}
    assert trees_of(found, 2) == {"T1": 1}
    assert found.sources[1].path == ("G3", "B3", "C3", "T3", "G1", "B1", "C1", "T1")
    assert found.grade is Grade.CERTAIN


def test_a_doubt_goes_with_the_chain_into_the_generation_before(store: Store) -> None:
    records = grown()
    records["collections"][2]["date"] = None
    nearest, before = traced(store, records, "G3").sources
    assert nearest.grade is before.grade is Grade.LIKELY
    assert before.because == nearest.because


def test_a_mother_tree_is_traced_to_the_tree_it_was_grown_from(store: Store) -> None:
    assert trees_of(traced(store, grown(), "T3")) == {"T1": 1}


def test_a_tree_bought_elsewhere_is_likely_what_the_seller_said(store: Store) -> None:
    records = small()
    records["mother_trees"][0]["received_from"] = "SU1"
    found = traced(store, records, "T1")
    assert trees_of(found) == {None: 1}
    assert found.sources[0].cultivar == "Aldern"
    assert found.grade is Grade.LIKELY
    assert traced(store, small(), "T1").grade is Grade.UNKNOWN


def test_trees_grown_from_each_other_in_a_circle_are_refused(store: Store) -> None:
    records = grown()
    records["mother_trees"][0]["graft_lot"] = "G3"
    with pytest.raises(RegistryError, match="circle"):
        traced(store, records, "G3")


def test_bundles_tied_from_each_other_in_a_circle_are_refused(store: Store) -> None:
    records = mixed()
    records["bundle_parents"] += [{"bundle": "B1", "parent": "B3", "sticks": 2}]
    with pytest.raises(RegistryError, match="circle"):
        traced(store, records, "G3")


def test_lots_that_regraft_each_other_in_a_circle_are_refused(store: Store) -> None:
    records = small()  # as older versions took them
    first, second = records["graft_lots"]
    first["regraft_of"], second["regraft_of"] = second["graft_lot"], first["graft_lot"]
    for ask in (trace, lambda *asked: recall(asked[0], [OfCode(asked[1])]), read_lot_trees):
        with (
            holding(store, records) as connection,
            pytest.raises(RegistryError, match="run in a circle; correct one"),
        ):
            ask(connection, first["graft_lot"])


# Identity checks


def test_a_check_is_traced_as_what_was_checked(store: Store) -> None:
    records = small()
    look = {"date": day("2026-08-01"), "method": "dna", "checked": 4, "off": 1}
    records["identity_checks"] = [{"check": "K1", "item": "G1", **look}]
    found = traced(store, records, "K1")
    assert trees_of(found) == {"T1": 1}
    assert found.sources[0].path[:2] == ("K1", "G1")
    assert [each.check for each in traced(store, records, "G1").checks] == ["K1"]
    assert [each.check for each in traced(store, records, "G2").checks] == []


# Contradictions


def test_more_used_than_was_there_may_mean_foreign_wood(store: Store) -> None:
    records = small()
    records["graft_lots"] += [lot("G3", "B1", sticks_used=25, first=21, last=40)]
    found = traced(store, records, "G1")
    assert found.grade is Grade.LIKELY
    assert any("45 sticks left B1, but only 40 were there" in c for c in found.contradictions)


@pytest.mark.parametrize("event", ["sold", "discarded"])
def test_sticks_sold_and_thrown_away_are_sticks_that_left(store: Store, event: str) -> None:
    records = small()
    left = {"bundle": "B1", "time": moment("2026-03-25T09:00"), "event": event}
    records["bundle_log"] = [{**left, "sticks": 21}]
    found = traced(store, records, "G1")
    assert any("41 sticks left B1, but only 40 were there" in c for c in found.contradictions)
    records["bundle_log"] = [{**left, "sticks": 20}]
    assert not traced(store, records, "G1").contradictions


@pytest.mark.parametrize(
    ("kind", "row", "change", "said"),
    [
        ("graft_lots", 0, {"date": day("2026-01-05")}, "G1 was grafted on 2026-01-05, before B1"),
        ("bundles", 0, {"packed": day("2026-01-09")}, "before C1 was cut on 2026-01-10"),
    ],
)
def test_days_out_of_order_contradict_and_lower_the_grade(
    store: Store, kind: str, row: int, change: dict[str, Any], said: str
) -> None:
    records = small()
    records[kind][row] |= change
    found = traced(store, records, "G1")
    assert any(said in each for each in found.contradictions)
    assert found.grade is Grade.LIKELY


@pytest.mark.parametrize(
    ("event", "said", "grade"),
    [
        ("died", "T1 died on 2025-06-01", Grade.LIKELY),
        ("replanted", "T1 was replanted on 2025-06-01", Grade.LIKELY),
        ("hold", "T1 was on hold since 2025-06-01", Grade.CERTAIN),
        ("topworked", "T1 was topworked on 2025-06-01", Grade.CERTAIN),
        ("notice", "T1 was under a notice on 2025-06-01", Grade.CERTAIN),
    ],
)
def test_what_befell_the_tree_before_the_cutting_speaks_against_it(
    store: Store, event: str, said: str, grade: Grade
) -> None:
    records = small()
    records["tree_events"] = [{"tree": "T1", "date": day("2025-06-01"), "event": event}]
    found = traced(store, records, "G1")
    assert any(said in each for each in found.contradictions)
    assert found.grade is grade
    records["tree_events"][0]["date"] = day("2026-06-01")
    assert not traced(store, records, "G1").contradictions


def test_a_tree_planted_at_its_replanting_is_the_one_that_was_cut(store: Store) -> None:
    records = small()
    records["tree_events"] = [{"tree": "T1", "date": day("2025-06-01"), "event": "replanted"}]
    records["mother_trees"][0]["planted"] = day("2025-06-01")
    assert not traced(store, records, "G1").contradictions


def test_a_hold_on_the_bundle_on_the_day_of_grafting_contradicts(store: Store) -> None:
    records = small()
    hold = {"bundle": "B1", "time": moment("2026-03-01T08:00"), "event": "hold"}
    records["bundle_log"] = [hold]
    assert any("on hold" in each for each in traced(store, records, "G1").contradictions)
    released = {"bundle": "B1", "time": moment("2026-03-10T08:00"), "event": "released"}
    records["bundle_log"] = [hold, released]
    assert not traced(store, records, "G1").contradictions


def test_a_label_that_names_another_cultivar_contradicts(store: Store) -> None:
    records = small()
    records["dispatches"] = [dispatch("D1", "G1", label_cultivar="Birkwood")]
    assert any("labelled Birkwood" in each for each in traced(store, records, "D1").contradictions)
    records["dispatches"][0]["label_cultivar"] = "Ald"
    assert not traced(store, records, "D1").contradictions


def test_each_line_of_a_dispatch_has_a_label_of_its_own(store: Store) -> None:
    records = small()
    records["dispatches"] = [
        dispatch("D1", "G1", label_cultivar="Birkwood"),
        dispatch("D1", "G2", label_cultivar="Birkwood"),
    ]
    (said,) = traced(store, records, "D1").contradictions
    assert "G1" in said


# What cannot be traced


def test_an_unknown_code_offers_the_likely_ones(store: Store) -> None:
    records = small()
    records["graft_lots"] = [lot("G26-0001-3", "B1"), lot("row seven", "B1", row=7)]
    with pytest.raises(NotFoundError, match="did you mean G26-0001-3"):
        traced(store, records, "G26-0001-2")
    with pytest.raises(NotFoundError, match="did you mean row seven"):
        traced(store, records, "row sevn")


def test_a_store_has_no_source(store: Store) -> None:
    with pytest.raises(RegistryError, match="'S1' is a store"):
        traced(store, small(), "S1")


# The stable forms


def test_the_json_form_has_the_promised_keys(store: Store) -> None:
    found = traced(store, mixed(), "G3")
    told = found.to_dict()
    assert {"code", "grade", "sources", "missing", "contradictions"} <= told.keys()
    promised = {"generation", "tree", "limb", "cultivar", "collection", "date", "share", "grade"}
    assert all(promised | {"path"} <= source.keys() for source in told["sources"])
    assert told["sources"][0]["date"] == "2026-01-10"
    assert [row["tree"] for row in found.to_rows()] == ["T1", "T2"]
    assert list(found.to_frame()["share"]) == pytest.approx([0.75, 0.25])


# Against the slow twin

WHAT = {"collection": "collection", "received": "outside", "unknown": "unknown"}


def endings(connection: Connection, found: Trace) -> Iterator[dict[Node, float]]:
    """Yield the sources of each generation, named as the slow twin names them."""
    last = max(source.generation for source in found.sources)
    for generation in range(1, last + 1):
        shares: dict[Node, float] = {}
        for source in found.sources:
            if source.generation != generation:
                continue
            end = source.path[-1]
            if source.collection is not None:
                node = ("collection", source.collection)
            elif end.startswith("T"):
                node = ("founder", end)
            else:
                node = ("outside" if "received" in " ".join(source.because) else "unknown", end)
            shares[node] = shares.get(node, 0) + source.share
        yield shares


def close(shares: Shares) -> Any:
    return pytest.approx({node: float(share) for node, share in shares.items()})


@given(records=registries())
@ONE_STORE
def test_sources_and_shares_are_those_of_the_slow_twin(store: Store, records: Rows) -> None:
    naive = NaiveChain(records)
    with holding(store, records) as connection:
        for node in naive.nodes():
            if node[0] == "line":
                continue
            found = trace(connection, node[1])
            expected = [close(shares) for shares in naive.generations(node)]
            assert list(endings(connection, found)) == expected, node


@given(records=registries())
@ONE_STORE
def test_shares_of_every_generation_sum_to_one(store: Store, records: Rows) -> None:
    naive = NaiveChain(records)
    with holding(store, records) as connection:
        for node in naive.nodes():
            if node[0] != "line":
                for shares in endings(connection, trace(connection, node[1])):
                    assert sum(shares.values()) == pytest.approx(1)


@given(records=registries(), data=st.data())
@ONE_STORE
def test_every_path_goes_by_recorded_steps(
    store: Store, records: Rows, data: st.DataObject
) -> None:
    naive = NaiveChain(records)
    steps = {
        (node[1], source[1])
        for node in naive.nodes()
        if node[0] != "line"
        for source in naive.sources(node)
    }
    node = data.draw(st.sampled_from([n for n in naive.nodes() if n[0] != "line"]))
    with holding(store, records) as connection:
        for source in trace(connection, node[1]).sources:
            for step in zip(source.path, source.path[1:], strict=False):
                assert step in steps


def test_shares_stay_exact_over_many_levels(store: Store) -> None:
    records = mixed()
    expected = Fraction(3, 4)
    for level in range(4, 40):
        records["bundles"] += [bundle(f"B{level}", sticks=3)]
        records["bundle_parents"] += [
            {"bundle": f"B{level}", "parent": f"B{level - 1}", "sticks": 2},
            {"bundle": f"B{level}", "parent": "B1", "sticks": 1},
        ]
        expected = expected * Fraction(2, 3) + Fraction(1, 3)
    records["graft_lots"] = [lot("G9", "B39")]
    found = traced(store, records, "G9")
    assert trees_of(found)["T1"] == pytest.approx(float(expected))
    assert sum(source.ways for source in found.sources) == 38


def test_ancestors_are_those_of_a_provenance_graph(store: Store) -> None:
    pytest.importorskip("networkx", reason="comes with prov[graph]")
    import networkx as nx
    from prov.graph import prov_to_graph
    from prov.model import ProvDocument

    @given(records=registries())
    @ONE_STORE
    def agree(records: Rows) -> None:
        naive, document = NaiveChain(records), ProvDocument()
        document.set_default_namespace("http://example.org/")
        nodes = [node for node in naive.nodes() if node[0] != "line"]
        entity = {node: document.entity(node[1]) for node in nodes}
        for node in nodes:
            for source in naive.sources(node):
                if source in entity:
                    document.wasDerivedFrom(entity[node], entity[source])
        graph = prov_to_graph(document)
        name = {each: str(each.identifier.localpart) for each in graph}
        of = {name[each]: each for each in graph}
        with holding(store, records) as connection:
            for node in nodes:
                found = trace(connection, node[1])
                reached = {code for source in found.sources for code in source.path}
                reached |= {link.parent for link in found.links if link.parent in of}
                upward = (
                    {name[each] for each in nx.descendants(graph, of[node[1]])}
                    if node[1] in of
                    else set()
                )
                assert reached - {node[1]} == upward, node

    agree()


def test_what_is_told_of_a_mixed_chain_comes_in_one_order(store: Store) -> None:
    records = small()
    codes = [f"M{number}" for number in (7, 3, 9, 1, 5)]
    records["bundles"] += [bundle(code, packed=day("2026-02-01"), packer=None) for code in codes]
    records["bundles"] += [bundle("M0", packed=day("2026-02-02"))]
    records["bundle_parents"] = [{"bundle": "M0", "parent": code, "sticks": 8} for code in codes]
    records["bundle_parents"] += [{"bundle": code, "parent": "B1", "sticks": 8} for code in codes]
    records["graft_lots"] += [lot("G9", "M0", row=9)]
    with holding(store, records) as connection:
        traced = trace(connection, "G9")
    said = [str(each) for each in traced.missing]
    named = [each.split()[1].rstrip(":") for each in said if "packer" in each]
    assert named == sorted(codes)
    assert [stay.bundle for stay in traced.stays] == ["B1", "M0", *sorted(codes)]


def grown_here(**more: Any) -> Rows:
    """Return the small registry with tree T3 grown at position 4 of G1, and wood of it as G3."""
    records = small()
    origin = {"graft_lot": "G1", "graft_position": 4, "planted": day("2027-03-01")}
    records["mother_trees"].append({"tree": "T3", "cultivar": "Aldern", **origin, **more})
    records["collections"].append(collection("C3", "T3", date=day("2030-01-10")))
    records["bundles"].append(bundle("B3", collection="C3", packed=day("2030-01-11")))
    records["graft_lots"].append(lot("G3", "B3", row=3, date=day("2030-03-20")))
    return records


@pytest.mark.parametrize(
    ("planted", "grade"),
    [("2026-03-19", Grade.LIKELY), ("2026-03-20", Grade.CERTAIN), ("2027-03-01", Grade.CERTAIN)],
)
def test_a_tree_planted_before_it_was_grafted_is_no_certain_source(
    store: Store, planted: str, grade: Grade
) -> None:
    found = traced(store, grown_here(planted=day(planted)), "G3")
    graded = {(each.generation, each.tree): each.grade for each in found.sources}
    assert graded[1, "T3"] is Grade.CERTAIN
    assert graded[2, "T1"] is grade
    assert found.grade is grade


def test_a_tree_whose_own_origin_nobody_recorded_weakens_no_chain(store: Store) -> None:
    """B4 is of T3, grown here of T1's wood, and of T2, of which only the name is known."""
    records = grown_here()
    records["bundles"].append(bundle("B4", sticks=20, packed=day("2030-02-01")))
    records["bundle_parents"] = [
        {"bundle": "B4", "parent": "B3", "sticks": 10},
        {"bundle": "B4", "parent": "B2", "sticks": 10},
    ]
    found = traced(store, records, "B4")
    earlier = {each.tree: each.grade for each in found.sources if each.generation == 2}
    assert earlier == {"T1": Grade.ONE_OF, None: Grade.UNKNOWN}
    assert found.grade is Grade.ONE_OF


def test_ways_through_two_generations_are_multiplied(store: Store) -> None:
    """G3's wood came from T3 by two bundles, and T3's from T1 by three."""
    records = grown_here()
    records["bundles"] += [bundle(code, collection="C1") for code in ("B5", "B6", "B7")]
    records["bundles"].append(bundle("B8", sticks=30))
    records["bundle_parents"] = [
        {"bundle": "B8", "parent": code, "sticks": 10} for code in ("B5", "B6", "B7")
    ]
    records["graft_lots"][0] = lot("G1", "B8", row=1)
    records["bundles"].append(bundle("B9", collection="C3", packed=day("2030-01-11")))
    records["bundles"].append(bundle("B10", sticks=20, packed=day("2030-02-01")))
    records["bundle_parents"] += [
        {"bundle": "B10", "parent": code, "sticks": 10} for code in ("B3", "B9")
    ]
    found = traced(store, records, "B10")
    ways = {(each.generation, each.tree): each.ways for each in found.sources}
    assert ways == {(1, "T3"): 2, (2, "T1"): 6}


@pytest.mark.parametrize(
    ("sticks", "count", "unknown"),
    [
        (40, "estimated", 0),  # 36 came from the parent: 4 of 40 are just within the tenth
        (41, "estimated", 5 / 41),
        (40, "counted", 4 / 40),
    ],
)
def test_an_estimated_bundle_may_be_a_tenth_more_than_its_parents_gave(
    store: Store, sticks: int, count: str, unknown: float
) -> None:
    records = small()
    records["bundles"].append(bundle("B3", sticks=sticks, count=count))
    records["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 36}]
    found = trees_of(traced(store, records, "B3"))
    assert found == pytest.approx({"T1": 1 - unknown} | ({None: unknown} if unknown else {}))
