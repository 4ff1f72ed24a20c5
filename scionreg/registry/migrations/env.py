"""Runs the steps on the connection that `scionreg.registry.migrate` hands over."""

from alembic import context

from scionreg.records import tables
from scionreg.records.columns import Base
from scionreg.registry import ledger

# Both describe tables of the registry; importing them tells Base.
assert tables.table("people").metadata is ledger.JournalLine.metadata is Base.metadata
context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
