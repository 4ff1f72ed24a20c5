"""A small invented nursery for tests of recording, one record at a time."""

from pathlib import Path
from typing import Any

from sqlalchemy import select, text

from scionreg.exchange.importing import import_files
from scionreg.records.tables import KINDS, table
from scionreg.registry.audit import audit
from scionreg.registry.ledger import JournalLine
from scionreg.registry.recording import Recorded, record
from scionreg.registry.rows import read_rows
from scionreg.registry.store import Store

BASE = Path(__file__).parent / "errors" / "base"
"""A season folder with records of every kind, which the examples of rules break."""
LOT = {"grafter": "P01", "method": "whip", "date": "2026-03-10"}


def furnish(store: Store) -> None:
    """Record two people, two cultivars, a tree, a collection, a bundle and a lot of 20 grafts."""
    for kind, values in (
        ("people", {"person": "P01"}),
        ("people", {"person": "P02"}),
        ("cultivars", {"cultivar": "Fernhill", "species": "Malus domestica", "aliases": "FH"}),
        ("cultivars", {"cultivar": "Oldgate", "species": "Malus domestica"}),
        ("mother_trees", {"tree": "T26-0001-7", "cultivar": "Fernhill"}),
        ("collections", {"tree": "T26-0001-7", "date": "2026-01-20", "sticks": 60}),
        ("bundles", {"collection": "C26-0001-7", "sticks": 50, "packed": "2026-01-20"}),
        ("graft_lots", {"bundle": "B26-0001-7", "grafts": 20, **LOT}),
    ):
        add(store, kind, **values)


def take_in_the_base(store: Store) -> None:
    """Import records of every kind."""
    assert import_files(store, [BASE], by="P01").changed


def add(store: Store, kind: str, /, **values: Any) -> Recorded:
    return record(store, kind, values, by="P01")


def everything(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Return every record, whatever its id and journal line."""
    with store.reading() as connection:
        return {
            kind: sorted((row for _, _, row in read_rows(connection, kind)), key=repr)
            for kind in KINDS
        }


def actions(store: Store) -> list[str]:
    """Return what the journal's lines did, in order."""
    with store.reading() as connection:
        return list(
            connection.execute(select(JournalLine.action).order_by(JournalLine.seq)).scalars()
        )


def faults_of(store: Store) -> list[str]:
    """Return the audit's faults; warnings are left out."""
    with store.reading() as connection:
        return [str(found) for found in audit(connection) if found.trouble == "refused"]


def forge(store: Store, *statements: str) -> None:
    """Change the database as a forger would who takes the guards off first."""
    with store.writing() as connection:
        for name in (*KINDS, "journal", "versions"):
            if store.is_sqlite:
                for operation in ("update", "delete"):
                    connection.execute(text(f"DROP TRIGGER guard_{name}_{operation}"))
            else:
                connection.execute(text(f"ALTER TABLE {name} DISABLE TRIGGER USER"))
        for statement in statements:
            connection.execute(text(statement))


def value(store: Store, kind: str, key: str, column: str) -> Any:
    """Return one value of a record."""
    columns = table(kind).columns
    with store.reading() as connection:
        query = select(columns[column]).where(columns[KINDS[kind].KEY[0]] == key)
        return connection.execute(query).scalar_one()
