"""An index from which recall reads the dispatches of graft lots alone."""

from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Put a covering index in place of the plain one."""
    op.drop_index("ix_dispatches_graft_lot", "dispatches")
    columns = ["graft_lot", "dispatch", "customer", "date", "trees", "first", "last"]
    op.create_index("ix_dispatches_wood", "dispatches", columns)
