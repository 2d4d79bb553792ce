"""Runs the migrations on the connection that `desk.records.migrate` hands over."""

from alembic import context

from desk.records.tables import Table

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=Table.metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
