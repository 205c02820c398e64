"""Runs the steps on the connection, and in the transaction, that `store.logbook` hands over."""

from alembic import context

from polypvision.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
