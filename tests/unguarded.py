"""A registry with its guards off, as a forger would have it; all that is done to it is undone."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any

from sqlalchemy import Connection, text

from scionreg.records.tables import KINDS
from scionreg.registry.audit import audit
from scionreg.registry.guards import APPEND_ONLY
from scionreg.registry.store import Store


class _Undone(Exception):
    """Rolls back what the forger did."""


@contextmanager
def unguarded(store: Store) -> Iterator[Connection]:
    """Give a connection without guards or references; nothing that is done on it stays."""
    try:
        with store.writing(checking_references=False) as connection:
            for name in (*KINDS, *APPEND_ONLY):
                if store.is_sqlite:
                    for operation in ("update", "delete"):
                        connection.execute(text(f"DROP TRIGGER guard_{name}_{operation}"))
                else:
                    connection.execute(text(f"ALTER TABLE {name} DISABLE TRIGGER ALL"))
            yield connection
            raise _Undone
    except _Undone:
        pass


def finds(connection: Connection, rule: str, *statements: Any, kind: str = "") -> bool:
    """Tell whether an audit finds that a rule is broken once the statements were executed.

    It is asked no further than the first such problem, and the statements are undone.
    """
    with connection.begin_nested() as trial:
        for statement in statements:
            connection.execute(text(statement) if isinstance(statement, str) else statement)
        with closing(audit(connection)) as problems:
            found = any(each.rule == rule and kind in ("", each.kind) for each in problems)
        trial.rollback()
    return found
