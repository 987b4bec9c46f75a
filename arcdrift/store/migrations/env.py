"""Runs migrations on the connection that `arcdrift.store.connect` hands over."""

from alembic import context

from arcdrift.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
