"""The block of arrivals that the next seal will close, and where the arrivals of a block lie in event time.

Arrivals are stored in order of event time and counted in order of arrival. A block therefore remembers the
few spans of event time that its arrivals fall in, so that they are found again without a second index.
"""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, insert, select, update

from monitor import chain
from monitor.errors import StoreDamaged
from monitor.store.schema import tip
from rules.reading import HOUR, Instant

#: Two arrivals of a block this near in event time share a span; a wrong clock or a late logger opens its own.
SPAN_JOIN = 6 * HOUR
#: No block keeps more spans than this; then the nearest two are joined.
MOST_SPANS = 32

Spans = list[list[Instant]]


@dataclass(slots=True)
class Tip:
    """Where ledger and arrivals stand: the last ledger entry, and the open block of arrivals."""

    ledger_seq: int
    ledger_hash: str
    first_seq: int
    next_seq: int
    frontier: chain.Frontier
    spans: Spans


def read(conn: Connection) -> Tip:
    """The tip as stored; that of an empty store where nothing was written yet."""
    row = conn.execute(select(tip).where(tip.c.id == 1)).one_or_none()
    if row is None:
        return Tip(0, chain.GENESIS, 1, 1, chain.Frontier(), [])
    if len(row.frontier) % chain.HASH_BYTES or len(row.frontier) // chain.HASH_BYTES != (row.next_seq - row.first_seq).bit_count():
        raise StoreDamaged("the state of the open block of readings (table tip) is not sound; restore the newest backup")
    frontier = chain.Frontier(row.next_seq - row.first_seq, row.frontier)
    return Tip(row.ledger_seq, row.ledger_hash, row.first_seq, row.next_seq, frontier, json.loads(row.spans))


def write(conn: Connection, now: Tip) -> None:
    """Store the tip, in the transaction of what it describes."""
    values: dict[str, Any] = {
        "ledger_seq": now.ledger_seq,
        "ledger_hash": now.ledger_hash,
        "first_seq": now.first_seq,
        "next_seq": now.next_seq,
        "frontier": now.frontier.state(),
        "spans": json.dumps(now.spans, separators=(",", ":")),
    }
    if conn.execute(update(tip).where(tip.c.id == 1).values(values)).rowcount == 0:
        conn.execute(insert(tip).values(id=1, **values))


def widen(spans: Spans, at: Instant) -> None:
    """Make `spans` (sorted, apart) cover `at`."""
    if spans:
        last = spans[-1]
        if last[0] <= at <= last[1] + SPAN_JOIN:  # the usual case: time moves on
            last[1] = max(last[1], at)
            return
    place = bisect_left(spans, [at])
    spans.insert(place, [at, at])
    for left in (place, place - 1):
        if 0 <= left < len(spans) - 1 and spans[left + 1][0] - spans[left][1] <= SPAN_JOIN:
            _join(spans, left)
    if len(spans) > MOST_SPANS:
        _join(spans, min(range(len(spans) - 1), key=lambda i: spans[i + 1][0] - spans[i][1]))


def cover(spans: Spans, instants: Iterable[Instant]) -> None:
    """Make `spans` cover each of these; as `widen` for one after the other."""
    last = spans[-1] if spans else None
    for at in instants:
        if last is not None and last[0] <= at <= last[1] + SPAN_JOIN:
            if at > last[1]:  # noqa: PLR1730 — max() costs a call for each reading
                last[1] = at
        else:
            widen(spans, at)
            last = spans[-1]


def _join(spans: Spans, left: int) -> None:
    spans[left][1] = max(spans[left][1], spans[left + 1][1])
    del spans[left + 1]


def merged(many: list[Spans]) -> Spans:
    """The spans of several blocks as one sorted list without overlap."""
    result: Spans = []
    for low, high in sorted((span[0], span[1]) for spans in many for span in spans):
        if result and low <= result[-1][1]:
            result[-1][1] = max(result[-1][1], high)
        else:
            result.append([low, high])
    return result
