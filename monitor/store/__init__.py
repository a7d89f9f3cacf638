"""The store: SQLAlchemy Core on SQLite, one writer, short read-only readers, Alembic migrations."""
