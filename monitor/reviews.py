"""Pre-shipment review: a person signs that they have looked through a day's records, up to one ledger entry.

9 CFR 417.5(c) (1996, as amended) asks for this review before product is shipped, where practicable by
somebody other than who made the records; a review says whether that was so.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from sqlalchemy import Column, Connection, Table, insert, select

from monitor import ledger
from monitor.store.metadata import INSTANT, SMALL, TEXT, WHOLE, metadata
from rules.quantity import format_instant
from rules.reading import Instant

day_review = Table(
    "day_review",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("day", TEXT, nullable=False, index=True),
    Column("at", INSTANT, nullable=False),
    Column("by", TEXT, nullable=False),
    Column("comment", TEXT, nullable=False),
    Column("own_records", SMALL, nullable=False),
    Column("ledger_seq", WHOLE, nullable=False),
    sqlite_strict=True,
)


def sign(conn: Connection, day: str, by: str, now: Instant, *, makers: Collection[str], comment: str = "") -> dict[str, Any]:
    """Record that `by` has reviewed `day`; `makers` are those who made its records."""
    own = by in makers
    entry = ledger.append(conn, "review", {"day": day, "comment": comment, "own_records": own}, now, by, entered_at=now)
    conn.execute(
        insert(day_review).values(day=day, at=now, by=by, comment=comment, own_records=int(own), ledger_seq=entry.seq),
    )
    return of_day(conn, day)[-1]


def of_day(conn: Connection, day: str) -> list[dict[str, Any]]:
    """The day's reviews in order: `at, by, comment, own_records, ledger_seq`."""
    rows = conn.execute(select(day_review).where(day_review.c.day == day).order_by(day_review.c.id))
    return [
        {"at": format_instant(r.at), "by": r.by, "comment": r.comment, "own_records": bool(r.own_records), "ledger_seq": r.ledger_seq}
        for r in rows
    ]
