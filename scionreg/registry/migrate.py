"""Bringing an older registry up to this version.

Imported only by the command that needs it: Alembic takes half a second to load.
"""

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection

from scionreg.records.errors import NotARegistryError, RegistryError
from scionreg.registry import guards, journal
from scionreg.registry.settings import read_settings
from scionreg.registry.store import (
    HEAD,
    Store,
    newer_schema,
    parse_url,
    schema_version,
    stands_at,
)

MIGRATIONS = Path(__file__).parent / "migrations"


@dataclass(frozen=True, slots=True)
class Upgraded:
    """What an upgrade did: the schema before and after, and where the copy is."""

    before: str
    after: str
    copy: Path | None


def upgrade(where: str | os.PathLike[str], *, by: str = "", copied: bool = False) -> Upgraded:
    """Bring the registry at a path or URL up to this version's tables, in one transaction.

    A SQLite registry is copied first, beside itself. Of a PostgreSQL registry its owner makes the
    copy (`copied`).

    Raises
    ------
    SchemaError
        The registry was made by a newer version.
    RegistryError
        It is no registry, or nobody said that a copy exists.
    """
    url = parse_url(where)
    if url.get_backend_name() == "sqlite" and not Path(str(url.database)).is_file():
        raise NotARegistryError(f"there is no registry at {url.database}")
    store = Store(url)
    try:
        before = schema_version(store)
        if before is None:
            raise NotARegistryError(f"{store.name} is not a registry")
        if before > HEAD:
            raise newer_schema(store.name, before)
        if before == HEAD:
            return Upgraded(before, before, None)
        if not store.is_sqlite and not copied:
            raise RegistryError(
                f"make a copy of {store.name} with pg_dump first, then say so with --copied"
            )
        copy = _copy(store, before) if store.is_sqlite else None
        with store.writing(altering_tables=True) as connection:
            if stands_at(connection) == before:  # else somebody else has just done it
                _migrate(connection, before, by)
    finally:
        store.close()
    return Upgraded(before, HEAD, copy)


def _migrate(connection: Connection, before: str, by: str) -> None:
    run_migrations(connection, HEAD)
    guards.put_up(connection)
    journal.append(
        connection,
        by=by or read_settings(connection).by or "scionreg",
        action="upgrade",
        content={"from": before, "to": HEAD},
    )


def run_migrations(connection: Connection, to: str) -> None:
    """Run the migrations up to one of them, within the connection's transaction."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def _copy(store: Store, schema: str) -> Path:
    """Copy a SQLite registry, as of one moment, to a new file beside it; return the copy.

    It gets its name when it is whole, so that half a copy is never taken for one.
    """
    path = Path(str(store.url.database))
    copy = path.with_name(f"{path.name}.{schema}-copy")
    if copy.exists():
        raise RegistryError(f"there is already a copy {copy}; move it away first")
    part = path.with_name(f"{copy.name}.part")
    part.unlink(missing_ok=True)
    with (
        store.plainly(),
        closing(sqlite3.connect(path)) as source,
        closing(sqlite3.connect(part)) as target,
    ):
        source.backup(target)
    return part.rename(copy)
