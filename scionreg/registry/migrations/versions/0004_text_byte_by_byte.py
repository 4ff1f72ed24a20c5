"""Text that PostgreSQL compares byte by byte, whatever the server's language, as SQLite does."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

_TEXTS = sa.text(
    "SELECT table_name, column_name FROM information_schema.columns "
    "WHERE table_schema = current_schema() AND data_type = 'text' AND collation_name IS NULL "
    "ORDER BY table_name, ordinal_position"
)


def upgrade() -> None:
    """Give every column of text the collation "C"."""
    if op.get_bind().dialect.name != "postgresql":
        return
    changes: dict[str, list[str]] = {}
    for table, column in op.get_bind().execute(_TEXTS):
        changes.setdefault(table, []).append(f'ALTER COLUMN "{column}" TYPE text COLLATE "C"')
    for table, columns in changes.items():
        op.execute(f'ALTER TABLE "{table}" {", ".join(columns)}')
