"""Runs the steps on the connection that `scionreg.registry.migrate` hands over."""

from alembic import context

from scionreg.records.tables import Base
from scionreg.registry import ledger

assert ledger.JournalLine.metadata is Base.metadata  # its tables are among the models' too
context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
