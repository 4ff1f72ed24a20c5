"""Graft lots as take is judged by: their wood by share, and what they belong to."""

from fractions import Fraction

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings

from scionreg.lineage.worked_lots import WorkedLots, read_worked_lots
from scionreg.records.errors import RegistryError
from scionreg.records.vocabulary import TakeFactor
from scionreg.registry.settings import Settings
from scionreg.registry.store import Store
from scionreg.take.factors import lots_of, memberships
from tests.naive_chain import NaiveChain
from tests.small_registries import bundle, collection, day, holding, lot, small
from tests.strategies import Rows, registries
from tests.worked import worked_lots

ONE_STORE = settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def read(store: Store, records: Rows) -> WorkedLots:
    with holding(store, records) as connection:
        return read_worked_lots(connection, Settings())


def mixed() -> Rows:
    """Return two lots of one bundle: three parts of T1's wood, one of T2's, one unknown."""
    records = small()
    records["bundles"].append(bundle("B3", sticks=10))
    records["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 6},
        {"bundle": "B3", "parent": "B2", "sticks": 2},
    ]
    records["graft_lots"] = [lot("G1", "B1", row=1), lot("G3", "B3", row=3, rootstock_lot=None)]
    records["take_counts"] = [
        {"graft_lot": "G3", "date": day("2026-05-01"), "pushing": 11, "dead": 3},
        {"graft_lot": "G1", "date": None, "pushing": 15},
    ]
    return records


@given(records=registries())
@ONE_STORE
def test_shares_of_wood_are_those_of_the_plain_chain(store: Store, records: Rows) -> None:
    worked = read(store, records)
    naive = NaiveChain(records)
    assert list(worked.lots["graft_lot"]) == sorted(
        row["graft_lot"] for row in records["graft_lots"]
    )
    for number, code in enumerate(worked.lots["graft_lot"]):
        expected: dict[str, Fraction] = {
            ending: share
            for (what, ending), share in naive.endings(("graft_lot", code)).items()
            if what == "collection"
        }
        mine = worked.sources[worked.sources["lot"] == number]
        found = dict(zip(mine["collection"], mine["share"], strict=True))
        assert found == pytest.approx({each: float(share) for each, share in expected.items()})


@given(records=registries())
@ONE_STORE
def test_every_lot_belongs_to_each_level_by_its_share_of_the_wood(
    store: Store, records: Rows
) -> None:
    worked = read(store, records)
    trees = {row["collection"]: row["tree"] for row in records["collections"]}
    expected: dict[tuple[int, str], float] = {}
    for row in worked.sources.itertuples():
        key = int(row.lot), trees[row.collection]
        expected[key] = expected.get(key, 0.0) + row.share
    found = memberships(worked, "mother_tree")
    keys = zip(found["lot"], found["level"], strict=True)
    assert dict(zip(keys, found["share"], strict=True)) == pytest.approx(expected)
    assert found[["lot", "level"]].drop_duplicates().shape[0] == len(found)


def test_an_unknown_level_has_no_row_and_unknown_wood_no_share(store: Store) -> None:
    worked = read(store, mixed())
    trees = memberships(worked, "mother_tree")
    assert trees[["lot", "level", "share"]].to_numpy().tolist() == [
        [0, "T1", 1.0],
        [1, "T1", pytest.approx(0.6)],
        [1, "T2", pytest.approx(0.2)],
    ]
    assert memberships(worked, "rootstock_lot")["lot"].tolist() == [0]
    assert memberships(worked, "stock_size").empty


def test_levels_are_written_as_in_the_books(store: Store) -> None:
    worked = read(store, mixed())
    written = {
        factor: set(memberships(worked, factor)["level"])
        for factor in ("row", "graft_day", "cutting_day", "season", "grafter", "store")
    }
    assert written == {
        "row": {"N1/1", "N1/3"},
        "graft_day": {"2026-03-20"},
        "cutting_day": {"2026-01-10"},
        "season": {"2026"},
        "grafter": {"P3"},
        "store": {"S1"},
    }


def test_wood_joined_with_wood_goes_by_source_and_with_other_things_by_lot(store: Store) -> None:
    worked = read(store, mixed())
    cuttings = memberships(worked, "mother_tree*collection")
    assert set(cuttings["level"]) == {"T1*C1", "T2*C2"}, "no tree meets another's cutting"
    hands = memberships(worked, "mother_tree*grafter")
    assert set(hands["level"]) == {"T1*P3", "T2*P3"}
    assert hands["share"].sum() == pytest.approx(1.8)


def test_a_factor_that_is_none_is_refused_with_those_that_are() -> None:
    with pytest.raises(RegistryError, match=r"by 'moon'; by mother_tree, .*season"):
        memberships(worked_lots([{}]), "moon")


@pytest.mark.parametrize("factor", TakeFactor)
def test_a_registry_without_lots_has_no_memberships(store: Store, factor: TakeFactor) -> None:
    worked = read(store, {})
    assert memberships(worked, factor).empty
    assert list(memberships(worked, factor).columns) == ["lot", "level", "share"]


def test_counts_know_their_age_where_the_days_are_known(store: Store) -> None:
    counts = read(store, mixed()).counts
    assert counts["lot"].tolist() == [0, 1]
    assert pd.isna(counts["age"][0])
    assert counts["age"][1] == 42
    assert counts["pushing"].tolist() == [15, 11]
    assert pd.isna(counts["green"]).all()


def test_lots_chosen_by_season_or_cultivar_keep_their_wood_and_counts() -> None:
    worked = worked_lots(
        [
            {"tree": "T1", "season": 2025, "late": 3},
            {"tree": "T2", "season": 2026, "late": 4},
            {"trees": {"T2": 0.5, "T3": 0.5}, "season": 2026, "cultivar": "Birkwood", "late": 5},
        ]
    )
    chosen = lots_of(worked, season=2026)
    assert chosen.lots["graft_lot"].tolist() == ["G2", "G3"]
    assert chosen.sources[["lot", "mother_tree"]].to_numpy().tolist() == [
        [0, "T2"],
        [1, "T2"],
        [1, "T3"],
    ]
    assert chosen.counts[["lot", "pushing"]].to_numpy().tolist() == [[0, 4], [1, 5]]
    assert lots_of(worked, cultivar="Birkwood").lots["graft_lot"].tolist() == ["G3"]
    with pytest.raises(RegistryError, match="2024 Aldern"):
        lots_of(worked, season=2024, cultivar="Aldern")


def test_another_name_of_a_cultivar_counts_as_it(store: Store) -> None:
    records = small()
    records["mother_trees"][0]["cultivar"] = "Old Aldern"
    records["collections"].append(collection("C9", "T1"))
    assert set(read(store, records).lots["cultivar"]) == {"Aldern", "Birkwood"}
