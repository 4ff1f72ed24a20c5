"""Undoing and restoring: the state before comes back as a new version, and the audit agrees."""

import random
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from full_nursery import RECORDS, write_folder
from hypothesis import given, settings
from hypothesis import strategies as st
from nursery import actions, add, everything, faults_of, value
from test_changes import change_at_random

from scionreg.api import Registry
from scionreg.exchange.importing import import_files
from scionreg.records.errors import NotFoundError, ProblemsError, RegistryError
from scionreg.registry.correcting import correct, restore, void
from scionreg.registry.history import history
from scionreg.registry.store import Store
from scionreg.registry.undoing import undo

NewStore = Callable[[], AbstractContextManager[Store]]
LOT_CODE = "G26-0001-7"
COUNT = {"graft_lot": LOT_CODE, "date": "2026-05-01", "pushing": 15}


def void_lot(store: Store) -> None:
    void(store, "graft_lots", LOT_CODE, by="P01", why="just trying")


# ------------------------------------------------------------------ restoring


def test_a_voided_record_comes_back_with_its_lines_as_a_new_version(nursery: Store) -> None:
    add(nursery, "take_counts", **COUNT)
    before = everything(nursery)
    void_lot(nursery)
    back = restore(nursery, "graft_lots", LOT_CODE, by="P02", why="it was made after all")
    assert [(each.kind, each.key) for each in back.records] == [
        ("take_counts", f"{LOT_CODE}/2026-05-01"),
        ("graft_lots", LOT_CODE),
    ]
    assert everything(nursery) == before
    assert faults_of(nursery) == []
    with nursery.reading() as connection:
        steps = history(connection, "graft_lots", LOT_CODE)
    assert [(step.action, step.by, step.record.get("grafts")) for step in steps] == [
        ("record", "P01", 20),
        ("void", "P01", None),
        ("restore", "P02", 20),
    ]


def test_a_restored_record_goes_on_as_any_other(nursery: Store, tmp_path: Path) -> None:
    void_lot(nursery)
    restore(nursery, "graft_lots", LOT_CODE, by="P01")
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": 19}, by="P01", why="counted again")
    file = tmp_path / "graft_lots.csv"
    file.write_text(
        "graft_lot,bundle,date,grafter,method,grafts\n"
        f"{LOT_CODE},B26-0001-7,2026-03-10,P01,whip,18\n"
    )
    assert [each.rule for each in import_files(nursery, [file], by="P01").problems] == [
        "duplicate_key"
    ]
    void_lot(nursery)
    restore(nursery, "graft_lots", LOT_CODE, by="P01")
    assert value(nursery, "graft_lots", LOT_CODE, "grafts") == 19
    assert faults_of(nursery) == []


def test_only_the_lines_that_went_with_the_record_come_back_with_it(nursery: Store) -> None:
    add(nursery, "take_counts", **COUNT)
    void(nursery, "take_counts", f"{LOT_CODE}/2026-05-01", by="P01", why="wrong lot")
    void_lot(nursery)
    restore(nursery, "graft_lots", LOT_CODE, by="P01")
    assert everything(nursery)["take_counts"] == []


def test_what_cannot_be_restored_is_refused_in_words(nursery: Store) -> None:
    with pytest.raises(RegistryError, match="G26-0001-7 is recorded; there is nothing to bring"):
        restore(nursery, "graft_lots", LOT_CODE, by="P01")
    with pytest.raises(NotFoundError, match="no graft lot 'G26-0002-5' was voided"):
        restore(nursery, "graft_lots", "G26-0002-5", by="P01")
    void_lot(nursery)
    void(nursery, "bundles", "B26-0001-7", by="P01", why="just trying")
    before = everything(nursery), actions(nursery)
    with pytest.raises(ProblemsError, match="'B26-0001-7' was voided; scionreg restore B26-0001-7"):
        restore(nursery, "graft_lots", LOT_CODE, by="P01")
    assert (everything(nursery), actions(nursery)) == before


def test_a_count_that_was_taken_again_keeps_the_voided_one_out(nursery: Store) -> None:
    add(nursery, "take_counts", **COUNT)
    key = f"{LOT_CODE}/2026-05-01"
    void(nursery, "take_counts", key, by="P01", why="wrong lot")
    add(nursery, "take_counts", **COUNT | {"pushing": 12})
    with pytest.raises(RegistryError, match=f"{key} is recorded"):
        restore(nursery, "take_counts", key, by="P01")


def test_what_names_a_voided_record_says_that_it_was_voided(nursery: Store) -> None:
    void_lot(nursery)
    with pytest.raises(ProblemsError, match="'G26-0001-7' was voided; scionreg restore G26-0001-7"):
        add(nursery, "take_counts", **COUNT)


# -------------------------------------------------------------------- undoing


def test_each_undo_takes_the_change_before(nursery: Store) -> None:
    states = [everything(nursery)]
    add(nursery, "take_counts", **COUNT)
    states.append(everything(nursery))
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": 19}, by="P02", why="counted again")
    states.append(everything(nursery))
    void_lot(nursery)
    states.append(everything(nursery))
    restore(nursery, "graft_lots", LOT_CODE, by="P01")
    for number in (12, 11, 10, 9):
        assert undo(nursery, by="P01").line["seq"] == number
        assert everything(nursery) == states.pop()
    assert actions(nursery)[12:] == ["undo"] * 4
    assert faults_of(nursery) == []


def test_an_undo_tells_what_it_does_and_a_dry_run_does_nothing(nursery: Store) -> None:
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": 19}, by="P02", why="counted again")
    before = everything(nursery), actions(nursery)
    would = undo(nursery, by="P01", dry_run=True)
    assert (everything(nursery), actions(nursery)) == before
    ((found, record),) = would.corrected
    assert (found.key, found.row[7], record["grafts"]) == (LOT_CODE, 19, 20)
    assert undo(nursery, by="P01").corrected == would.corrected
    with nursery.reading() as connection:
        last = history(connection, "graft_lots", LOT_CODE)[-1]
    assert (last.action, last.why, last.record["grafts"]) == ("undo", "undo of line 9", 20)


def test_an_import_is_voided_as_a_whole_unless_something_hangs_on_it(
    nursery: Store, tmp_path: Path
) -> None:
    before = everything(nursery)
    lots, counts = tmp_path / "graft_lots.csv", tmp_path / "take_counts.csv"
    rows = "".join(f"L{n},B26-0001-7,2026-03-11,P01,whip,2\n" for n in range(5))
    lots.write_text("graft_lot,bundle,date,grafter,method,grafts\n" + rows)
    counts.write_text("graft_lot,date,pushing\nL1,2026-05-01,2\n")
    import_files(nursery, [lots, counts], by="P02")
    sent = add(nursery, "dispatches", graft_lot="L3", customer="CU1", trees=1, date="2026-11-05")
    with pytest.raises(RegistryError, match=f"L3 is named by dispatch {sent.key}"):
        undo(nursery, by="P01", of="P02")
    undo(nursery, by="P01")
    assert len(undo(nursery, by="P01").voided) == 6
    assert everything(nursery) == before
    assert faults_of(nursery) == []
    again = import_files(nursery, [lots, counts], by="P02")
    assert not again.changed, "what was voided does not come back with its file"
    restore(nursery, "graft_lots", "L1", by="P02")
    assert [len(everything(nursery)[kind]) for kind in ("graft_lots", "take_counts")] == [2, 1]


def test_the_change_of_one_person_is_undone_past_those_of_others(nursery: Store) -> None:
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": 19}, by="P02", why="counted again")
    add(nursery, "take_counts", **COUNT)
    assert undo(nursery, by="P01", of="P02").line["seq"] == 9
    with pytest.raises(NotFoundError, match="no change of P02 left to undo"):
        undo(nursery, by="P01", of="P02")


def test_what_was_changed_since_is_not_undone(nursery: Store) -> None:
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": 19}, by="P02", why="counted again")
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": 18}, by="P01", why="once more")
    with pytest.raises(RegistryError, match="G26-0001-7 was changed since, by line 10"):
        undo(nursery, by="P01", of="P02")
    undo(nursery, by="P01", line=10)
    with pytest.raises(RegistryError, match="line 10 was undone already, by line 11"):
        undo(nursery, by="P01", line=10)
    with pytest.raises(RegistryError, match=r"line 11 \(undo\) is no change"):
        undo(nursery, by="P01", line=11)
    with pytest.raises(NotFoundError, match="no line 99"):
        undo(nursery, by="P01", line=99)


def test_settings_are_put_as_they_were(nursery: Store) -> None:
    registry = Registry(nursery)
    before = registry.settings
    registry.change_settings(recorder="P01", units="US", **{"store.gap_hours": "4.50"})
    registry.undo(recorder="P01")
    assert registry.settings == before
    assert [each.action for each in registry.changes()][-2:] == ["settings", "undo"]
    assert faults_of(nursery) == []


def test_an_undone_recording_keeps_its_code_from_being_issued_again(nursery: Store) -> None:
    gone = add(nursery, "dispatches", graft_lot=LOT_CODE, customer="CU1", trees=1).record
    undo(nursery, by="P01")
    again = add(nursery, "dispatches", graft_lot=LOT_CODE, customer="CU1", trees=1).record
    assert gone["dispatch"] != again["dispatch"]


@settings(max_examples=4)
@given(seed=st.integers(0, 2**32))
def test_undoing_everything_brings_every_state_back_and_the_audit_finds_no_fault(
    new_store: NewStore, tmp_path_factory: pytest.TempPathFactory, seed: int
) -> None:
    chance = random.Random(seed)
    folder = write_folder(tmp_path_factory.mktemp("full") / "season", RECORDS)
    with new_store() as store:
        import_files(store, [folder], by="P01")
        states = [everything(store)]
        while len(states) < 12:
            lines = len(actions(store))
            if len(states) > 1 and chance.random() < 0.2:
                states.pop()
                undo(store, by="P01")
                assert everything(store) == states[-1]
            elif change_at_random(store, chance) and len(actions(store)) > lines:
                states.append(everything(store))
        assert faults_of(store) == []
        while len(states) > 1:
            states.pop()
            undo(store, by="P01")
            assert everything(store) == states[-1]
        assert undo(store, by="P01").line["action"] == "import"
        assert not any(everything(store).values())
        assert faults_of(store) == []
        with pytest.raises(NotFoundError):
            undo(store, by="P01")
