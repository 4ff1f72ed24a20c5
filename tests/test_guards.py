"""The guards hold for any program that opens the database, and let only a kept version go."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import psycopg
import pytest
from conftest import Filled
from nursery import everything, faults_of, forge, furnish, value
from sqlalchemy import func, insert, select, text, update

from scionreg.records.errors import RegistryError
from scionreg.records.tables import table
from scionreg.registry.correcting import correct
from scionreg.registry.issuing import reserve
from scionreg.registry.ledger import ReservedCodes, Version
from scionreg.registry.store import Store

LOT_CODE = "G26-0001-7"


def furnish_and_go_on(store: Store) -> None:
    """Write what the registry only ever adds to: versions and reserved codes too."""
    furnish(store)
    correct(store, "graft_lots", LOT_CODE, {"grafts": 19}, by="P02", why="counted again")
    reserve(store, "bundles", person="P02", count=3, season=2026, by="P01")


@pytest.fixture
def nursery(filled: Filled) -> Store:
    return filled(furnish_and_go_on)


@pytest.fixture
def other_program(nursery: Store) -> Iterator[Any]:
    """A connection of the database's own driver, without anything of scionreg."""
    connection: Any = (
        sqlite3.connect(str(nursery.url.database))
        if nursery.is_sqlite
        else psycopg.connect(
            nursery.url.set(drivername="postgresql").render_as_string(hide_password=False)
        )
    )
    with closing(connection):
        yield connection


FORBIDDEN = (
    "UPDATE graft_lots SET grafts = 1",
    "UPDATE graft_lots SET grafts = 1, entry = 99",
    "UPDATE people SET mark = 'red' WHERE person = 'P02'",
    "DELETE FROM graft_lots",
    "UPDATE journal SET why = 'because' WHERE seq = 1",
    "DELETE FROM journal WHERE seq = 10",
    "UPDATE versions SET voided = true",
    "DELETE FROM versions",
    "UPDATE reserved_codes SET last = 4",
    "DELETE FROM reserved_codes",
)
EMPTYING = tuple(
    f"TRUNCATE {name} CASCADE"
    for name in ("graft_lots", "people", "journal", "versions", "reserved_codes")
)


def test_another_program_cannot_change_or_remove_either(nursery: Store, other_program: Any) -> None:
    before = everything(nursery)
    emptying = () if nursery.is_sqlite else EMPTYING  # SQLite knows no TRUNCATE
    for statement in (*FORBIDDEN, *emptying):
        with pytest.raises((sqlite3.DatabaseError, psycopg.Error), match="append-only"):
            other_program.execute(statement)
        other_program.rollback()
    assert everything(nursery) == before
    assert faults_of(nursery) == []


def keep_current(connection: Any) -> int:
    """Keep the lot as it is among the versions, as a correction does; return its entry."""
    lots = table("graft_lots")
    lot = connection.execute(select(lots).where(lots.c.graft_lot == LOT_CODE)).mappings().one()
    kept = {"kind": "graft_lots", "record": lot["id"], "key": LOT_CODE, "content": "{}"}
    numbers = {"made": lot["entry"], "ended": lot["entry"] + 1, "voided": False}
    connection.execute(insert(Version).values({**kept, **numbers}))
    return int(lot["entry"])


def go_on(store: Store, values: dict[str, int]) -> None:
    """Keep the lot as it is, and then change it in the same transaction."""
    with store.writing() as connection:
        keep_current(connection)
        connection.execute(update(table("graft_lots")).values(values))


def test_a_record_whose_version_is_kept_may_go_on_to_a_later_line_only(nursery: Store) -> None:
    for values in ({"grafts": 1}, {"entry": 9}, {"entry": 1}, {"id": 500, "entry": 99}):
        with pytest.raises(RegistryError, match="append-only"):
            go_on(nursery, values)
    go_on(nursery, {"grafts": 1, "entry": 99})
    assert value(nursery, "graft_lots", LOT_CODE, "grafts") == 1


def test_a_correction_that_only_looks_like_one_is_found(nursery: Store) -> None:
    with nursery.writing() as connection:
        entry = keep_current(connection)
        changed = update(table("graft_lots")).values(grafts=1, entry=entry + 1)
        connection.execute(changed)
    assert any("is not what is there" in fault for fault in faults_of(nursery))
    assert any("ended is not what is kept" in fault for fault in faults_of(nursery))


def test_replacing_a_row_under_its_own_key_is_found(nursery: Store) -> None:
    if nursery.is_sqlite:  # PostgreSQL has no such statement, and its ON CONFLICT is an update
        with nursery.writing() as connection:
            connection.execute(
                text("INSERT OR REPLACE INTO people (person, mark, entry) VALUES ('P02', 'x', 2)")
            )
        assert any(fault.startswith("people") for fault in faults_of(nursery))
    else:
        with pytest.raises(RegistryError, match="append-only"), nursery.writing() as connection:
            connection.execute(
                text(
                    "INSERT INTO people (person, mark, entry) VALUES ('P02', 'x', 2) "
                    "ON CONFLICT (person) DO UPDATE SET mark = 'x'"
                )
            )


def test_recording_and_correcting_go_on_where_the_guards_were_taken_off(nursery: Store) -> None:
    forge(nursery)
    correct(nursery, "graft_lots", LOT_CODE, {"grafts": 18}, by="P01", why="counted once more")
    assert faults_of(nursery) == []


def test_reserved_codes_stay_as_they_were_given(nursery: Store) -> None:
    for statement in ("UPDATE reserved_codes SET person = 'P01'", "DELETE FROM reserved_codes"):
        with pytest.raises(RegistryError, match="append-only"), nursery.writing() as connection:
            connection.execute(text(statement))
    with nursery.reading() as connection:
        assert connection.execute(select(func.count(ReservedCodes.id))).scalar_one() == 1
