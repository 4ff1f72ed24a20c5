"""Indexes from which recall and the rule on overlapping rows read alone, and two for regrafts."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Put covering indexes in place of the plain ones."""
    op.drop_index("ix_graft_lots_bundle", "graft_lots")
    op.drop_index("ix_graft_lots_place", "graft_lots")
    wood = ["bundle", "graft_lot", "date", "grafts", "sticks_used", "block", "row", "first", "last"]
    op.create_index("ix_graft_lots_wood", "graft_lots", wood)
    place = ["block", "row", "first", "last", "date", "regraft_of"]
    op.create_index("ix_graft_lots_place", "graft_lots", place)
    some = sa.text("regraft_of IS NOT NULL")
    regrafts: Any = {"sqlite_where": some, "postgresql_where": some}
    op.create_index("ix_graft_lots_regraft_of", "graft_lots", ["regraft_of"], **regrafts)
    op.create_index("ix_graft_lots_regrafts", "graft_lots", ["bundle", "graft_lot"], **regrafts)
