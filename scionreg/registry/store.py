"""Where a registry is kept: SQLite or PostgreSQL, its transactions, and plain words for faults."""

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, create_engine, event, select, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from scionreg.records.errors import (
    BusyError,
    NotARegistryError,
    RegistryError,
    SchemaError,
    UnopenedError,
)
from scionreg.records.shell import command_line
from scionreg.registry.ledger import JournalHead

if TYPE_CHECKING:
    from scionreg.registry.changes import Adviser

HEAD = "0005"
"""The newest migration; a registry made by another one is refused or upgraded."""

WAIT_SECONDS = 30
"""How long a writer waits for another."""

DRIVERS = {
    "sqlite": "sqlite",
    "sqlite+pysqlite": "sqlite",
    "postgresql": "postgresql+psycopg",
    "postgresql+psycopg": "postgresql+psycopg",
}
"""The beginnings of a database URL that are understood, and the driver each is opened with."""

NO_URL = (
    "that is not a database URL; write postgresql+psycopg://user@host:port/database, "
    "and an @ within a password as %40"
)


class Store:
    """An open registry's database. One per process and registry is enough.

    One that is `unchanging` is a SQLite file nobody can write to: it is read without the files that
    SQLite keeps beside one that may change.

    `advisers` are asked about every change that takes records in, after the rules.
    """

    def __init__(self, url: URL, *, unchanging: bool = False) -> None:
        self.url = url
        self.engine = _engine(url, unchanging=unchanging)
        self.is_sqlite = url.get_backend_name() == "sqlite"
        self.advisers: Sequence[Adviser] = ()

    @property
    def name(self) -> str:
        """Return the path or the URL without its password."""
        if self.is_sqlite:
            return str(self.url.database)
        shown = self.url.difference_update_query(["password", "sslpassword"])
        return shown.render_as_string(hide_password=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the registry throughout."""
        with self.plainly(), self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(
        self, *, checking_references: bool = True, altering_tables: bool = False
    ) -> Iterator[Connection]:
        """Give the one connection that may write; commits at the end, or nothing happened.

        Others wait: SQLite locks the file, PostgreSQL the journal's head. A bulk import looks its
        references up itself and need not have SQLite do it again (`checking_references`). Who is
        `altering_tables` keeps others from waiting at the head's row, where they would hold its
        table.
        """
        with self.plainly(), self.engine.connect() as connection:
            if self.is_sqlite and not checking_references:
                connection.connection.execute("PRAGMA foreign_keys=OFF")
            try:
                with connection.execution_options(begin="BEGIN IMMEDIATE").begin():
                    if not self.is_sqlite:
                        connection.execute(text(f"SET LOCAL lock_timeout = '{WAIT_SECONDS}s'"))
                        if altering_tables:
                            connection.execute(text(f"LOCK TABLE {JournalHead.__tablename__}"))
                        connection.execute(select(JournalHead.seq).with_for_update())
                    yield connection
            finally:
                if self.is_sqlite and not checking_references:
                    connection.connection.execute("PRAGMA foreign_keys=ON")

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()

    @contextmanager
    def plainly(self) -> Iterator[None]:
        """Say in plain words what the database, or its driver, refuses."""
        try:
            yield
        except DBAPIError as fault:
            raise _plain(str(fault.orig), self.name) from fault
        except self.engine.dialect.loaded_dbapi.Error as fault:
            raise _plain(str(fault), self.name) from fault
        except UnicodeEncodeError as fault:
            raise RegistryError(f"{fault.object!a} holds what is no character") from fault


def parse_url(where: str | os.PathLike[str]) -> URL:
    """Return the database URL of a path, or of a URL as PostgreSQL's.

    Raises
    ------
    NotARegistryError
        It names no place where a registry can be; the message never repeats a password.
    """
    written = os.fspath(where)
    try:
        url = make_url(written) if "://" in written else URL.create("sqlite", database=written)
    except (ArgumentError, ValueError):
        raise NotARegistryError(NO_URL) from None  # what was written may hold a password
    if "@" in (url.host or ""):
        raise NotARegistryError(NO_URL)  # and so does what was taken for the host
    if url.drivername not in DRIVERS:
        raise NotARegistryError(
            f"{url.drivername} is not supported; use a file's path or postgresql+psycopg://…"
        )
    if url.get_backend_name() == "sqlite" and url.database in (None, "", ":memory:"):
        raise NotARegistryError("a registry is kept in a file; name its path")
    return url.set(drivername=DRIVERS[url.drivername])


def open_store(where: str | os.PathLike[str]) -> Store:
    """Open an existing registry and check that this version can read it.

    Raises
    ------
    NotARegistryError
        No such file or database, not a registry, or a damaged one.
    SchemaError
        Made by an older or newer version.
    """
    url = parse_url(where)
    if url.get_backend_name() == "sqlite" and not _is_file(str(url.database)):
        raise NotARegistryError(
            f"there is no registry at {url.database}; make one with: "
            f"{command_line('new', str(url.database))}"
        )
    store = Store(url)
    try:
        _check_schema(store)
    except UnopenedError:
        store.close()
        return _open_unchanging(url)
    except RegistryError:
        store.close()
        raise
    return store


def _open_unchanging(url: URL) -> Store:
    """Open a SQLite registry where nothing can be written, so that it can still be asked."""
    waiting = Path(f"{url.database}-wal")
    if _is_file(str(waiting)) and waiting.stat().st_size:
        raise UnopenedError(
            f"{url.database} cannot be opened where it lies, since its last changes are still in "
            f"{waiting.name}; copy both, side by side, to a folder that may be written to"
        )
    store = Store(url, unchanging=True)
    try:
        _check_schema(store)
    except RegistryError:
        store.close()
        raise
    return store


def _is_file(path: str) -> bool:
    try:
        return Path(path).is_file()
    except OSError as fault:
        raise NotARegistryError(f"{path} cannot be opened: {fault.strerror}") from fault


def _check_schema(store: Store) -> None:
    found = schema_version(store)
    if found is None:
        raise NotARegistryError(f"{store.name} is not a registry")
    if found > HEAD:
        raise newer_schema(store.name, found)
    if found < HEAD:
        raise SchemaError(
            f"{store.name} was made by an older version of scionreg (its tables are {found}, this "
            f"version needs {HEAD}); run: "
            f"{command_line('upgrade', '--registry', store.name)}"
        )


def newer_schema(name: str, found: str) -> SchemaError:
    """Return the refusal of a registry whose tables are newer than this version's."""
    return SchemaError(
        f"{name} was made by a newer version of scionreg (its tables are {found}, this version "
        f"knows {HEAD}); install the newer version to open it"
    )


def schema_version(store: Store) -> str | None:
    """Return the migration a database stands at, or None where it is no registry."""
    with store.reading() as connection:
        # Other programs' databases may have migrations too, but no journal.
        tables = (
            "SELECT count(*) = 2 FROM sqlite_master "
            "WHERE name IN ('alembic_version', 'journal_head')"
            if store.is_sqlite
            else "SELECT to_regclass('alembic_version') IS NOT NULL "
            "AND to_regclass('journal_head') IS NOT NULL"
        )
        return stands_at(connection) if connection.execute(text(tables)).scalar() else None


def stands_at(connection: Connection) -> str | None:
    """Return the migration that a registry stands at within a transaction."""
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _engine(url: URL, *, unchanging: bool) -> Engine:
    if url.get_backend_name() == "sqlite":
        options: dict[str, Any] = {"connect_args": {"timeout": WAIT_SECONDS}}
        if unchanging:
            file = f"{Path(str(url.database)).absolute().as_uri()}?mode=ro&immutable=1"
            connect = partial(sqlite3.connect, file, uri=True, check_same_thread=False)
            options = {"creator": connect}
        engine = create_engine(url, **options)
        event.listen(engine, "connect", _prepare_sqlite)
    else:
        # Plans for a list of unknown length do for every list, and are made once.
        settings = "-c timezone=UTC -c jit=off -c plan_cache_mode=force_generic_plan"
        engine = create_engine(url, connect_args={"options": settings})
    event.listen(engine, "begin", _begin)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    """Set up a SQLite connection; transactions are begun by `_begin`, never by the driver."""
    connection.isolation_level = None
    for pragma in (
        "foreign_keys=ON",
        "synchronous=FULL",
        "cache_size=-65536",
        "temp_store=MEMORY",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(connection.get_execution_options().get("begin", "BEGIN"))


def _plain(fault: str, name: str) -> RegistryError:
    """Return what a database's fault means, for the user."""
    said = fault.strip()
    low = said.lower()
    if "not a database" in low:
        return NotARegistryError(f"{name} is not a registry: it is no database file")
    if "malformed" in low or "disk image" in low:
        return damaged(name, said)
    if "is locked" in low or "lock timeout" in low or "busy" in low:
        return BusyError(
            f"{name} is being written by somebody else; nothing was changed, try again"
        )
    if "disk is full" in low or "no space left" in low:
        return UnopenedError(f"the disk that holds {name} is full; nothing was changed")
    if "disk i/o" in low:
        return UnopenedError(
            f"the disk that holds {name} could not be read or written; nothing was changed"
        )
    if "readonly" in low or "read-only" in low:
        return UnopenedError(f"{name} may not be written; nothing was changed")
    if "unable to open" in low:
        return UnopenedError(f"{name} cannot be opened: {said.splitlines()[0]}")
    if any(sign in low for sign in ("connection", "resolve", "does not exist")):
        return NotARegistryError(f"{name} cannot be opened: {said.splitlines()[0]}")
    return RegistryError(f"the database refused: {said.splitlines()[0]}; nothing was changed")


def damaged(name: str, said: str) -> NotARegistryError:
    """Return the refusal of a registry whose file is damaged, as the database said."""
    return NotARegistryError(
        f"{name} is damaged ({said}); restore a copy, or import the last exported season folder"
    )
