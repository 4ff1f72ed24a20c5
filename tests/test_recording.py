"""Recording one record: codes issued, rules kept, one journal line, all or nothing."""

import datetime as dt
import json

import pytest
from nursery import LOT, actions, add, everything, faults_of, value
from sqlalchemy import select

from scionreg.records import codes
from scionreg.records.errors import (
    NoRecorderError,
    NotFoundError,
    ProblemsError,
    RegistryError,
)
from scionreg.registry.issuing import reserve
from scionreg.registry.ledger import JournalLine
from scionreg.registry.recording import rebundle, record
from scionreg.registry.settings import Settings, read_settings, write_settings
from scionreg.registry.store import Store


def test_codes_are_issued_by_the_season_of_the_record(nursery: Store) -> None:
    assert add(nursery, "graft_lots", bundle="B26-0001-7", grafts=1, **LOT).key == "G26-0002-5"
    autumn = {**LOT, "date": "2026-08-20"}
    assert add(nursery, "graft_lots", bundle="B26-0001-7", grafts=1, **autumn).key == "G27-0001-1"


def test_every_change_is_one_line_that_names_who_and_what(nursery: Store) -> None:
    assert actions(nursery) == ["record"] * 8
    with nursery.reading() as connection:
        line = connection.execute(select(JournalLine).where(JournalLine.seq == 8)).one()
    content = json.loads(line.content)
    assert (line.by, line.kind) == ("P01", "graft_lots")
    assert content["records"][0]["record"]["grafts"] == 20
    assert content["made"]["graft_lots"]["count"] == 1
    assert faults_of(nursery) == []


def test_values_may_be_python_values(nursery: Store) -> None:
    made = add(
        nursery,
        "collections",
        tree="T26-0001-7",
        date=dt.date(2026, 1, 21),
        sticks=5,
        share_cut=0.25,
        in_leaf=False,
    )
    assert made.record == {
        "collection": made.key,
        "tree": "T26-0001-7",
        "date": "2026-01-21",
        "sticks": 5,
        "share_cut": 0.25,
        "in_leaf": 0,
    }


def test_a_refusal_names_everything_and_changes_nothing(nursery: Store) -> None:
    before = everything(nursery), actions(nursery)
    with pytest.raises(ProblemsError) as refusal:
        add(nursery, "graft_lots", bundle="B26-0001-8", grafter="P01", method="glue", grafts="-2")
    assert {problem.column for problem in refusal.value.problems} == {"bundle", "method", "grafts"}
    assert (everything(nursery), actions(nursery)) == before


def test_required_values_are_asked_for(nursery: Store) -> None:
    with pytest.raises(ProblemsError, match="sticks: no value is given; give one"):
        add(nursery, "collections", tree="T26-0001-7")
    with pytest.raises(RegistryError, match="no column 'colour'"):
        add(nursery, "collections", tree="T26-0001-7", sticks=1, colour="red")


def test_the_same_record_again_changes_nothing(nursery: Store) -> None:
    before = actions(nursery)
    add(nursery, "mother_trees", tree="T26-0001-7", cultivar="Fernhill")
    assert actions(nursery) == before


def test_another_record_under_the_same_code_is_refused(nursery: Store) -> None:
    with pytest.raises(ProblemsError, match="is recorded with cultivar"):
        add(nursery, "mother_trees", tree="T26-0001-7", cultivar="Oldgate")


def test_a_warning_comes_back_with_the_record(nursery: Store) -> None:
    made = add(nursery, "graft_lots", bundle="B26-0001-7", grafts=40, **LOT)
    assert [warning.rule for warning in made.warnings] == ["used_more_than_packed"]
    made = add(nursery, "mother_trees", cultivar="FH")
    assert [warning.rule for warning in made.warnings] == ["alias_used"]
    assert value(nursery, "mother_trees", made.key, "cultivar") == "FH"


def test_a_bundle_and_its_parents_are_one_change(nursery: Store) -> None:
    add(nursery, "bundles", collection="C26-0001-7", sticks=10, packed="2026-01-20")
    made = rebundle(
        nursery,
        [("B26-0001-7", 6), ("B26-0002-5", 4)],
        {"sticks": 10, "packed": "2026-02-20"},
        by="P01",
    )
    assert [each.kind for each in made] == ["bundles", "bundle_parents", "bundle_parents"]
    assert actions(nursery)[-1] == "record"
    before = everything(nursery)
    with pytest.raises(ProblemsError, match="no bundle"):
        rebundle(nursery, [("B-nowhere", 6)], {"sticks": 6}, by="P01")
    assert everything(nursery) == before


@pytest.mark.parametrize("more", [4, 6])
def test_a_parent_named_twice_is_refused_and_no_stick_is_lost(nursery: Store, more: int) -> None:
    add(nursery, "bundles", collection="C26-0001-7", sticks=10, packed="2026-01-20")
    before = everything(nursery)
    with pytest.raises(RegistryError, match="B26-0001-7 is named twice"):
        rebundle(nursery, [("B26-0001-7", 4), ("B26-0001-7", more)], {"sticks": 4 + more}, by="P01")
    assert everything(nursery) == before


def test_somebody_must_record(store: Store) -> None:
    with pytest.raises(NoRecorderError, match="--by"):
        record(store, "people", {"person": "P01"})
    with pytest.raises(NoRecorderError, match="no code of a person"):
        record(store, "people", {"person": "P01"}, by="somebody with a long name")


def test_the_setting_says_who_records_where_nobody_else_does(store: Store) -> None:
    with store.writing() as connection:
        write_settings(connection, Settings(by="P09", time_zone="America/Chicago"))
    record(store, "people", {"person": "P01"})
    with store.reading() as connection:
        assert connection.execute(select(JournalLine.by)).scalar_one() == "P09"
        assert read_settings(connection).time_zone == "America/Chicago"


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        ("time_zone", "Nowhere/Land"),
        ("units", "furlongs"),
        ("season_first_day", "13-45"),
        ("colour", "red"),
    ],
)
def test_settings_that_cannot_be_are_refused(name: str, wrong: str) -> None:
    with pytest.raises(RegistryError):
        Settings().changed({name: wrong})


def test_seasons_are_named_by_the_year_of_their_spring() -> None:
    settings = Settings()
    assert settings.season(dt.date(2026, 6, 30)) == 2026
    assert settings.season(dt.date(2026, 7, 1)) == 2027
    southern = Settings(season_first_day="01-01")
    assert southern.season(dt.date(2026, 1, 1)) == 2026
    assert southern.season(dt.date(2026, 12, 31)) == 2026
    assert Settings(season_first_day="03-01").season(dt.date(2026, 2, 28)) == 2025


def test_reserved_codes_are_passed_over_and_never_reserved_twice(nursery: Store) -> None:
    first = reserve(nursery, "bundles", person="P01", count=3, season=2026, by="P01")
    second = reserve(nursery, "bundles", person="P02", count=2, season=2026, by="P01")
    assert [codes.serial_of(code) for code in (*first, *second)] == [2, 3, 4, 5, 6]
    made = add(nursery, "bundles", collection="C26-0001-7", sticks=1, packed="2026-01-21")
    assert codes.serial_of(made.key) == 7
    used = add(
        nursery,
        "bundles",
        bundle=first[1],
        collection="C26-0001-7",
        sticks=1,
        packed="2026-01-21",
    )
    assert used.key == first[1]
    assert faults_of(nursery) == []


@pytest.mark.parametrize(
    ("kind", "person", "count", "error"),
    [
        ("cultivars", "P01", 1, RegistryError),
        ("bundles", "P99", 1, NotFoundError),
        ("bundles", "P01", 0, RegistryError),
        ("bundles", "P01", 10_001, RegistryError),
    ],
)
def test_what_cannot_be_reserved_is_refused(
    nursery: Store, kind: str, person: str, count: int, error: type[Exception]
) -> None:
    with pytest.raises(error):
        reserve(nursery, kind, person=person, count=count, by="P01")


def test_a_record_that_was_there_already_is_told_to_be(nursery: Store) -> None:
    person = {"person": "P09", "mark": "blue"}
    assert not add(nursery, "people", **person).repeated
    lines = actions(nursery)
    assert add(nursery, "people", **person).repeated
    assert actions(nursery) == lines
