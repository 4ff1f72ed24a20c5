"""Counts for a licence, gaps before an inspection, how long to keep records, a mock recall."""

import datetime as dt
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection

from scionreg.api import Registry
from scionreg.lineage.inspection import gaps
from scionreg.lineage.mock_recall import MockRecall, mock_recall
from scionreg.lineage.recall import OfCode
from scionreg.lineage.retention import Keeping, retention, years_after
from scionreg.lineage.royalties import COUNTS, by_licence, royalties
from scionreg.lineage.season_books import SeasonBooks, read_books
from scionreg.records.cited import CITED
from scionreg.records.starting_values import RecordValues
from scionreg.registry.create import create_store
from scionreg.registry.settings import Settings
from scionreg.registry.store import Store
from scionreg.seasons import royalty_counts
from tests.conftest import Said
from tests.small_registries import Rows, bundle, collection, day, dispatch, holding, lot, small

Run = Callable[..., Said]


@pytest.fixture
def lite(tmp_path: Path) -> Iterator[Store]:
    """An empty registry on SQLite, where only what is made of the records matters."""
    opened = create_store(tmp_path / "lite.db")
    yield opened
    opened.close()


def at(year: int, month: int, date: int) -> dt.datetime:
    return dt.datetime(year, month, date, 9, tzinfo=dt.UTC)


def books_of(connection: Connection, season: int = 2026) -> SeasonBooks:
    return read_books(connection, day(f"{season - 1}-07-01"), day(f"{season}-06-30"), Settings())


def counted(code: str, on: str, **classes: int) -> dict[str, Any]:
    return {"graft_lot": code, "date": day(on), "pushing": 0, **classes}


def protected() -> Rows:
    """Return the small registry with Aldern patented, counted and sold in part."""
    rows = small()
    rows["cultivars"][0] |= {"rights": "patent", "licence_no": "L-1"}
    rows["cultivars"][1] |= {"rights": "none"}
    rows["take_counts"] = [
        counted("G1", "2026-04-01", pushing=20),  # twelve days old: on their reserves
        counted("G1", "2026-05-20", pushing=15, dead=5),
        counted("G1", "2026-10-01", pushing=12, dead=6, stock_only=1, missing=1),
    ]
    rows["dispatches"] = [dispatch("D1", "G1")]
    return rows


# ------------------------------------------------------------------------------------- licences


def test_a_licence_is_told_what_was_made_taken_lost_and_sold(store: Store) -> None:
    with holding(store, protected()) as connection:
        (aldern,) = royalties(connection, books_of(connection))
        (next_year,) = royalties(connection, books_of(connection, 2027))
    assert (aldern.cultivar, aldern.licence, aldern.rights) == ("Aldern", "L-1", "patent")
    # The last count tells, and trees sold in November belong to the season that began in July.
    assert (aldern.made, aldern.taken, aldern.destroyed, aldern.sold) == (20, 12, 8, 0)
    for each in (aldern, next_year):
        parts = (each.taken, each.green, each.destroyed, each.not_told, each.not_counted)
        assert sum(parts) == each.made
    assert (aldern.cut, aldern.not_counted, aldern.mixed) == (50, 0, 0)
    assert (next_year.made, next_year.sold) == (0, 5)
    assert not aldern.unlicensed


def test_cultivars_under_one_licence_are_summed_and_unlicensed_ones_stand_apart(
    lite: Store,
) -> None:
    rows = protected()
    rows["cultivars"][1] |= {"rights": "pending"}
    with holding(lite, rows) as connection:
        found = royalties(connection, books_of(connection))
    assert [(each.cultivar, each.unlicensed) for each in found] == [
        ("Aldern", False),
        ("Birkwood", True),
    ]
    assert {licence: sums["made"] for licence, sums in by_licence(found).items()} == {
        "L-1": 20,
        None: 20,
    }
    assert found[1].not_counted == 20


def test_mixed_wood_and_a_regraft_of_it_count_for_every_cultivar_they_may_be(store: Store) -> None:
    rows = protected()
    rows["bundles"].append(bundle("B3", sticks=20))
    rows["bundle_parents"] = [
        {"bundle": "B3", "parent": "B1", "sticks": 10},
        {"bundle": "B3", "parent": "B2", "sticks": 10},
    ]
    rows["graft_lots"].append(lot("G3", "B3", date=day("2026-06-01"), regraft_of="G2", grafts=20))
    rows["dispatches"].append(dispatch("D2", "G2", trees=4))
    with holding(store, rows) as connection:
        (aldern,) = royalties(connection, books_of(connection))
        (sold,) = royalties(connection, books_of(connection, 2027))
    assert (aldern.made, aldern.mixed) == (40, 20)
    assert sold.sold == 5 + 4


def test_wood_sold_and_thrown_away_and_wood_from_outside(store: Store) -> None:
    rows = protected()
    rows["bundles"].append(
        bundle("B4", received_from="SU1", cultivar="Old Aldern", sticks=30, store=None)
    )
    rows["bundle_log"] = [
        {"bundle": "B1", "time": at(2026, 3, 1), "event": "sold", "sticks": 6},
        {"bundle": "B1", "time": at(2026, 3, 2), "event": "discarded", "sticks": 4},
        {"bundle": "B2", "time": at(2026, 3, 2), "event": "sold", "sticks": 9},
    ]
    with holding(store, rows) as connection:
        (aldern,) = royalties(connection, books_of(connection))
    assert (aldern.received, aldern.wood_sold, aldern.wood_discarded) == (30, 6, 4)


def test_periods_that_follow_each_other_count_everything_once(demo: str) -> None:
    with Registry.open(demo) as registry:
        whole = registry.royalties(first=day("2023-07-01"), last=day("2026-06-30"))
        years = [registry.royalties(season=each) for each in (2024, 2025, 2026)]
    for i, each in enumerate(whole.rows):
        for name in COUNTS:
            assert getattr(each, name) == sum(getattr(year.rows[i], name) for year in years)
    assert whole.rows[0].made > 0


def test_what_nothing_says_the_time_of_is_named_and_not_counted(lite: Store) -> None:
    rows = protected()
    rows["graft_lots"].append(lot("Own-1", "B1", row=9, date=None, grafts=7))
    rows["graft_lots"].append(lot("G26-0001-7", "B1", row=8, date=None, grafts=5))
    with holding(lite, rows) as connection:
        found = royalty_counts(connection, season=2026)
        before = royalty_counts(connection, season=2025)
    assert found.rows[0].made == 20 + 5
    assert found.undated == before.undated == ("Own-1",)
    assert before.rows[0].made == 0
    assert list(found.to_frame()["cultivar"]) == ["Aldern"]


def test_the_command_counts_a_licence_over_days(run: Run, demo: str) -> None:
    at = ("--registry", demo)
    found = run("royalties", "--from", "2025-01-01", "--to", "2025-12-31", *at)
    assert (
        "invented L-22  Quarrow    634    454      3   146        31            0   188"
        in found.out
    )
    assert "Cossamer: a right is claimed and no licence number" in found.err
    one = run("royalties", "2025", "--licence", "invented 7", "--csv", *at)
    assert one.out.splitlines()[1].startswith("Ismeray,invented 7,pvr,")
    assert '"sold": 222' in run("royalties", "2025", "--json", *at).out
    assert "there are invented 7" in run("royalties", "--licence", "L", *at).err
    assert run("royalties", "2025", "--from", "2025-01-01", *at).code == 1
    assert (
        "before it begins"
        in run("royalties", "--from", "2025-02-01", "--to", "2025-01-01", *at).err
    )


# ------------------------------------------------------------------------------------------ gaps


def test_every_gap_is_found_with_its_records_and_the_rule_that_asks(store: Store) -> None:
    rows = protected()
    rows["cultivars"][1] |= {"rights": "unknown"}
    rows["mother_trees"][0] |= {"block": "N1", "row": 1, "position": 4, "received_from": "SU1"}
    rows["mother_trees"][1] |= {"kind": "increase"}
    rows["collections"][1] |= {"date": None, "cutter": None, "count": None}
    rows["bundles"] += [
        bundle("B3", sticks=20),
        bundle("B4", sticks=5, packed=None, packer=None, store=None, count=None),
        bundle("B5", sticks=5, received_from="SU1"),
    ]
    rows["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 10}]
    rows["graft_lots"][1] |= {"date": None, "rootstock_lot": None, "first": None, "last": None}
    rows["dispatches"] += [
        dispatch("D2", "G1", date=day("2026-03-25"), first=None, last=None, trees=2)
    ]
    with holding(store, rows) as connection:
        found = {each.what: each for each in gaps(connection, books_of(connection))}
    assert {what: each.codes for what, each in found.items()} == {
        "cutting_day": ("C2",),
        "cutting_counting": ("C2",),
        "cutter": ("C2",),
        "bundle_source": ("B4",),
        "bundle_counting": ("B4",),
        "bundle_mix": ("B3",),
        "received_cultivar": ("B5",),
        "bundle_packed": ("B4",),
        "bundle_packer": ("B4",),
        "bundle_store": ("B4",),
        "tree_place": ("T2",),
        "tree_origin": ("T2",),
        "increase_planted": ("T2",),
        "lot_day": ("G2",),
        "lot_rootstock": ("G2",),
        "lot_place": ("G2",),
        "lot_count": ("G2",),
        "rootstock_source": ("R1",),
        "sent_label": ("D2",),
        "sent_positions": ("D2",),
        "rights": ("Birkwood",),
    }
    assert found["bundle_counting"].of == 5
    assert found["cutting_day"].to_dict()["rule"] == "Texas 4 TAC 21.44"


def test_a_right_without_a_licence_is_a_gap(lite: Store) -> None:
    rows = protected()
    rows["cultivars"][0] |= {"licence_no": None}
    with holding(lite, rows) as connection:
        found = {each.what: each.codes for each in gaps(connection, books_of(connection))}
    assert found["licence"] == ("Aldern",)


def test_what_the_rules_about_source_wood_name_is_looked_for(lite: Store) -> None:
    """Florida F.A.C. 5B-62.011: tree identification number, number "counted or estimated"; Texas
    4 TAC 21.44: month and year of budding, 21.38: a tree map by block and row; Washington WAC
    16-350-035: rootstock source; England SI 2017/595 reg. 15: composition of mixed material.
    """
    rows = small()
    for name in ("collections", "bundles"):
        rows[name] = [{**each, "count": None} for each in rows[name]]
    rows["graft_lots"] = [{**each, "date": None} for each in rows["graft_lots"]]
    with holding(lite, rows) as connection:
        found = {each.what: each.rule for each in gaps(connection, books_of(connection))}
    assert CITED[found["bundle_counting"]] == "Florida F.A.C. 5B-62.011"
    assert CITED[found["lot_day"]] == "Texas 4 TAC 21.44"
    assert CITED[found["tree_place"]] == "Texas 4 TAC 21.38"
    assert CITED[found["rootstock_source"]] == "Washington WAC 16-350-035"


# -------------------------------------------------------------------------------- how long to keep


def keepings(connection: Connection) -> dict[str, Keeping]:
    found = retention(connection, books_of(connection), RecordValues(keep_years=15))
    return {each.rule: each for each in found}


def test_records_are_kept_while_trees_stand_and_then_by_each_rule(store: Store) -> None:
    """Texas 4 TAC 21.38: at least 4 years. Scotland SSI 2017/177 reg. 17: while in production and
    at least 3 years from removal or marketing. England SI 2017/595 reg. 15: at least 3 years.
    """
    rows = protected()
    with holding(store, rows) as connection:
        standing = keepings(connection)
    rows["dispatches"] = [
        dispatch("D1", "G1", trees=12, first=1, last=12),
        dispatch("D2", "G2", trees=20, first=1, last=20, date=day("2028-02-29")),
    ]
    rows["tree_events"] = [
        {"tree": "T1", "date": day("2027-08-01"), "event": "died"},
        {"tree": "T2", "date": day("2029-08-01"), "event": "died"},
    ]
    with holding(store, rows) as connection:
        gone = keepings(connection)
    assert standing["texas_records"].until == day("2030-11-05")
    assert standing["scotland"].runs_on
    assert standing["scotland"].until is None
    assert standing["own"].runs_on
    assert gone["scotland"].until == day("2031-03-01")
    assert gone["england"].until == day("2031-03-01")
    assert gone["texas_records"].until == day("2032-02-29")
    assert gone["own"].until == day("2044-08-01")
    assert gone["own"].to_dict()["since"] == "2029-08-01"


def test_a_leap_day_has_its_anniversary() -> None:
    assert years_after(day("2028-02-29"), 4) == day("2032-02-29")
    assert years_after(day("2028-02-29"), 3) == day("2031-03-01")


# ------------------------------------------------------------------------------------ mock recall


def recalled(connection: Connection, code: str = "T1") -> MockRecall:
    return mock_recall(connection, [OfCode(code)])


def test_trees_sent_lost_and_standing_are_accounted_for(store: Store) -> None:
    with holding(store, protected()) as connection:
        found = recalled(connection)
    assert (found.trees, found.sent, found.lost, found.standing) == (20, 5, 8, 7)
    assert found.share_of_trees == 1
    assert found.lots_left == ()
    assert found.customers == 1


def test_trees_nobody_placed_or_counted_are_not(lite: Store) -> None:
    rows = protected()
    rows["graft_lots"][0] |= {"first": None, "last": None}
    rows["take_counts"] = [counted("G1", "2026-10-01", pushing=12, dead=3)]
    with holding(lite, rows) as connection:
        found = recalled(connection)
    assert (found.sent, found.lost, found.standing) == (5, 3, 0)
    assert [each.unaccounted for each in found.lots_left] == [12]
    assert not found.lots_left[0].placed
    assert found.share_of_trees == pytest.approx(8 / 20)


def test_sticks_gone_and_counted_in_store_are_accounted_for_and_those_by_the_book_are_not(
    store: Store,
) -> None:
    rows = small()
    with holding(store, rows) as connection:
        by_book = recalled(connection)
    rows["bundle_log"] = [
        {"bundle": "B1", "time": at(2026, 5, 1), "event": "checked", "sticks": 18}
    ]
    with holding(store, rows) as connection:
        stored = recalled(connection)
    # 50 were cut and 40 of them tied; 20 of those were grafted.
    assert [by_book.sticks, by_book.sticks_gone, by_book.by_book] == [50, 20, 20]
    assert dict(by_book.bundles_left) == {"B1": 20, "C1": 10}
    assert [stored.sticks_stored, stored.by_book] == [18, 0]
    assert dict(stored.bundles_left) == {"B1": 2, "C1": 10}
    assert stored.share_of_sticks == pytest.approx(38 / 50)
    assert not stored.reaches(0.95)
    assert stored.reaches(0.75)


def test_sticks_passed_between_recalled_bundles_count_once(lite: Store) -> None:
    rows = small()
    rows["collections"] = [collection("C1", "T1", sticks=40), collection("C2", "T2")]
    rows["bundles"].append(bundle("B3", sticks=20))
    rows["bundle_parents"] = [{"bundle": "B3", "parent": "B1", "sticks": 20}]
    with holding(lite, rows) as connection:
        found = recalled(connection)
    assert (found.sticks, found.sticks_gone) == (40, 20)
    assert found.bundles_left == (("B3", 20),)


def test_an_answer_for_a_spreadsheet_names_what_to_look_for(lite: Store) -> None:
    with holding(lite, small()) as connection:
        found = recalled(connection)
    assert [(row["kind"], row["code"]) for row in found.to_rows()] == [
        ("bundle", "B1"),
        ("bundle", "C1"),
    ]
    assert found.to_dict()["share_of_trees"] == 1
    assert found.seconds > 0


# -------------------------------------------------------------------------------------- in words


def test_what_is_doubtful_is_said(run: Run, tmp_path: Path) -> None:
    with Registry.new(tmp_path / "registry.db", by="P01") as registry:
        registry.record("people", person="P01")
        for cultivar in ("Fernhill", "Oldgate"):
            registry.record("cultivars", cultivar=cultivar, species="Malus domestica")
        registry.correct("cultivars", "Fernhill", why="looked up", rights="patent")
        registry.record("mother_trees", tree="AB-1", cultivar="Fernhill")
        registry.record("collections", collection="C1", tree="AB-1", date="2026-01-20", sticks=60)
        registry.record("bundles", bundle="B1", collection="C1", sticks=30)
        registry.record("bundles", bundle="B2", received_from="SU1", cultivar="Oldgate", sticks=30)
        registry.rebundle(
            [("B1", 10), ("B2", 10)], {"bundle": "B3", "packed": "2026-02-01", "sticks": 20}
        )
        lot = {"grafter": "P01", "method": "whip"}
        registry.record(
            "graft_lots", graft_lot="G1", bundle="B3", grafts=8, **lot, date="2026-03-01"
        )
        registry.record("graft_lots", graft_lot="G2", bundle="B1", grafts=5, **lot)
    counted = run("royalties", "2026")
    assert "Fernhill: a right is claimed and no licence number is recorded" in counted.err
    assert "Fernhill: 8 grafts of mixed wood count in full" in counted.err
    assert "not counted, since nothing says when: B2, G2" in counted.err
    told = run("report", "2026")
    assert "day of the grafting" in told.out
    assert "grafts made            8" in told.out
    assert re.search(r"- +Fernhill +8 ", told.out)
    drilled = run("recall", "AB-1", "--drill")
    assert "G1: 8 of 8 (where they stand is not recorded, never counted)" in drilled.out
    assert drilled.code == 3
    none = run("royalties", "--from", "2020-01-01", "--to", "2020-12-31")
    assert "Fernhill     0" in none.out


# --------------------------------------------------------------------------------- the demo's books


def test_grafts_made_are_those_of_every_lot_that_traces_to_the_cultivar(demo: str) -> None:
    with Registry.open(demo) as registry:
        lots = [
            each
            for each in registry.records("graft_lots")
            if (each.get("date") or "").startswith("2025")
        ]
        made = sum(
            lot["grafts"]
            for lot in lots
            if "Quarrow"
            in {
                source.cultivar
                for source in registry.trace(lot["graft_lot"]).sources
                if source.generation == 1
            }
        )
        found = registry.royalties(first=day("2025-01-01"), last=day("2025-12-31")).rows
    (quarrow,) = (each for each in found if each.cultivar == "Quarrow")
    assert quarrow.made == made > 0
