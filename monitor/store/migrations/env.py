"""Alembic's way in: runs the migrations on the connection that `migrations.upgrade` hands over."""

from alembic import context

from monitor.store.metadata import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,  # true of both engines as `Store` opens them; Alembic would not assume it of SQLite
    transaction_per_migration=True,
)
with context.begin_transaction():
    context.run_migrations()
