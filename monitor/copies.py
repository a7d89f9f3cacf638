"""Second copies of the records, as the ledger knows them: made while the service runs, read back, tried out, put back.

A restore goes back to an older state: entries written after the copy are gone from then on. It therefore says which history it
replaced, and every head noted down since (an export, a daily word) shows the fork (`larderer verify --head`).
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, select

from monitor import ledger
from monitor.store import blocks, readings
from monitor.store.schema import ledger as ledger_table
from rules.quantity import format_instant
from rules.reading import Instant

BACKUP: Final = "backup"
RESTORE: Final = "restore"
REHEARSAL: Final = "restore-rehearsal"


class State(NamedTuple):
    """How far a database has come: its head, how many readings and faults have arrived, and when the newest was read."""

    seq: int
    hash: str
    arrived: int
    newest: Instant | None

    def as_json(self) -> dict[str, Any]:
        """As an entry holds it."""
        newest = None if self.newest is None else format_instant(self.newest)
        return {"seq": self.seq, "hash": self.hash, "arrived": self.arrived, "newest": newest}


def state(conn: Connection) -> State:
    """How far this database has come."""
    seq, digest = ledger.head(conn)
    heard = [found.at for found in readings.newest_by_probe(conn).values()]
    return State(seq, digest, blocks.read(conn).next_seq - 1, max(heard, default=None))


def tried(conn: Connection) -> tuple[Instant | None, str]:
    """When a copy was last tried out, and what was wrong with it then; None where none ever was."""
    entry = ledger.newest(conn, REHEARSAL)
    return (None, "") if entry is None else (entry.entered_at, str(entry.body.get("failed", "")))


def newest(conn: Connection) -> Instant | None:
    """When the newest second copy was made; None where there never was one."""
    entry = ledger.newest(conn, BACKUP)
    return None if entry is None else entry.entered_at


def begun(conn: Connection) -> Instant | None:
    """When the first record was written."""
    return conn.execute(select(ledger_table.c.entered_at).order_by(ledger_table.c.seq).limit(1)).scalar()


def lost_by(conn: Connection, copy: State) -> str:
    """What a restore of that copy would lose of the database of `conn`, in a sentence."""
    now = state(conn)
    if copy.seq and conn.execute(select(ledger_table.c.hash).where(ledger_table.c.seq == copy.seq)).scalar() != copy.hash:
        return "The copy is of another history than the database in use: record for record they part before the copy's end."
    if now.seq == copy.seq:
        return "Nothing was recorded since the copy was made."
    return f"{now.seq - copy.seq} records and {now.arrived - copy.arrived} readings that came since the copy was made would be gone."
