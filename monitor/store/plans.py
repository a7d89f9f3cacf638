"""Every plan that has been in force, word for word, and small facts the service remembers."""

from __future__ import annotations

import json
from typing import Any, NamedTuple

from sqlalchemy import Connection, insert, select, update

from monitor.store.dialect import upsert
from monitor.store.schema import plan_version, setting
from rules.reading import Instant, Span


class PlanVersion(NamedTuple):
    """A plan file's bytes as text, and since when it has been in force."""

    sha256: str
    text: str
    since: Instant


def put(conn: Connection, sha256: str, text: str, since: Instant) -> Instant | None:
    """Note that this plan is in force from `since` on; since when it is, None where it already was the newest.

    That is after the plan before it in any case: a clock that was set back must not leave an older plan in force.
    """
    query = select(plan_version.c.sha256, plan_version.c.since).order_by(plan_version.c.since.desc(), plan_version.c.id.desc())
    newest = conn.execute(query.limit(1)).one_or_none()
    if newest is not None:
        if newest.sha256 == sha256:
            return None
        since = max(since, newest.since + 1)
    conn.execute(insert(plan_version).values(sha256=sha256, text=text, since=since))
    return since


def shift(conn: Connection, first: Instant, last: Instant, by: Span, after: Instant = 0) -> None:
    """What was put in force from `first` to `last` was so `by` later, but after `after`: the clock was wrong then."""
    since = plan_version.c.since
    for row in conn.execute(select(plan_version).where(since >= first, since <= last)).all():
        right = max(row.since + by, after + 1)
        conn.execute(update(plan_version).where(plan_version.c.id == row.id).values(since=right))


def in_force(conn: Connection, at: Instant) -> PlanVersion | None:
    """The plan in force at `at`; None before the first."""
    query = select(plan_version).where(plan_version.c.since <= at)
    row = conn.execute(query.order_by(plan_version.c.since.desc(), plan_version.c.id.desc()).limit(1)).one_or_none()
    return None if row is None else PlanVersion(row.sha256, row.text, row.since)


def between(conn: Connection, after: Instant, until: Instant) -> list[PlanVersion]:
    """Every plan in force at some instant with `after < at <= until`, oldest first."""
    first = in_force(conn, after + 1)
    query = select(plan_version).where(plan_version.c.since > after + 1, plan_version.c.since <= until)
    rows = conn.execute(query.order_by(plan_version.c.since, plan_version.c.id))
    later = [PlanVersion(row.sha256, row.text, row.since) for row in rows]
    return later if first is None else [first, *later]


def get_setting(conn: Connection, key: str, default: Any = None) -> Any:
    """What is remembered under `key`; `default` where nothing is."""
    text = conn.execute(select(setting.c.value).where(setting.c.key == key)).scalar()
    return default if text is None else json.loads(text)


def set_setting(conn: Connection, key: str, value: Any) -> None:
    """Remember `value`, which JSON can hold, under `key`."""
    put_value = upsert(conn.dialect.name, setting).values(key=key, value=json.dumps(value, ensure_ascii=False))
    conn.execute(put_value.on_conflict_do_update(index_elements=[setting.c.key], set_={"value": put_value.excluded.value}))
