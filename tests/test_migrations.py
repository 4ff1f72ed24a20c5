"""An older registry is brought up to date whole or not at all, and what guards it stays."""

import datetime as dt
import json
import multiprocessing
import os
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import faults
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import DateTime, MetaData, TextClause, insert, text

from benchmarks import postgres
from scionreg.records.columns import Base
from scionreg.records.errors import NotARegistryError, RegistryError, SchemaError
from scionreg.records.tables import KINDS
from scionreg.registry import guards, journal
from scionreg.registry.audit import audit
from scionreg.registry.create import create_store
from scionreg.registry.migrate import run_migrations, upgrade
from scionreg.registry.store import HEAD, Store, open_store, parse_url

OLD = Path(__file__).parent / "data" / "registry_0001.db"
"""A registry with the first tables and a few invented records; the first version wrote it."""


PROCESSES = multiprocessing.get_context("forkserver")


def make_old(url: str) -> None:
    """Make the old registry on a server, row by row."""
    with (
        closing(Store(parse_url(url))) as store,
        closing(sqlite3.connect(OLD)) as old,
        store.engine.begin() as connection,
    ):
        run_migrations(connection, "0001")
        tables = MetaData()
        tables.reflect(connection)
        for table in tables.tables.values():  # references are checked at the end
            if table.name == "alembic_version":
                continue
            names = [column.name for column in table.columns]
            listed = ", ".join(f'"{name}"' for name in names)
            for row in old.execute(f"SELECT {listed} FROM {table.name}"):
                values = {
                    name: dt.datetime.fromisoformat(value).replace(tzinfo=dt.UTC)
                    if isinstance(table.columns[name].type, DateTime)
                    else value
                    for name, value in zip(names, row, strict=True)
                }
                connection.execute(insert(table).values(values))
        guards.put_up(connection, [kind for kind in KINDS if kind in tables.tables])


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return Path(shutil.copy(OLD, tmp_path / "registry.db"))


def schema(store: Store) -> set[str]:
    """Return everything the database knows of its tables, but the guards."""
    with store.reading() as connection:
        if store.is_sqlite:
            sql = "SELECT sql FROM sqlite_master WHERE type IN ('table', 'index') AND sql NOT NULL"
            made = connection.execute(text(sql)).scalars()
            # Columns and constraints of one table may come in any order.
            return {
                f"{head.split()[-1]}: {part.strip()}"
                for each in made
                for head, _, inner in [each.replace('"', "").partition("(")]
                for part in re.split(r",(?![^()]*\))", inner.strip().removesuffix(")"))
            }
        queries = (
            "SELECT table_name, column_name, data_type, collation_name, is_nullable, is_identity "
            "FROM information_schema.columns WHERE table_schema = 'public'",
            "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'",
            "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
            "WHERE connamespace = 'public'::regnamespace",
        )
        return {str(tuple(row)) for sql in queries for row in connection.execute(text(sql))}


def contents(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


def test_the_migrations_make_the_tables_that_the_models_say(
    store: Store, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    url = str(tmp_path / "migrated.db")
    if not store.is_sqlite:
        server: postgres.Server = request.getfixturevalue("postgresql")
        url = server.create(f"{tmp_path.name.lower()}_migrated")
    with closing(Store(parse_url(url))) as migrated:
        with migrated.engine.begin() as connection:
            run_migrations(connection, HEAD)
        assert schema(migrated) == schema(store)


def of_plain_columns(_thing: object, name: str | None, kind: str, *_: object) -> bool:
    """Leave the indexes over expressions out: databases tell them in words of their own."""
    return kind != "index" or name not in ("uq_bundle_log_key", *EXPRESSIONS)


EXPRESSIONS = ("uq_tree_events_key", "uq_take_counts_key", "uq_holds_key")


@pytest.mark.filterwarnings("ignore:Skipped unsupported reflection of expression")
@pytest.mark.filterwarnings("ignore:autogenerate skipping metadata-specified expression")
@pytest.mark.filterwarnings("ignore:Cannot correctly sort tables")
def test_no_migration_is_left_to_write(store_url: str) -> None:
    with closing(open_store(store_url)) as store, store.reading() as connection:
        options = {"compare_type": True, "include_object": of_plain_columns}
        context = MigrationContext.configure(connection, opts=options)
        assert compare_metadata(context, Base.metadata) == []


def test_an_old_registry_is_refused_with_the_command_that_helps(old: Path) -> None:
    with pytest.raises(SchemaError, match="scionreg upgrade"):
        open_store(old)


def test_an_upgrade_keeps_a_copy_and_every_record(old: Path) -> None:
    done = upgrade(old, by="P01")
    assert (done.before, done.after) == ("0001", HEAD)
    assert done.copy is not None
    assert contents(done.copy) == contents(OLD)
    with closing(open_store(old)) as store, store.reading() as connection:
        assert [str(problem) for problem in audit(connection)] == [
            "bundles B26-0001-7: packed: the date is not recorded; add it if anybody knows"
        ]
        *_, last = journal.lines(connection)
        assert (last["action"], json.loads(last["content"])) == (
            "upgrade",
            {"from": "0001", "to": HEAD},
        )


def test_guards_stand_after_an_upgrade(old: Path) -> None:
    upgrade(old, by="P01")
    with closing(open_store(old)) as store:
        for statement in (
            "UPDATE graft_lots SET grafts = 1",
            "DELETE FROM graft_lots",
            "DELETE FROM journal",
        ):
            with pytest.raises(RegistryError, match="append-only"), store.writing() as connection:
                connection.execute(text(statement))


def test_an_upgraded_registry_is_up_to_date(old: Path) -> None:
    upgrade(old, by="P01")
    again = upgrade(old, by="P01")
    assert (again.before, again.after, again.copy) == (HEAD, HEAD, None)


def test_a_second_copy_does_not_overwrite_the_first(old: Path) -> None:
    copy = old.with_name("registry.db.0001-copy")
    copy.write_text("something else")
    with pytest.raises(RegistryError, match="move it away"):
        upgrade(old)
    assert copy.read_text() == "something else"
    with pytest.raises(SchemaError):
        open_store(old)


def test_a_newer_registry_is_refused_by_everything(tmp_path: Path) -> None:
    path = tmp_path / "registry.db"
    with closing(create_store(path)) as store, store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    for attempt in (open_store, upgrade):
        with pytest.raises(SchemaError, match="newer version"):
            attempt(path)


def test_what_is_no_registry_is_not_upgraded(tmp_path: Path) -> None:
    other = tmp_path / "notes.db"
    other.write_text("these are notes")
    with pytest.raises(RegistryError, match="not a registry"):
        upgrade(other)
    with pytest.raises(RegistryError, match="no registry at"):
        upgrade(tmp_path / "nothing.db")


def test_postgresql_is_upgraded_once_somebody_says_that_there_is_a_copy(
    postgresql: postgres.Server, tmp_path: Path
) -> None:
    url = postgresql.create(f"{tmp_path.name.lower()}_old")
    make_old(url)
    with pytest.raises(RegistryError, match="pg_dump"):
        upgrade(url, by="P01")
    assert upgrade(url, by="P01", copied=True).after == HEAD
    with closing(open_store(url)) as store, store.reading() as connection:
        assert not [p for p in audit(connection) if p.trouble == "refused"]


CHANCE = random.Random(26)
WAITS = [CHANCE.uniform(0.2, 1.6) for _ in range(8)]
"""Moments within an upgrade: it takes about a second, most of it loading Alembic."""


@pytest.mark.parametrize("wait", WAITS)
def test_an_upgrade_killed_at_any_moment_leaves_the_old_registry_or_the_new(
    old: Path, wait: float
) -> None:
    code = f"from scionreg.registry.migrate import upgrade; upgrade({str(old)!r}, by='P01')"
    child = subprocess.Popen([sys.executable, "-c", code])
    time.sleep(wait)
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    copy = old.with_name("registry.db.0001-copy")
    if copy.exists():
        assert contents(copy) == contents(OLD)
        copy.unlink()
    assert upgrade(old, by="P01").before in ("0001", HEAD)
    with closing(open_store(old)) as store, store.reading() as connection:
        assert not [p for p in audit(connection) if p.trouble == "refused"]


HALF_WAY = """
import os, signal, sys
from scionreg.registry import guards, migrate
guards.put_up = lambda connection: os.kill(os.getpid(), signal.SIGKILL)
migrate.upgrade(sys.argv[1], by="P01", copied=True)
"""


def test_an_upgrade_killed_after_its_steps_leaves_the_old_registry(old: Path) -> None:
    done = subprocess.run([sys.executable, "-c", HALF_WAY, str(old)], check=False)
    assert done.returncode == -signal.SIGKILL
    assert contents(old) == contents(OLD)
    assert contents(old.with_name("registry.db.0001-copy")) == contents(OLD)
    with pytest.raises(RegistryError, match="move it away"):
        upgrade(old)


def test_an_upgrade_killed_on_a_server_leaves_the_old_registry(
    postgresql: postgres.Server, tmp_path: Path
) -> None:
    url = postgresql.create(f"{tmp_path.name.lower()}_killed")
    make_old(url)
    done = subprocess.run([sys.executable, "-c", HALF_WAY, url], check=False)
    assert done.returncode == -signal.SIGKILL
    assert upgrade(url, by="P01", copied=True).before == "0001"
    with closing(open_store(url)) as store, store.reading() as connection:
        assert not [p for p in audit(connection) if p.trouble == "refused"]


def counted(store: Store, statement: TextClause) -> int:
    with store.reading() as connection:
        return int(connection.execute(statement).scalar_one())


def test_two_upgrades_at_once_are_one(postgresql: postgres.Server, tmp_path: Path) -> None:
    url = postgresql.create(f"{tmp_path.name.lower()}_twice")
    make_old(url)
    code = f"from scionreg.registry.migrate import upgrade; upgrade({url!r}, copied=True)"
    waiting = text(
        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() "
        "AND wait_event_type = 'Lock'"
    )
    with closing(Store(parse_url(url))) as store:
        with store.writing():  # both have to wait for this
            children = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(2)]
            until = time.monotonic() + 60
            while counted(store, waiting) < 2:
                assert time.monotonic() < until
                time.sleep(0.1)
        assert [child.wait() for child in children] == [0, 0]
    with closing(open_store(url)) as store, store.reading() as connection:
        done = [line["action"] for line in journal.lines(connection)]
    assert done == ["record"] * 6 + ["upgrade"]


def test_an_upgrade_without_room_for_the_copy_is_refused_plainly(old: Path, tmp_path: Path) -> None:
    answer = tmp_path / "answer"
    child = PROCESSES.Process(target=faults.upgrade_with_little_room, args=(str(old), str(answer)))
    child.start()
    child.join(60)
    assert "nothing was changed" in answer.read_text(encoding="utf-8")
    assert contents(old) == contents(OLD)
    assert upgrade(old, by="P01").after == HEAD


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_damaged_registry_is_not_upgraded(old: Path, share: float) -> None:
    whole = old.read_bytes()
    old.write_bytes(whole[: int(len(whole) * share)])
    with pytest.raises(NotARegistryError, match="is damaged"):
        upgrade(old, by="P01")


def test_a_sqlite_registry_has_its_references_whatever_was_made_before(
    postgresql: postgres.Server, tmp_path: Path
) -> None:
    create_store(postgresql.create(f"{tmp_path.name.lower()}_first")).close()
    create_store(tmp_path / "second.db").close()
    with closing(sqlite3.connect(tmp_path / "second.db")) as connection:
        named = connection.execute("SELECT \"table\" FROM pragma_foreign_key_list('graft_lots')")
        assert {name for (name,) in named} == {
            *("blocks", "bundles", "graft_lots", "people", "rootstock_lots")
        }
