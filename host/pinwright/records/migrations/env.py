"""What alembic runs: the steps, in the transaction that the index has open."""

from alembic import context

from pinwright.records.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
with context.begin_transaction():
    context.run_migrations()
