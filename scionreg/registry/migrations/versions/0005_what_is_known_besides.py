"""Permissions of hosts, holds on lots and dispatches, wood without a label, notes everywhere."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NOTED = (
    *("people", "blocks", "tree_events", "identity_checks", "genotypes", "collections", "bundles"),
    *("bundle_parents", "stores", "store_readings", "rootstock_lots", "graft_lots", "take_counts"),
    "dispatches",
)
COLUMNS: tuple[tuple[str, str, Any], ...] = (
    ("mother_trees", "planted_in", TEXT),
    ("tree_events", "happened_in", TEXT),
    ("collections", "cut_in", TEXT),
    ("rootstock_lots", "received_in", TEXT),
    ("rootstock_lots", "plants", sa.Integer()),
    ("bundles", "unlabelled", sa.Boolean()),
    ("bundles", "found_at", TEXT),
    ("bundles", "papers", TEXT),
    *((kind, "notes", TEXT) for kind in NOTED),
)


def _refers(kind: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    name = f"fk_{kind}_{column}_{target.partition('.')[0]}"
    return sa.ForeignKeyConstraint(
        [column], [target], name=name, initially="DEFERRED", deferrable=True
    )


def upgrade() -> None:
    """Add the columns and the two kinds."""
    for kind, name, of in COLUMNS:
        op.add_column(kind, sa.Column(name, of, nullable=True))
    op.create_table(
        "permissions",
        sa.Column("id", ID, nullable=False),
        sa.Column("permission", TEXT, nullable=False),
        sa.Column("host", TEXT, nullable=False),
        sa.Column("tree", TEXT, nullable=True),
        sa.Column("block", TEXT, nullable=True),
        sa.Column("valid_from", sa.Date(), nullable=True),
        sa.Column("valid_until", sa.Date(), nullable=True),
        sa.Column("most_sticks", sa.Integer(), nullable=True),
        sa.Column("notice_days", sa.Integer(), nullable=True),
        sa.Column("notes", TEXT, nullable=True),
        sa.Column("entry", sa.Integer(), nullable=False),
        _refers("permissions", "tree", "mother_trees.tree"),
        _refers("permissions", "block", "blocks.block"),
        sa.PrimaryKeyConstraint("id", name="pk_permissions"),
        sa.UniqueConstraint("permission", name="uq_permissions_permission"),
    )
    op.create_index("ix_permissions_tree", "permissions", ["tree"])
    op.create_table(
        "holds",
        sa.Column("id", ID, nullable=False),
        sa.Column("item", TEXT, nullable=False),
        sa.Column("positions", TEXT, nullable=True),
        sa.Column("date", sa.Date(), nullable=True),
        sa.Column(
            "event",
            sa.Enum("hold", "released", name="holdevent", native_enum=False, length=40),
            nullable=False,
        ),
        sa.Column("detail", TEXT, nullable=True),
        sa.Column("by", TEXT, nullable=True),
        sa.Column("notes", TEXT, nullable=True),
        sa.Column("entry", sa.Integer(), nullable=False),
        _refers("holds", "by", "people.person"),
        sa.PrimaryKeyConstraint("id", name="pk_holds"),
    )
    parts = ("item", "coalesce(date, '0001-01-01')", "event", "coalesce(positions, '')")
    op.create_index("uq_holds_key", "holds", [sa.text(part) for part in parts], unique=True)
