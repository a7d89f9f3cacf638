"""A person's role and PIN taken in hand by a reviewer; every session of theirs feels it at once. Functions on the writer's connection."""

from __future__ import annotations

from sqlalchemy import Connection, delete, select, update

from monitor import ledger
from monitor.people import person, session
from rules.reading import Instant


def set_role(conn: Connection, name: str, role: str, now: Instant, by: str) -> bool:
    """Give a person another role; False where it is theirs already, and then nothing is written."""
    row = conn.execute(select(person).where(person.c.name == name, person.c.removed_at.is_(None))).one()
    if row.role == role:
        return False
    conn.execute(update(person).where(person.c.id == row.id).values(role=role))
    ledger.append(conn, "person", {"what": "role", "name": name, "role": role}, now, by, entered_at=now)
    return True


def lock(conn: Connection, name: str, now: Instant, by: str) -> None:
    """Make a person's PIN worthless and end their sessions, until they set a new one with a code."""
    row = conn.execute(select(person).where(person.c.name == name, person.c.removed_at.is_(None))).one()
    conn.execute(update(person).where(person.c.id == row.id).values(secret_hash=""))
    conn.execute(delete(session).where(session.c.person_id == row.id))
    ledger.append(conn, "person", {"what": "secret ended", "name": name}, now, by, entered_at=now)
