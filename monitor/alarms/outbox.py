"""The transactional outbox: what is to be told, stored in the same transaction as the alarm that it tells of.

A row is marked sent only after a bell has delivered it, so a message is delivered at least once; its
message id stands in its text and never changes, so that a person can tell a second copy from a second alarm.
Plain functions on a Connection.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, func, insert, or_, select, update

from monitor.alarms.tables import outbox
from rules.reading import Instant, Span


class Target(NamedTuple):
    """Who is told, by which bells in turn. `person` is blank for a bell that is nobody's own."""

    person: str
    routes: tuple[str, ...]


class Letter(NamedTuple):
    """One waiting message. `bell` is the route to try now, `routes` those still open to it."""

    id: int
    message_id: str
    alarm_id: int | None
    kind: str
    person: str
    routes: tuple[str, ...]
    route: int
    tries: int
    attempts: int
    priority: str
    title: str
    body: str
    created_at: Instant
    try_at: Instant

    @property
    def bell(self) -> str:
        """The bell to try now."""
        return self.routes[self.route]


_LETTER = tuple(outbox.c[name] for name in Letter._fields)


def next_message_id(conn: Connection) -> str:
    """The id that the next new message will have; messages are never deleted, so it is never used again."""
    return f"M{(conn.scalar(select(func.max(outbox.c.id))) or 0) + 1}"


def enqueue(
    conn: Connection,
    message_id: str,
    target: Target,
    now: Instant,
    *,
    kind: str,
    priority: str,
    title: str,
    body: str,
    alarm_id: int | None = None,
) -> None:
    """Store one message to be delivered; delivery begins after the caller's commit."""
    conn.execute(
        insert(outbox).values(
            message_id=message_id,
            alarm_id=alarm_id,
            kind=kind,
            person=target.person,
            target=_target(target),
            routes=json.dumps(target.routes),
            priority=priority,
            title=title,
            body=body,
            created_at=now,
            try_at=now,
            state="waiting",
        )
    )


def undelivered(conn: Connection, alarm_id: int, target: Target) -> str:
    """The message id of an older message of this alarm to this target that is still waiting, or ""."""
    found = conn.scalar(
        select(outbox.c.message_id).where(
            outbox.c.alarm_id == alarm_id,
            outbox.c.state == "waiting",
            outbox.c.kind == "alarm",
            outbox.c.target == _target(target),
        )
    )
    return found or ""


def rewrite(conn: Connection, message_id: str, *, priority: str, title: str, body: str) -> None:
    """Bring a waiting message up to date: after an outage a phone gets the alarm once, not once a repeat."""
    conn.execute(update(outbox).where(outbox.c.message_id == message_id).values(priority=priority, title=title, body=body))


def drop(conn: Connection, alarm_id: int, why: str, now: Instant) -> None:
    """Let an alarm's waiting messages go; each keeps the reason."""
    conn.execute(
        update(outbox)
        .where(outbox.c.alarm_id == alarm_id, outbox.c.state == "waiting", outbox.c.kind == "alarm")
        .values(state="dropped", done_at=now, error=why)
    )


def last_kind(conn: Connection, bell: str) -> str:
    """The kind of the newest message to a bell that is nobody's own: what a siren was last told."""
    newest = select(outbox.c.kind).where(outbox.c.target == _target(Target("", (bell,)))).order_by(outbox.c.id.desc()).limit(1)
    return conn.scalar(newest) or ""


def delivered_by(conn: Connection, alarm_id: int) -> set[str]:
    """The bells that have delivered a message about an alarm."""
    query = select(outbox.c.bell).where(outbox.c.alarm_id == alarm_id, outbox.c.kind == "alarm", outbox.c.state == "sent")
    return set(conn.scalars(query))


def told_by(conn: Connection, bell: str) -> set[int]:
    """The alarms that a bell which is nobody's own was rung for."""
    return set(conn.scalars(select(outbox.c.alarm_id).where(outbox.c.target == _target(Target("", (bell,))), outbox.c.kind == "alarm")))


def drop_for_bell(conn: Connection, bell: str, now: Instant) -> None:
    """Let a siren's waiting messages go: only the newest state counts."""
    conn.execute(
        update(outbox)
        .where(outbox.c.target == _target(Target("", (bell,))), outbox.c.state == "waiting")
        .values(state="dropped", done_at=now, error="a newer state follows")
    )


def waiting(conn: Connection, now: Instant, cap: Span, limit: int = 100) -> list[Letter]:
    """Messages whose next try is due, the most urgent alarms first; also those set absurdly far ahead by a wrong clock."""
    rank = {"critical": 0, "high": 1, "medium": 2, "low": 3}
    found = conn.execute(
        select(*_LETTER)
        .where(outbox.c.state == "waiting", or_(outbox.c.try_at <= now, outbox.c.try_at > now + 2 * cap))
        .order_by(outbox.c.id + 0)  # by the id alone SQLite would read every message ever written, in its order, for the few that wait
        .limit(limit)
    )
    return sorted((letter_of(row) for row in found), key=lambda m: rank.get(m.priority, 4))


def as_it_stands(conn: Connection, message: Letter) -> Letter | None:
    """A message read again; None where it waits no more or was moved to another bell."""
    row = conn.execute(select(*_LETTER).where(outbox.c.id == message.id, outbox.c.state == "waiting")).one_or_none()
    fresh = None if row is None else letter_of(row)
    return fresh if fresh is not None and fresh.bell == message.bell and fresh.attempts == message.attempts else None


def next_try(conn: Connection) -> Instant | None:
    """The instant of the soonest waiting try, or None with nothing waiting."""
    soonest: Instant | None = conn.scalar(select(func.min(outbox.c.try_at)).where(outbox.c.state == "waiting"))
    return soonest


def delivered(conn: Connection, message: Letter, now: Instant) -> None:
    """Mark a message sent, by the bell that took it. True also of one that was dropped while it was under way."""
    conn.execute(
        update(outbox)
        .where(outbox.c.id == message.id)
        .values(state="sent", done_at=now, bell=message.bell, attempts=outbox.c.attempts + 1, error="")
    )


def try_again(conn: Connection, message: Letter, at: Instant, error: str, *, rotate: bool) -> None:
    """Set the next try; `rotate` moves on to the person's next bell, first again after the last."""
    route = (message.route + 1) % len(message.routes) if rotate else message.route
    conn.execute(
        update(outbox)
        .where(outbox.c.id == message.id, outbox.c.state == "waiting")
        .values(try_at=at, route=route, tries=0 if rotate else message.tries + 1, attempts=outbox.c.attempts + 1, error=error)
    )


def refused(conn: Connection, message: Letter, now: Instant, error: str) -> bool:
    """Take a route that refuses out; True if another is left and will be tried at once, False if the message is lost there."""
    left = [bell for bell in message.routes if bell != message.bell]
    values: dict[str, Any] = {"attempts": outbox.c.attempts + 1, "error": error}
    if left:
        values |= {"routes": json.dumps(left), "route": message.route % len(left), "tries": 0, "try_at": now}
    else:
        values |= {"state": "refused", "done_at": now, "bell": message.bell}
    conn.execute(update(outbox).where(outbox.c.id == message.id, outbox.c.state == "waiting").values(values))
    return bool(left)


def letter_of(row: Row[Any]) -> Letter:
    """A row of the outbox as a Letter."""
    values = dict(row._mapping)
    return Letter(**{**values, "routes": tuple(json.loads(values["routes"]))})


def told(conn: Connection, alarm_ids: Sequence[int]) -> list[Target]:
    """Everybody who was sent, or is still to be sent, a message about any of these alarms."""
    rows = conn.execute(
        select(outbox.c.target).where(outbox.c.alarm_id.in_(alarm_ids), outbox.c.kind == "alarm", outbox.c.state != "refused").distinct()
    )
    return [Target(person, tuple(routes)) for person, routes in (json.loads(row.target) for row in rows)]


def _target(target: Target) -> str:
    """A target as it was meant, whatever routes are left of it later."""
    return json.dumps([target.person, target.routes])
