"""Correcting and voiding: every version is kept, and nothing comes back by itself."""

from pathlib import Path

import pytest
from nursery import LOT, actions, add, everything, faults_of, value

from scionreg.exchange.importing import import_files
from scionreg.records.errors import NotFoundError, ProblemsError, RegistryError
from scionreg.registry.correcting import correct, void
from scionreg.registry.finding import find_record
from scionreg.registry.history import history
from scionreg.registry.store import Store

LOT_CODE = "G26-0001-7"


def told(store: Store, kind: str, key: str) -> list[tuple[str, str, object]]:
    with store.reading() as connection:
        return [
            (step.action, step.why, step.record.get("grafts"))
            for step in history(connection, kind, key)
        ]


def test_a_correction_keeps_what_was_with_who_when_and_why(nursery: Store) -> None:
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": 19}, by="P02", why="counted again")
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": "18"}, by="P01", why="once more")
    assert value(nursery, "graft_lots", LOT_CODE, "grafts") == 18
    assert told(nursery, "graft_lots", LOT_CODE) == [
        ("record", "", 20),
        ("correct", "counted again", 19),
        ("correct", "once more", 18),
    ]
    assert faults_of(nursery) == []


def test_an_empty_value_makes_it_unknown(nursery: Store) -> None:
    done = correct(nursery, "graft_lots", LOT_CODE, {"date": ""}, by="P01", why="illegible")
    assert "date" not in done.record
    assert [warning.rule for warning in done.warnings] == ["unknown_date"]


def test_dates_times_and_yes_or_no_are_corrected_too(nursery: Store) -> None:
    add(nursery, "stores", store="Cooler")
    add(nursery, "bundle_log", bundle="B26-0001-7", time="2026-02-01T08:00", event="checked")
    key = "B26-0001-7/2026-02-01 08:00:00/checked"
    done = correct(nursery, "bundle_log", key, {"store": "Cooler"}, by="P01", why="forgotten")
    assert done.record["store"] == "Cooler"
    done = correct(nursery, "bundles", "B26-0001-7", {"sealed": "yes"}, by="P01", why="seen")
    assert done.record["sealed"] == 1
    done = correct(
        nursery, "collections", "C26-0001-7", {"date": "2026-01-19"}, by="P01", why="late entry"
    )
    assert done.record["date"] == "2026-01-19"
    assert faults_of(nursery) == []


@pytest.mark.parametrize(
    ("key", "values", "why", "said"),
    [
        (LOT_CODE, {"grafts": 20}, "x", "already is as you say"),
        (LOT_CODE, {"graft_lot": "G26-0002-5"}, "x", "a key is not corrected"),
        (LOT_CODE, {"grafts": 19}, " ", "say why"),
        (LOT_CODE, {"grafts": "40+"}, "x", "rough number"),
        (LOT_CODE, {"grafts": ""}, "x", "empty"),
        (LOT_CODE, {"bundle": "B26-0002-5"}, "x", "no bundle"),
        (LOT_CODE, {"date": "2026-01-01"}, "x", "before|but its wood was cut"),
        (LOT_CODE, {"colour": "red"}, "x", "no column"),
        ("G26-0002-5", {"grafts": 19}, "x", "no graft lots are recorded"),
    ],
)
def test_what_cannot_be_corrected_is_refused_and_changes_nothing(
    nursery: Store, key: str, values: dict[str, object], why: str, said: str
) -> None:
    before = everything(nursery), actions(nursery)
    with pytest.raises(RegistryError, match=said):
        correct(nursery, "graft_lots", key, values, by="P01", why=why)
    assert (everything(nursery), actions(nursery)) == before


def test_a_correction_is_judged_by_what_hangs_on_it(nursery: Store) -> None:
    with pytest.raises(ProblemsError, match="but its wood was cut on 2026-03-11"):
        correct(nursery, "collections", "C26-0001-7", {"date": "2026-03-11"}, by="P01", why="late")


def test_a_void_takes_the_lines_that_only_belong_to_the_record(nursery: Store) -> None:
    add(nursery, "take_counts", graft_lot=LOT_CODE, date="2026-05-01", pushing=15)
    gone = void(nursery, "graft_lots", LOT_CODE, by="P01", why="never made")
    assert [each.kind for each in gone] == ["take_counts", "graft_lots"]
    assert everything(nursery)["graft_lots"] == []
    with nursery.reading() as connection, pytest.raises(NotFoundError):
        find_record(connection, "graft_lots", LOT_CODE)
    assert told(nursery, "graft_lots", LOT_CODE) == [
        ("record", "", 20),
        ("void", "never made", None),
    ]
    assert faults_of(nursery) == []


def test_a_record_that_another_names_is_not_voided(nursery: Store) -> None:
    for kind, key in (("bundles", "B26-0001-7"), ("people", "P01"), ("mother_trees", "T26-0001-7")):
        with pytest.raises(RegistryError, match="is named by"):
            void(nursery, kind, key, by="P01", why="x")
    add(nursery, "identity_checks", item=f"{LOT_CODE}/3", method="leaf", checked=1, off=0)
    with pytest.raises(RegistryError, match="identity check"):
        void(nursery, "graft_lots", LOT_CODE, by="P01", why="x")
    assert faults_of(nursery) == []


def test_a_voided_code_is_not_used_again_nor_issued(nursery: Store) -> None:
    void(nursery, "graft_lots", LOT_CODE, by="P01", why="never made")
    with pytest.raises(
        ProblemsError, match="was voided; scionreg restore G26-0001-7 brings it back"
    ):
        add(nursery, "graft_lots", graft_lot=LOT_CODE, bundle="B26-0001-7", grafts=5, **LOT)
    assert add(nursery, "graft_lots", bundle="B26-0001-7", grafts=5, **LOT).key == "G26-0002-5"


def test_a_count_may_be_taken_again_after_it_was_voided(nursery: Store) -> None:
    count = {"graft_lot": LOT_CODE, "date": "2026-05-01"}
    add(nursery, "take_counts", **count, pushing=15)
    void(nursery, "take_counts", f"{LOT_CODE}/2026-05-01", by="P01", why="wrong lot")
    add(nursery, "take_counts", **count, pushing=12)
    assert value(nursery, "take_counts", LOT_CODE, "pushing") == 12
    assert faults_of(nursery) == []


def test_a_key_in_part_is_enough_where_it_names_one_record(nursery: Store) -> None:
    add(nursery, "take_counts", graft_lot=LOT_CODE, date="2026-05-01", pushing=15)
    correct(nursery, "take_counts", LOT_CODE, {"pushing": 14}, by="P01", why="miscounted")
    add(nursery, "take_counts", graft_lot=LOT_CODE, date="2026-10-01", pushing=13)
    with pytest.raises(RegistryError, match="names 2 records"):
        correct(nursery, "take_counts", LOT_CODE, {"pushing": 12}, by="P01", why="miscounted")


def test_importing_the_same_file_after_a_correction_or_void_brings_nothing_back(
    nursery: Store, tmp_path: Path
) -> None:
    file = tmp_path / "rootstock_lots.csv"
    file.write_text("rootstock_lot,clone\nR-1,Q1\nR-2,Q2\nR-3,Q3\n")
    import_files(nursery, [file], by="P01")
    correct(nursery, "rootstock_lots", "R-1", {"clone": "Q9"}, by="P01", why="label read again")
    void(nursery, "rootstock_lots", "R-2", by="P01", why="never came")
    before = everything(nursery), actions(nursery)
    again = import_files(nursery, [file], by="P01")
    assert not again.refused
    assert again.repeated["rootstock_lots"] == 3
    assert (everything(nursery), actions(nursery)) == before
    file.write_text("rootstock_lot,clone\nR-2,Q7\n")
    assert import_files(nursery, [file], by="P01").problems[0].rule == "voided_code"
