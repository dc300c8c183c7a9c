"""Runs the steps on the connection that `services.records.database.migrate` holds open."""

from alembic import context

from services.records.tables import Table

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Table.metadata,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
