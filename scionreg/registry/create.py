"""Making a new registry."""

import os
from contextlib import suppress
from pathlib import Path

from sqlalchemy import MetaData, insert, text

from scionreg.records.columns import Base
from scionreg.records.errors import RegistryError
from scionreg.registry import guards, journal
from scionreg.registry.ledger import JournalHead
from scionreg.registry.store import HEAD, Store, parse_url, schema_version

VERSION_TABLE = (
    "CREATE TABLE alembic_version (\nversion_num VARCHAR(32) NOT NULL,\n"
    "CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)\n)"
)
"""As Alembic makes it."""


def _tables() -> MetaData:
    """Return a copy of the tables' description for one use.

    Making tables that name each other, SQLAlchemy adds PostgreSQL's references afterwards and marks
    them as made, so that SQLite's tables would then be made without.
    """
    copy = MetaData(naming_convention=Base.metadata.naming_convention)
    for table in Base.metadata.tables.values():
        table.to_metadata(copy)
    return copy


def create_store(where: str | os.PathLike[str]) -> Store:
    """Make an empty registry at a path or in an empty PostgreSQL database.

    Raises
    ------
    RegistryError
        Something is there already.
    """
    url = parse_url(where)
    if url.get_backend_name() == "sqlite" and Path(str(url.database)).exists():
        raise RegistryError(f"there is already a file {url.database}; choose another name")
    store = Store(url)
    try:
        if not store.is_sqlite and schema_version(store) is not None:
            raise RegistryError(f"there is already a registry in {store.name}")
        with store.plainly():
            _create(store)
    except RegistryError:
        store.close()
        if store.is_sqlite:
            _leave_nothing(Path(str(url.database)))
        raise
    return store


def _leave_nothing(file: Path) -> None:
    """Take away the empty file that SQLite began with; one that has anything is somebody else's."""
    with suppress(OSError):
        if not file.stat().st_size:
            file.unlink()


def _create(store: Store) -> None:
    with store.engine.connect() as connection:
        if store.is_sqlite:
            # Readers go on while somebody writes. It stays with the file.
            connection.connection.execute("PRAGMA journal_mode=WAL")
        with connection.begin():
            # Tables of the same names that are there already are somebody else's.
            _tables().create_all(connection, checkfirst=False)
            connection.execute(text(VERSION_TABLE))
            connection.execute(text("INSERT INTO alembic_version VALUES (:v)"), {"v": HEAD})
            connection.execute(insert(JournalHead).values(id=1, seq=0, digest=journal.FIRST))
            guards.put_up(connection)
