"""Second copies of the records: made while the service runs, read back, put back, and tried out; each is an entry of the ledger.

A restore goes back to an older state: entries written after the copy are gone from then on. It therefore says which history it
replaced, and every head noted down since (an export, a daily word) shows the fork (`larderer verify --head`).
"""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Connection, select

from monitor import ledger
from monitor.export.verify import file_hash
from monitor.store.schema import ledger as ledger_table
from rules.reading import Instant

BACKUP: Final = "backup"
RESTORE: Final = "restore"
REHEARSAL: Final = "restore-rehearsal"


def newest(conn: Connection) -> Instant | None:
    """When the newest second copy was made; None where there never was one."""
    entry = ledger.newest(conn, BACKUP)
    return None if entry is None else entry.entered_at


def begun(conn: Connection) -> Instant | None:
    """When the first record was written."""
    return conn.execute(select(ledger_table.c.entered_at).order_by(ledger_table.c.seq).limit(1)).scalar()


def head_of(conn: Connection) -> dict[str, Any]:
    """The head as an entry holds it."""
    seq, digest = ledger.head(conn)
    return {"seq": seq, "hash": digest}


__all__ = ["BACKUP", "REHEARSAL", "RESTORE", "begun", "file_hash", "head_of", "newest"]
