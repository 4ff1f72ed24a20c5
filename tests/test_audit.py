"""The journal and the guards: what somebody does past scionreg is refused, or found."""

import json
import re
from pathlib import Path

import pytest
from conftest import Filled
from nursery import add, everything, faults_of, forge, furnish
from sqlalchemy import text

from scionreg.exchange.importing import import_files
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS
from scionreg.registry import journal
from scionreg.registry.correcting import correct
from scionreg.registry.store import Store


def furnish_and_correct(store: Store) -> None:
    furnish(store)
    correct(store, "graft_lots", "G26-0001-7", {"grafts": 19}, by="P02", why="counted again")


@pytest.fixture
def nursery(filled: Filled) -> Store:
    return filled(furnish_and_correct)


def test_a_registry_in_use_has_no_fault(nursery: Store, tmp_path: Path) -> None:
    file = tmp_path / "stores.csv"
    file.write_text("store,kind\nCooler,cooler\nBox,box\n")
    import_files(nursery, [file], by="P01")
    assert faults_of(nursery) == []


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE journal SET by = 'P02' WHERE seq = 3", "line 3 was changed"),
        ("UPDATE journal SET why = 'because' WHERE seq = 9", "line 9 was changed"),
        ("UPDATE journal SET content = '{}' WHERE seq = 1", "line 1 was changed"),
        ("UPDATE journal SET time = '2020-01-01 00:00:00' WHERE seq = 2", "line 2 was changed"),
        ("DELETE FROM journal WHERE seq = 4", "line 5 stands where line 4 should be"),
        ("DELETE FROM journal WHERE seq = 1", "line 2 stands where line 1 should be"),
        ("DELETE FROM journal WHERE seq = 9", "lines 9 to 9 are missing from the end"),
        ("DELETE FROM journal", "missing from the end"),
        ("UPDATE graft_lots SET grafts = 12", "is not what is there"),
        ("UPDATE versions SET content = replace(content, '20', '18')", "is not what is there"),
        ("DELETE FROM versions", "graft lots|graft_lots"),
        ("DELETE FROM graft_lots", "is not what is there"),
        (
            "INSERT INTO people (person, entry) VALUES ('P66', 2)",
            "people: .*(is not what is there|the journal wrote)",
        ),
    ],
)
def test_what_a_forger_changes_is_found(nursery: Store, statement: str, said: str) -> None:
    forge(nursery, statement)
    assert any(re.search(said, fault) for fault in faults_of(nursery))


def test_lines_in_another_order_are_found(nursery: Store) -> None:
    forge(
        nursery,
        "UPDATE journal SET seq = 100 WHERE seq = 3",
        "UPDATE journal SET seq = 3 WHERE seq = 4",
        "UPDATE journal SET seq = 4 WHERE seq = 100",
    )
    assert "does not follow the line before it" in " ".join(faults_of(nursery))


def test_a_line_put_in_between_is_found_even_with_a_digest_of_its_own(nursery: Store) -> None:
    with nursery.reading() as connection:
        *_, last = journal.lines(connection)
    new = {**last, "seq": 10, "content": json.dumps({}), "previous": last["digest"]}
    new["digest"] = journal.line_digest(new)
    columns = ", ".join(f'"{name}"' for name in new)
    values = ", ".join("'" + str(value).replace("'", "''") + "'" for value in new.values())
    forge(nursery, f"INSERT INTO journal ({columns}) VALUES ({values})")
    assert "the journal's end is not the one" in " ".join(faults_of(nursery))


@pytest.mark.parametrize("kind", KINDS)
def test_the_database_itself_keeps_records_from_being_changed(store: Store, kind: str) -> None:
    with store.writing() as connection:
        connection.execute(text("INSERT INTO people (person, entry) VALUES ('P01', 1)"))
    for statement in (f"UPDATE {kind} SET entry = entry + 1", f"DELETE FROM {kind}"):
        if kind == "people":
            with pytest.raises(RegistryError, match="append-only"), store.writing() as connection:
                connection.execute(text(statement))
        else:
            assert _guarded(store, kind)


def _guarded(store: Store, kind: str) -> bool:
    """Tell whether a table has its guards."""
    query = (
        f"SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND tbl_name = '{kind}'"
        if store.is_sqlite
        else f"SELECT count(*) FROM pg_trigger WHERE tgrelid = '{kind}'::regclass "
        "AND NOT tgisinternal"
    )
    with store.reading() as connection:
        return connection.execute(text(query)).scalar_one() == 2


@pytest.mark.parametrize("name", ["journal", "versions", "people"])
@pytest.mark.parametrize("operation", ["UPDATE {} SET id = id", "DELETE FROM {}", "TRUNCATE {}"])
def test_journal_and_versions_only_grow(nursery: Store, name: str, operation: str) -> None:
    statement = operation.format(name)
    if name == "journal":
        statement = statement.replace("SET id = id", "SET seq = seq")
    if operation.startswith("TRUNCATE"):
        if nursery.is_sqlite:
            return
        statement += " CASCADE"
    before = everything(nursery)
    with pytest.raises(RegistryError, match="append-only"), nursery.writing() as connection:
        connection.execute(text(statement))
    assert everything(nursery) == before
    assert faults_of(nursery) == []


def test_a_record_is_not_changed_under_cover_of_an_old_version(nursery: Store) -> None:
    for statement in (
        "UPDATE graft_lots SET grafts = 1",
        "UPDATE graft_lots SET grafts = 1, entry = 1",
        "DELETE FROM graft_lots",
    ):
        with pytest.raises(RegistryError, match="append-only"), nursery.writing() as connection:
            connection.execute(text(statement))


def test_references_are_kept_by_the_database_too(nursery: Store) -> None:
    with pytest.raises(RegistryError), nursery.writing() as connection:
        connection.execute(
            text("INSERT INTO bundles (bundle, collection, sticks, entry) VALUES ('B', 'C', 1, 1)")
        )
    add(nursery, "bundles", collection="C26-0001-7", sticks=1, packed="2026-01-20")
