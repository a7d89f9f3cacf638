"""What people are shown of alarms: plain dicts of JSON values, read from the tables, never a state of their own."""

from __future__ import annotations

import json
from typing import Any, Final

from sqlalchemy import Connection, RowMapping, func, select

from monitor.alarms.hidden import Hiding, hiding_of, in_force
from monitor.alarms.life import WORDS, Hidden, Life, State, letter
from monitor.alarms.tables import alarm, alarm_event, outbox
from monitor.errors import InputError, NotFoundError
from rules.quantity import format_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant

#: In alarm for longer than this is a standing alarm (a trade article's figure; see the alarm reference).
STANDING: Final = 24 * HOUR
#: A flood starts above ten alarms in ten minutes for one operator (the same).
FLOOD: Final = (10, 10 * MINUTE)
_RANK: Final = {"critical": 0, "high": 1, "medium": 2, "low": 3}


def number_of(alarm_id: int | str) -> int:
    """An alarm's number from 17, "17" or "A17"; raises InputError."""
    text = str(alarm_id).strip()
    digits = text[1:] if text[:1] in ("A", "a") else text
    if not digits.isascii() or not digits.isdecimal() or len(digits) > 15:
        raise InputError(f'alarm is "{text[:40]}"; write its number as it stands in the message, such as A17')
    return int(digits)


def row_of(conn: Connection, alarm_id: int | str) -> RowMapping:
    """One alarm's row; raises NotFoundError."""
    number = number_of(alarm_id)
    row = conn.execute(select(alarm).where(alarm.c.id == number)).mappings().one_or_none()
    if row is None:
        raise NotFoundError(f'there is no alarm "A{number}"; look at the list of open alarms')
    return row


def open_rows(conn: Connection, key: str | None = None) -> list[RowMapping]:
    """Rows that are not back to normal and acknowledged, newest first; also those still in their on-delay."""
    query = select(alarm).where(alarm.c.closed_at.is_(None)).order_by(alarm.c.id.desc())
    return list(conn.execute(query if key is None else query.where(alarm.c.key == key)).mappings())


def open_alarms(conn: Connection, now: Instant | None = None) -> list[dict[str, Any]]:
    """Every alarm that has rung or is hidden and is not back to normal and acknowledged, the most urgent first."""
    hidings = in_force(conn)
    shown = [describe(row, hidings, now) for row in open_rows(conn) if row["rang_at"] is not None]
    return sorted(
        shown, key=lambda a: (a["hidden"] is not None, not a["unacknowledged"], not a["active"], _RANK[a["priority"]], a["raised"])
    )


def describe(row: RowMapping, hidings: list[Hiding], now: Instant | None = None) -> dict[str, Any]:
    """One alarm as JSON values. `state` is in words, `letter` the standard's; instants ISO 8601 with Z."""
    cause = json.loads(row["cause"])
    life = Life(State(row["state"]), bool(row["latched"]))
    hiding = hiding_of(hidings, row["key"], bool(row["critical"])) if row["closed_at"] is None else None
    mark = letter(life.state, Hidden(hiding.kind) if hiding else None)
    return {
        "id": f"A{row['id']}",
        "number": row["id"],
        "key": row["key"],
        "text": f"{cause['where']}: {cause['what']}",
        "what": cause["what"],
        "where": cause["where"],
        "detail": cause["text"],
        "limit": cause["limit"],
        "doubt": cause.get("doubt", ""),
        "do": cause["do"],
        "lot": cause["lot"],
        "members": json.loads(row["members"]),
        "priority": row["priority"],
        "critical": bool(row["critical"]),
        "latched": life.latched,
        "letter": mark,
        "state": WORDS[mark],
        "active": life.active,
        "unacknowledged": life.unacknowledged,
        "open": row["closed_at"] is None,
        "since": format_instant(row["since"]),
        "raised": format_instant(row["raised_at"]),
        "rang": _text(row["rang_at"]),
        "returned": _text(row["returned_at"]),
        "acknowledged": _text(row["acknowledged_at"]),
        "acknowledged_by": row["acknowledged_by"],
        "comment": row["comment"],
        "closed": _text(row["closed_at"]),
        "branch_of": f"A{row['branch_of']}" if row["branch_of"] else None,
        "told": bool(row["told"]),
        "standing": now is not None and life.active and now - row["raised_at"] > STANDING,
        "hidden": None
        if hiding is None
        else {
            "how": WORDS[hiding.kind],
            "since": format_instant(hiding.since),
            "until": _text(hiding.until),
            "by": hiding.by,
            "reason": hiding.reason,
        },
    }


def history(conn: Connection, alarm_id: int | str) -> list[dict[str, Any]]:
    """Everything that happened to an alarm, in order: `at, what, by, text`."""
    number = row_of(conn, alarm_id)["id"]
    rows = conn.execute(select(alarm_event).where(alarm_event.c.alarm_id == number).order_by(alarm_event.c.id)).mappings()
    return [{"at": format_instant(r["at"]), "what": r["what"], "by": r["by"], "text": r["text"]} for r in rows]


def messages(conn: Connection, alarm_id: int | str) -> list[dict[str, Any]]:
    """Every message about an alarm and what became of it."""
    number = row_of(conn, alarm_id)["id"]
    rows = conn.execute(select(outbox).where(outbox.c.alarm_id == number).order_by(outbox.c.id)).mappings()
    return [
        {
            "id": r["message_id"],
            "kind": r["kind"],
            "person": r["person"],
            "bells": json.loads(r["routes"]),
            "bell": r["bell"],
            "state": r["state"],
            "attempts": r["attempts"],
            "error": r["error"],
            "created": format_instant(r["created_at"]),
            "done": _text(r["done_at"]),
        }
        for r in rows
    ]


def flood(conn: Connection, now: Instant) -> bool:
    """True while more alarms rang within ten minutes than one person can follow."""
    most, within = FLOOD
    count = conn.scalar(select(func.count()).where(alarm.c.rang_at > now - within, alarm.c.rang_at <= now)) or 0
    return count > most


def waiting_s(conn: Connection, now: Instant) -> float:
    """How many seconds the oldest undelivered message has waited; 0 with none."""
    oldest = conn.scalar(select(func.min(outbox.c.created_at)).where(outbox.c.state == "waiting"))
    return 0.0 if oldest is None else max(0.0, (now - oldest) / SECOND)


def _text(at: Instant | None) -> str | None:
    return None if at is None else format_instant(at)
