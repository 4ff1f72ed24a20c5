"""What a forger with the guards off can do to journal, versions and records, and that it shows."""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from conftest import Filled
from full_nursery import RECORDS, write_folder
from nursery import add, faults_of, forge, furnish
from sqlalchemy import text

from scionreg.exchange.importing import import_files
from scionreg.records.errors import RegistryError
from scionreg.records.tables import KINDS, table
from scionreg.registry.correcting import correct, void
from scionreg.registry.issuing import reserve
from scionreg.registry.store import Store


def correct_and_void(store: Store) -> None:
    """Correct one lot twice, and void a rootstock lot."""
    furnish(store)
    add(store, "rootstock_lots", rootstock_lot="R-1", clone="Q1")
    for grafts in (19, 18):
        correct(store, "graft_lots", "G26-0001-7", {"grafts": grafts}, by="P02", why="counted")
    void(store, "rootstock_lots", "R-1", by="P01", why="never came")
    assert faults_of(store) == []


@pytest.fixture
def nursery(filled: Filled) -> Store:
    """A registry in which one lot was corrected twice, and one rootstock lot voided."""
    return filled(correct_and_void)


@pytest.mark.parametrize(
    "statements",
    [
        pytest.param(
            [
                "INSERT INTO rootstock_lots (id, rootstock_lot, clone, entry) "
                "SELECT record, 'R-1', 'Q1', made FROM versions WHERE kind = 'rootstock_lots'",
                "DELETE FROM versions WHERE kind = 'rootstock_lots'",
            ],
            id="a voided record put back",
        ),
        pytest.param(
            [
                "UPDATE versions SET made = 11, content = replace(content, '\\:20', '\\:18') "
                "WHERE kind = 'graft_lots' AND made = 8",
                "UPDATE graft_lots SET grafts = 20, entry = 8",
            ],
            id="the first version exchanged for the last",
        ),
        pytest.param(["UPDATE versions SET voided = NOT voided"], id="voided or corrected"),
        pytest.param(["UPDATE versions SET key = 'R-9' WHERE voided"], id="under another key"),
        pytest.param(["UPDATE versions SET ended = 3 WHERE voided"], id="ended by another line"),
        pytest.param(
            [
                "DELETE FROM journal WHERE seq = 12",
                "UPDATE journal_head SET seq = 11, "
                "digest = (SELECT digest FROM journal WHERE seq = 11)",
            ],
            id="the void taken out of the journal, and its end put right",
        ),
    ],
)
def test_an_old_state_brought_back_is_found(nursery: Store, statements: list[str]) -> None:
    forge(nursery, *statements)
    assert faults_of(nursery) != []


@pytest.mark.parametrize(
    "forged", ["content = 'no JSON'", "content = '[]'", "time = '0001-01-01 00:00:00'"]
)
def test_a_line_made_unreadable_is_found(nursery: Store, forged: str) -> None:
    forge(nursery, f"UPDATE journal SET {forged} WHERE seq = 10")
    assert any("line 10 was changed" in fault for fault in faults_of(nursery))


def test_a_time_that_is_none_is_found(nursery: Store) -> None:
    if nursery.is_sqlite:  # PostgreSQL lets no such thing be written
        forge(nursery, "UPDATE journal SET time = 'noon' WHERE seq = 10")
        assert any("line 10 was changed" in fault for fault in faults_of(nursery))


def fill_every_table(store: Store) -> None:
    """Write rows into every table."""
    with TemporaryDirectory() as folder:
        assert import_files(
            store, [write_folder(Path(folder) / "season", RECORDS)], by="P01"
        ).changed
    reserve(store, "bundles", person="P01", count=2, season=2026, by="P01")
    correct(store, "people", "P01", {"mark": "red"}, by="P01", why="new tape")


@pytest.fixture
def full(filled: Filled) -> Iterator[Store]:
    """A registry with rows in every table."""
    store = filled(fill_every_table)
    yield store
    assert faults_of(store) == []


def test_the_database_refuses_to_change_or_remove_any_row_past_the_journal(full: Store) -> None:
    for name in (*KINDS, "journal", "versions", "reserved_codes"):
        first = table(name).columns.keys()[1] if name in KINDS else "kind"
        statements = [f'UPDATE {name} SET "{first}" = "{first}"', f"DELETE FROM {name}"]
        if not full.is_sqlite:
            statements.append(f"TRUNCATE {name} CASCADE")
        for statement in statements:
            with (
                pytest.raises(RegistryError, match="append-only"),
                full.writing() as connection,
            ):
                connection.execute(text(statement))
