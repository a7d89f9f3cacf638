"""The triggers that make a table append-only, on either engine; a migration that creates such a table calls this."""

from __future__ import annotations

from alembic import op

from monitor.store.schema import append_only_ddl

#: One function for every table: which one it was, the trigger tells it. 23001 is restrict_violation, a record refused.
#: Retention says in its own transaction what it may delete (`monitor.store.dialect.deletable`).
REFUSE_CHANGE = """
CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' AND position(' ' || TG_TABLE_NAME || ' ' IN coalesce(current_setting('larderer.deletable', true), '')) > 0 THEN
        RETURN NULL;
    END IF;
    RAISE EXCEPTION '% is append-only', TG_TABLE_NAME USING ERRCODE = '23001';
END
$$
"""


def refuse_changes(*tables: str) -> None:
    """Have UPDATE and DELETE on these tables refused."""
    dialect = op.get_context().dialect.name
    if dialect == "postgresql":
        op.execute(REFUSE_CHANGE)
    for table in tables:
        for statement in append_only_ddl(table, dialect):
            op.execute(statement)
