"""Guards in the database itself: nothing is changed or removed unless its old version is kept.

They are triggers, so they hold for every program that opens the database. SQLite drops a table's
triggers when a migration rebuilds it; `put_up` is therefore called at the end of every migration.
"""

from collections.abc import Iterable

from sqlalchemy import Connection

from scionreg.records.tables import KINDS

APPEND_ONLY = ("journal", "versions", "reserved_codes")
REFUSAL = "is append-only: correct or void the record with scionreg, which keeps the old version"


def put_up(connection: Connection, kinds: Iterable[str] = tuple(KINDS)) -> None:
    """Create (or create anew) every guard; `kinds` are the record kinds that have tables."""
    if connection.dialect.name == "sqlite":
        _put_up_sqlite(connection, kinds)
    else:
        _put_up_postgresql(connection, kinds)


def _put_up_sqlite(connection: Connection, kinds: Iterable[str]) -> None:
    for table in APPEND_ONLY:
        for operation in ("UPDATE", "DELETE"):
            _sqlite_trigger(connection, table, operation, "1")
    for table in kinds:
        kept = (
            f"EXISTS (SELECT 1 FROM versions WHERE kind = '{table}' "
            "AND record = OLD.id AND made = OLD.entry)"
        )
        _sqlite_trigger(connection, table, "DELETE", f"NOT {kept}")
        changed = f"NOT ({kept} AND NEW.id = OLD.id AND NEW.entry > OLD.entry)"
        _sqlite_trigger(connection, table, "UPDATE", changed)


def _sqlite_trigger(connection: Connection, table: str, operation: str, when: str) -> None:
    name = f"guard_{table}_{operation.lower()}"
    connection.exec_driver_sql(f"DROP TRIGGER IF EXISTS {name}")
    connection.exec_driver_sql(
        f"CREATE TRIGGER {name} BEFORE {operation} ON {table} WHEN {when} "
        f"BEGIN SELECT RAISE(ABORT, '{table} {REFUSAL}'); END"
    )


POSTGRESQL_FUNCTIONS = f"""
CREATE OR REPLACE FUNCTION guard_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% {REFUSAL}', TG_TABLE_NAME;
END $$;
CREATE OR REPLACE FUNCTION guard_versions() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT 1 FROM versions WHERE kind = TG_TABLE_NAME
                   AND record = OLD.id AND made = OLD.entry) THEN
        RAISE EXCEPTION '% {REFUSAL}', TG_TABLE_NAME;
    END IF;
    IF TG_OP = 'DELETE' THEN
        RETURN OLD;
    END IF;
    IF NEW.id <> OLD.id OR NEW.entry <= OLD.entry THEN
        RAISE EXCEPTION '% {REFUSAL}', TG_TABLE_NAME;
    END IF;
    RETURN NEW;
END $$;
"""


def _put_up_postgresql(connection: Connection, kinds: Iterable[str]) -> None:
    connection.exec_driver_sql(POSTGRESQL_FUNCTIONS.replace("%", "%%"))
    for table in (*APPEND_ONLY, *kinds):
        function = "guard_append_only" if table in APPEND_ONLY else "guard_versions"
        connection.exec_driver_sql(
            f"CREATE OR REPLACE TRIGGER guard_rows BEFORE UPDATE OR DELETE ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION {function}()"
        )
        connection.exec_driver_sql(
            f"CREATE OR REPLACE TRIGGER guard_all BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION guard_append_only()"
        )
