"""Issued codes: each once, by season, past what is voided and what is reserved."""

import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nursery import LOT, actions, add, faults_of

from scionreg.api import Registry
from scionreg.exchange.exporting import export_folder
from scionreg.exchange.importing import import_files
from scionreg.records import codes
from scionreg.records.errors import NoRecorderError, ProblemsError, RegistryError
from scionreg.registry.correcting import restore, void
from scionreg.registry.issuing import reserve
from scionreg.registry.recording import record, record_all
from scionreg.registry.store import Store

NewStore = Callable[[], AbstractContextManager[Store]]


def cut(store: Store, **values: object) -> str:
    """Record a collection and return its code."""
    return add(store, "collections", **{"tree": "T26-0001-7", "sticks": 1, **values}).key


ISSUED = {
    "mother_trees": {"cultivar": "Fernhill"},
    "collections": {"tree": "T26-0001-7", "date": "2026-01-20", "sticks": 1},
    "bundles": {"collection": "C26-0001-7", "packed": "2026-01-21", "sticks": 1},
    "graft_lots": {"bundle": "B26-0001-7", "grafts": 1, **LOT},
    "rootstock_lots": {"received": "2026-01-20"},
    "stores": {},
    "identity_checks": {"item": "T26-0001-7", "method": "leaf", "checked": 1, "off": 0},
    "dispatches": {"graft_lot": "G26-0001-7", "customer": "CU1", "trees": 1},
    "permissions": {"host": "H-1", "tree": "T26-0001-7"},
}


def test_every_kind_that_has_issued_codes_is_tried_here() -> None:
    assert set(ISSUED) == set(codes.LETTERS.values())


def test_a_record_without_a_code_is_given_a_right_one_of_its_kind(nursery: Store) -> None:
    for kind, values in ISSUED.items():
        first, second = (add(nursery, kind, **values).key.split("/")[0] for _ in range(2))
        assert codes.is_issued(first)
        assert codes.kind_of(first) == codes.kind_of(second) == kind
        assert codes.serial_of(second) == codes.serial_of(first) + 1
    assert faults_of(nursery) == []


def test_several_records_in_one_change_get_codes_one_after_the_other(nursery: Store) -> None:
    values = {"tree": "T26-0001-7", "date": "2026-01-20", "sticks": 1}
    made = record_all(nursery, [("collections", values)] * 3, by="P01")
    assert [codes.serial_of(each.key) for each in made] == [2, 3, 4]


def test_each_season_counts_for_itself(nursery: Store) -> None:
    assert cut(nursery, date="2026-06-30")[:8] == "C26-0002"
    assert cut(nursery, date="2026-07-01")[:8] == "C27-0001"
    assert cut(nursery, date="2025-12-01")[:8] == "C26-0003"
    assert cut(nursery, date="2024-01-01")[:8] == "C24-0001"


def test_a_code_of_the_nursery_s_own_moves_no_number(nursery: Store) -> None:
    add(nursery, "collections", collection="AB-0099", tree="T26-0001-7", sticks=1)
    assert cut(nursery, date="2026-01-20")[:8] == "C26-0002"


def test_a_number_used_out_of_turn_is_passed_over(nursery: Store) -> None:
    far = codes.issue("C", 2026, 12_345)
    cut(nursery, date="2026-01-20", collection=far)
    assert cut(nursery, date="2026-01-20") == codes.issue("C", 2026, 12_346)


def test_a_voided_code_is_neither_issued_nor_taken_again(nursery: Store) -> None:
    gone = cut(nursery, date="2026-01-20")
    void(nursery, "collections", gone, by="P01", why="entered twice")
    assert codes.serial_of(cut(nursery, date="2026-01-20")) == codes.serial_of(gone) + 1
    with pytest.raises(ProblemsError, match=r"was voided; .*; else take a new code"):
        cut(nursery, date="2026-01-20", collection=gone)


def test_what_is_refused_uses_no_number_up(nursery: Store) -> None:
    with pytest.raises(ProblemsError):
        cut(nursery, date="2026-01-20", tree="T-nowhere")
    assert cut(nursery, date="2026-01-20")[:8] == "C26-0002"


def test_a_run_goes_on_from_what_is_used_and_the_next_from_the_run(nursery: Store) -> None:
    run = reserve(nursery, "collections", person="P01", count=3, season=2026, by="P01")
    assert run == [codes.issue("C", 2026, serial) for serial in (2, 3, 4)]
    assert cut(nursery, date="2026-01-20") == codes.issue("C", 2026, 5)
    assert reserve(nursery, "collections", person="P02", count=1, season=2026, by="P01") == [
        codes.issue("C", 2026, 6)
    ]
    other = reserve(nursery, "collections", person="P02", count=1, season=2027, by="P01")
    assert other == [codes.issue("C", 2027, 1)]
    assert reserve(nursery, "stores", person="P02", count=1, season=2026, by="P01") == [
        codes.issue("S", 2026, 1)
    ]
    assert actions(nursery)[8:] == ["reserve", "record", "reserve", "reserve", "reserve"]


def test_reserving_needs_somebody_who_does_it(nursery: Store) -> None:
    with pytest.raises(NoRecorderError):
        reserve(nursery, "bundles", person="P01", count=1, season=2026)
    assert actions(nursery) == ["record"] * 8


def test_reserved_codes_come_in_from_a_file_in_any_order(nursery: Store, tmp_path: Path) -> None:
    run = reserve(nursery, "collections", person="P02", count=3, season=2026, by="P01")
    file = tmp_path / "collections.csv"
    rows = [f"{code},T26-0001-7,2026-01-22,P02,5" for code in reversed(run)]
    file.write_text("collection,tree,date,cutter,sticks\n" + "\n".join(rows) + "\n")
    imported = import_files(nursery, [file], by="P02")
    assert imported.problems == ()
    assert imported.recorded == {"collections": 3}
    assert cut(nursery, date="2026-01-22") == codes.issue("C", 2026, 5)
    assert faults_of(nursery) == []


def test_codes_of_voided_records_stay_used_after_export_and_import(
    nursery: Store, new_store: NewStore, tmp_path: Path
) -> None:
    gone = cut(nursery, date="2026-01-20")
    back = cut(nursery, date="2026-01-20")
    for code in (gone, back):
        void(nursery, "collections", code, by="P01", why="entered twice")
    restore(nursery, "collections", back, by="P01")
    last = cut(nursery, date="2026-01-20")
    void(nursery, "collections", last, by="P01", why="entered twice")
    export_folder(nursery, tmp_path / "first")
    with new_store() as first:
        import_files(first, [tmp_path / "first"], by="P01")
        assert cut(first, date="2026-01-20") == codes.issue("C", 2026, 5)
        export_folder(first, tmp_path / "second")
        assert faults_of(first) == []
    described = json.loads((tmp_path / "second" / "datapackage.json").read_text())["scionreg"]
    assert (described["voided"], described["reserved"]) == ([gone, last], [])


def test_a_voided_code_that_was_never_issued_is_refused(store: Store, tmp_path: Path) -> None:
    (tmp_path / "people.csv").write_text("person\nP01\n")
    (tmp_path / "datapackage.json").write_text('{"scionreg": {"voided": ["C26-0001-1"]}}')
    with pytest.raises(RegistryError, match="'C26-0001-1' is no issued code"):
        import_files(store, [tmp_path], by="P01")


def test_reserved_codes_are_listed_with_those_that_are_used(nursery: Store) -> None:
    registry = Registry(nursery)
    run = reserve(nursery, "collections", person="P02", count=2, season=2026, by="P01")
    reserve(nursery, "bundles", person="P01", count=1, season=2026, by="P01")
    cut(nursery, date="2026-01-20", collection=run[1])
    assert [(each.code, each.used) for each in registry.reserved("P02")] == [
        (run[0], False),
        (run[1], True),
    ]
    assert [each.kind for each in registry.reserved(kind="bundles")] == ["bundles"]


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("record"), st.sampled_from(["2025-09-01", "2026-02-01", "2026-09-01"])),
        st.tuples(st.just("void"), st.integers(0, 5)),
        st.tuples(st.just("reserve"), st.integers(1, 3)),
        st.tuples(st.just("use"), st.integers(0, 5)),
    ),
    max_size=12,
)


@settings(max_examples=5)
@given(steps=STEPS)
def test_no_code_is_ever_given_twice(
    new_store: NewStore, steps: list[tuple[str, int | str]]
) -> None:
    given_out: list[str] = []
    reserved: list[str] = []
    there: list[str] = []
    with new_store() as store:
        record(store, "people", {"person": "P01"}, by="P01")
        for action, choice in steps:
            if action == "record":
                made = add(store, "rootstock_lots", received=choice)
                given_out.append(made.key)
                there.append(made.key)
            elif action == "reserve":
                count = int(choice)
                run = reserve(
                    store, "rootstock_lots", person="P01", count=count, season=2026, by="P01"
                )
                given_out += run
                reserved += run
            elif action == "use" and reserved:
                code = reserved.pop(int(choice) % len(reserved))
                assert add(store, "rootstock_lots", rootstock_lot=code).key == code
                there.append(code)
            elif action == "void" and there:
                gone = there.pop(int(choice) % len(there))
                void(store, "rootstock_lots", gone, by="P01", why="never came")
        assert len(given_out) == len(set(given_out))
        assert all(map(codes.is_issued, given_out))
        assert faults_of(store) == []
