"""Old readings are deleted, block by sealed block, the oldest first; each seal stays, and the deletion is an entry itself.

How long records are kept is a rule of its own for every kind of product: 9 CFR 417.5(e) asks for one year of refrigerated
and two years of frozen, preserved or shelf-stable product (from memory), 21 CFR 117.315 for two (from memory).
Only readings and faults go, since they alone fill a disk: ledger, lots, deviations and checks are kept for good.
What an open lot or an open deviation may still need is never deleted, however old it is.
"""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import Connection, select

from monitor import ledger, lot_log
from monitor.deviations import deviation
from monitor.store import readings
from monitor.store.schema import lot_event
from rules.quantity import format_instant, parse_instant
from rules.reading import HOUR, SECOND, Instant, Span

#: Rows deleted in one transaction at most (one block more than none): some ten milliseconds on a card.
ROWS = 20_000
#: A lot's first readings may have come a little before its start was entered, by another clock.
MARGIN: Span = 48 * HOUR


class Swept(NamedTuple):
    """What one sweep deleted; `more`: there is more to delete now."""

    rows: int
    more: bool


def needed_from(conn: Connection) -> Instant | None:
    """The instant from which readings are needed by a lot or deviation that is open; None where nothing is open."""
    ended = select(lot_event.c.lot).where(lot_event.c.event == "end")
    undone = select(lot_event.c.lot).where(lot_event.c.event == "undo")
    maybe = conn.execute(select(lot_event.c.lot).where(lot_event.c.lot.notin_(ended) | lot_event.c.lot.in_(undone)).distinct()).scalars()
    starts = [log.started for log in lot_log.read_lots(conn, list(maybe)).values() if log.open]
    held = conn.execute(select(deviation.c.lot, deviation.c.at).where(deviation.c.closed_at.is_(None))).all()
    logs = lot_log.read_lots(conn, sorted({row.lot for row in held if row.lot}))
    starts += [row.at for row in held]
    starts += [log.started for log in logs.values()]
    return min((at for at in starts if at is not None), default=None)


def sweep(conn: Connection, now: Instant, keep: Span, *, rows: int = ROWS) -> Swept:
    """Delete whole blocks that were sealed more than `keep` ago and that nothing open needs, `rows` at most or one block.

    In the caller's transaction, with the entry that says so.
    """
    needed = needed_from(conn)
    until = now - keep if needed is None else min(now - keep, needed - MARGIN)
    blocks, total, more = _oldest(conn, until, rows)
    if not blocks:
        return Swept(0, False)
    first, last = blocks[0].body, blocks[-1].body
    with readings.deletable(conn):
        deleted = sum(readings.delete_block(conn, b.body["first_seq"], b.body["last_seq"], b.body["spans"]) for b in blocks)
    body = {
        "first_seq": first["first_seq"],
        "last_seq": last["last_seq"],
        "first_seal": blocks[0].seq,
        "last_seal": blocks[-1].seq,
        "count": total,
        "deleted": deleted,
        "sealed_until": format_instant(blocks[-1].entered_at),
        "keep_s": keep // SECOND,
    }
    ledger.append(conn, ledger.RETENTION, body, now, entered_at=now)
    return Swept(deleted, more)


def _oldest(conn: Connection, until: Instant, rows: int) -> tuple[list[ledger.Entry], int, bool]:
    """The seals of the oldest blocks still there that were sealed by `until`, as many as `rows` allow, and whether more were."""
    last = ledger.newest(conn, ledger.RETENTION)
    blocks: list[ledger.Entry] = []
    total = 0
    for entry in ledger.entries(conn, 0 if last is None else int(last.body["last_seal"]), kind=ledger.SEAL, most=500):
        if entry.entered_at > until:
            return blocks, total, False
        if blocks and total + entry.body["count"] > rows:
            return blocks, total, True
        blocks.append(entry)
        total += entry.body["count"]
    return blocks, total, len(blocks) == 500


def reaches(conn: Connection, at: Instant) -> bool:
    """Whether readings as old as `at` may have been deleted."""
    last = ledger.newest(conn, ledger.RETENTION)
    if last is None:
        return False
    return at <= parse_instant(str(last.body["sealed_until"]))
