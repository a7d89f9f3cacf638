"""Idempotency keys: a request sent twice is done once.

The answer is kept in the same transaction as what the request did, so a phone that lost its signal half
way may send again: it is given the first answer, whether or not that answer ever reached it.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any, NamedTuple

from sqlalchemy import Column, Connection, Table, delete, insert, select, update

from monitor.errors import KeyReuseError
from monitor.store.metadata import INSTANT, TEXT, metadata
from rules.reading import HOUR, Instant, Span

#: How long an answer is kept: longer than any phone or gateway goes on trying.
KEPT: Span = 7 * 24 * HOUR

idempotency = Table(
    "idempotency",
    metadata,
    Column("who", TEXT, primary_key=True),
    Column("key", TEXT, primary_key=True),
    Column("request", TEXT, nullable=False),
    Column("answer", TEXT, nullable=False),
    Column("at", INSTANT, nullable=False, index=True),
    sqlite_strict=True,
)


class Key(NamedTuple):
    """One request to be done once: the sender's key and the SHA-256 of what was asked."""

    key: str
    request: str


def request_key(key: str, method: str, path: str, body: bytes) -> Key:
    """The Key of a request, from the header's value and what was sent."""
    digest = hashlib.sha256(f"{method} {path}\n".encode())
    digest.update(body)
    return Key(key, digest.hexdigest())


def recall(conn: Connection, who: str, key: Key) -> Any | None:
    """The answer given before to this request, or None if it is new; raises KeyReuseError if the key was used for another."""
    row = conn.execute(
        select(idempotency.c.request, idempotency.c.answer).where(idempotency.c.who == who, idempotency.c.key == key.key)
    ).one_or_none()
    if row is None:
        return None
    if row.request != key.request:
        raise KeyReuseError(f'Idempotency-Key "{key.key}" was already used for a different request; write a new key for a new request')
    return json.loads(row.answer)


def keep(conn: Connection, who: str, key: Key, answer: Any, now: Instant) -> None:
    """Keep the answer to a request; answers older than KEPT are let go."""
    conn.execute(delete(idempotency).where(idempotency.c.at < now - KEPT))
    conn.execute(insert(idempotency).values(who=who, key=key.key, request=key.request, answer=json.dumps(answer), at=now))


def replace(conn: Connection, who: str, key: Key, answer: Any) -> None:
    """Complete an answer kept earlier, where a request is carried out in several steps."""
    conn.execute(update(idempotency).where(idempotency.c.who == who, idempotency.c.key == key.key).values(answer=json.dumps(answer)))
