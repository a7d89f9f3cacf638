"""Alembic's way in: runs the migrations on the connection that `migrations.upgrade` hands over."""

from alembic import context

from monitor.store.metadata import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,  # true of SQLite as `Store` opens it; Alembic would not assume it
    transaction_per_migration=True,
)
with context.begin_transaction():
    context.run_migrations()
