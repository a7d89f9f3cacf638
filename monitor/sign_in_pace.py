"""How fast somebody may try to sign in: each failure doubles the wait, and nobody is ever shut out for good.

Counted per name and address; more loosely per address over all names, and per name over all addresses,
so that guessing from many places slows down too, while the owner of the name waits a minute at most for
what strangers do.
"""

from __future__ import annotations

from sqlalchemy import Column, Connection, Table, delete, insert, select

from monitor.store.metadata import INSTANT, SMALL, TEXT, WHOLE, metadata
from rules.reading import HOUR, MINUTE, SECOND, Instant, Span

_FORGET: Span = 24 * HOUR

attempt = Table(
    "attempt",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("at", INSTANT, nullable=False, index=True),
    Column("name_key", TEXT, nullable=False),
    Column("remote", TEXT, nullable=False),
    Column("good", SMALL, nullable=False),
    sqlite_strict=True,
)


def record(conn: Connection, name_key: str, remote: str, now: Instant, *, good: bool) -> None:
    """Note one try; those older than a day are forgotten."""
    conn.execute(delete(attempt).where(attempt.c.at < now - _FORGET))
    conn.execute(insert(attempt).values(at=now, name_key=name_key[:80], remote=remote[:64], good=int(good)))


def wait(conn: Connection, name_key: str, remote: str, now: Instant) -> Span:
    """How long until the next try is looked at; 0 when it may come now."""
    rows = conn.execute(
        select(attempt.c.at, attempt.c.name_key, attempt.c.remote, attempt.c.good)
        .where(attempt.c.at > now - _FORGET, (attempt.c.name_key == name_key[:80]) | (attempt.c.remote == remote[:64]))
        .order_by(attempt.c.id)
    ).all()
    name_key, remote = name_key[:80], remote[:64]
    pair = [r for r in rows if r.name_key == name_key and r.remote == remote]
    since_good = pair[max((i + 1 for i, r in enumerate(pair) if r.good), default=0) :]
    by_name = [r for r in rows if r.name_key == name_key and not r.good]
    by_remote = [r for r in rows if r.remote == remote and not r.good]
    return max(
        _left([r.at for r in since_good], 3, 15 * MINUTE, now),
        _left([r.at for r in by_remote], 20, 15 * MINUTE, now),
        _left([r.at for r in by_name], 30, MINUTE, now),
    )


def _left(failures: list[Instant], free: int, longest: Span, now: Instant) -> Span:
    over = len(failures) - free
    if over < 0:
        return 0
    pause = min(longest, SECOND << min(over, 20))
    # A clock set back must not turn a wait of seconds into one of days.
    return max(0, min(pause, failures[-1] + pause - now))
