"""A look at ``lot/position`` is one at the tree that stood there that day: mostly the regraft's."""

from typing import Any

import pytest

from scionreg.lineage.identity_reader import read_identity_books
from scionreg.lineage.lot_looks import read_lot_trees
from scionreg.lineage.place_books import read_lot_looks
from scionreg.lineage.standing import items_standing
from scionreg.off_types import off_types
from scionreg.registry.store import Store
from scionreg.seasons import season_report
from tests.small_registries import Rows, day, holding, lot, small


def regrafted() -> Rows:
    """Return the small registry with positions 4 to 6 of G1 regrafted as G3, with wood of B2."""
    records = small()
    records["graft_lots"].append(
        lot("G3", "B2", date=day("2026-05-01"), grafts=3, first=4, last=6, regraft_of="G1")
    )
    return records


def look(code: str, item: str, date: str | None, off: int = 0, **more: Any) -> dict[str, Any]:
    at = None if date is None else day(date)
    made = {"check": code, "item": item, "date": at, "method": "dna", "checked": 1, "off": off}
    return {**made, **more}


def found_off_before_and_after() -> Rows:
    """Return it with a tree of G1 found off before it was regrafted, and one of G3 since."""
    records = regrafted()
    records["identity_checks"] = [
        look("K1", "G1/5", "2026-04-20", 1, found="Birkwood"),
        look("K2", "G1/6", "2026-10-01", 1, found="Aldern"),
    ]
    return records


@pytest.mark.parametrize(
    ("item", "date", "expected"),
    [
        ("G1/5", "2026-10-01", "G3/5"),
        ("G1/5", None, "G3/5"),
        ("G1/5", "2026-04-20", "G1/5"),
        ("G1/7", "2026-10-01", "G1/7"),
        ("G3/5", "2026-10-01", "G3/5"),
        ("G1", "2026-10-01", "G1"),
        ("T1", None, "T1"),
    ],
)
def test_a_tree_is_of_the_lot_whose_graft_stood_there(
    store: Store, item: str, date: str | None, expected: str
) -> None:
    with holding(store, regrafted()) as connection:
        asked = [(item, None if date is None else day(date))]
        assert items_standing(connection, asked) == [expected]


def test_a_wrong_tree_of_a_regraft_is_laid_to_the_regraft(store: Store) -> None:
    records = regrafted()
    records["identity_checks"] = [look("K1", "G1/5", "2026-10-01", 1, found="Aldern")]
    with holding(store, records) as connection:
        (check,) = read_identity_books(connection, "G3").checks
        assert (check.item, check.positions) == ("G3", (5,))
        (of_tree, of_lot, first) = off_types(connection, ["G1/5", "G3", "G1"]).answers
    assert (of_tree.code, of_tree.label) == ("G3/5", "Birkwood")
    assert (of_lot.looked.checked, of_lot.looked.off) == (1, 1)
    assert (first.looked.checked, first.looked.off) == (0, 0)


def test_a_look_at_a_regrafts_tree_counts_for_the_sample_of_the_regraft(store: Store) -> None:
    records = regrafted()
    records["graft_lots"].append(
        lot("G4", "B1", date=day("2026-05-20"), grafts=1, first=6, last=6, regraft_of="G3")
    )
    records["identity_checks"] = [
        look("K1", "G1/5", "2026-10-01"),
        look("K2", "G3/4", "2026-10-01"),
        look("K3", "G1/6", "2026-10-01"),
        look("K4", "G1/5", "2026-04-20"),
        look("K5", "G1/7", "2026-10-01"),
        look("K6", "G1", "2026-10-01"),
        look("K7", "G2", "2026-10-01"),
    ]
    with holding(store, records) as connection:
        looks = {
            code: [each.check for each in read_lot_trees(connection, code).looks]
            for code in ("G1", "G3", "G4")
        }
    assert looks == {"G1": ["K4", "K5", "K6"], "G3": ["K1", "K2"], "G4": ["K3"]}


def test_a_profile_of_a_regrafts_tree_is_one_of_the_regraft(store: Store) -> None:
    records = regrafted()
    alleles = {"Aldern": 100, "Birkwood": 140}
    records["genotypes"] = [
        {
            "sample": sample,
            "item": item,
            "cultivar": cultivar,
            "laboratory": "L",
            "locus": f"M{i}",
            "allele_1": alleles[of] + i,
            "allele_2": alleles[of] + i + 10,
        }
        for sample, item, cultivar, of in (
            ("reference-1", None, "Aldern", "Aldern"),
            ("reference-2", None, "Birkwood", "Birkwood"),
            ("s1", "G1/5", None, "Aldern"),
        )
        for i in range(12)
    ]
    with holding(store, records) as connection:
        (of_lot, first) = off_types(connection, ["G3", "G1"]).answers
        assert [each.code for each in off_types(connection).answers] == ["G3/5"]
    assert (of_lot.looked.checked, of_lot.looked.off) == (1, 1)
    assert (first.looked.checked, first.looked.off) == (0, 0)


def test_a_tree_found_off_before_it_was_regrafted_is_asked_about_by_its_lot(store: Store) -> None:
    records = found_off_before_and_after()
    with holding(store, records) as connection:
        answers = off_types(connection).answers
    assert [(each.code, each.looked.off) for each in answers] == [("G3/6", 1), ("G1", 1)]


def test_a_map_and_a_report_lay_looks_to_the_lot_the_tree_was_of(store: Store) -> None:
    records = found_off_before_and_after()
    with holding(store, records) as connection:
        looks = read_lot_looks(connection)
        found = {row.check: row for row in season_report(connection, 2026).off}
        of_lot = off_types(connection, ["G1"]).answers[0].causes[0]
    assert {code: each.positions for code, each in looks.items()} == {"G1": {5}, "G3": {6}}
    assert (found["K1"].cause, found["K1"].probability) == (of_lot.because, of_lot.probability)
