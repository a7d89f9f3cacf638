"""A part of a transaction that can be undone alone, said to the database itself: every group of readings sets two of them.

SQLAlchemy's own costs more than the group's rows do. The names tell nested ones apart.
"""

from __future__ import annotations

from sqlalchemy import Connection


class Savepoint:
    """Set where it is made; then `keep()` or `undo()` it, once. Whoever does neither has the whole transaction undone."""

    __slots__ = ("_conn", "_name")

    def __init__(self, conn: Connection, name: str) -> None:
        """`name` is a word of ours that no savepoint around this one bears."""
        self._conn, self._name = conn, name
        conn.exec_driver_sql(f"SAVEPOINT {name}")

    def keep(self) -> None:
        """What was done since then is part of the transaction."""
        self._conn.exec_driver_sql(f"RELEASE SAVEPOINT {self._name}")

    def undo(self) -> None:
        """What was done since then is undone; the transaction goes on."""
        self._conn.exec_driver_sql(f"ROLLBACK TO SAVEPOINT {self._name}")
        self.keep()
