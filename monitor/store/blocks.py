"""The block of arrivals that the next seal will close, and where the arrivals of a block lie in event time.

Arrivals are stored in order of event time and counted in order of arrival. A block therefore remembers the
few spans of event time that its arrivals fall in, so that they are found again without a second index.
"""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from monitor import chain
from monitor.errors import StoreDamaged
from monitor.store.dialect import plain
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
    row = conn.exec_driver_sql(_READ).fetchone()
    if row is None:
        return Tip(0, chain.GENESIS, 1, 1, chain.Frontier(), [])
    ledger_seq, ledger_hash, first_seq, next_seq, frontier, spans = row
    if len(frontier) % chain.HASH_BYTES or len(frontier) // chain.HASH_BYTES != (next_seq - first_seq).bit_count():
        raise StoreDamaged("the state of the open block of readings (table tip) is not sound; restore the newest backup")
    return Tip(ledger_seq, ledger_hash, first_seq, next_seq, chain.Frontier(next_seq - first_seq, frontier), json.loads(spans))


def write(conn: Connection, now: Tip) -> None:
    """Store the tip, in the transaction of what it describes."""
    spans = json.dumps(now.spans, separators=(",", ":"))
    values = (now.ledger_seq, now.ledger_hash, now.first_seq, now.next_seq, now.frontier.state(), spans)
    if conn.exec_driver_sql(plain(conn, _UPDATE), values).rowcount == 0:
        conn.exec_driver_sql(plain(conn, _INSERT), values)


# Read and written with every group of readings and every entry of the ledger.
_COLUMNS = ("ledger_seq", "ledger_hash", "first_seq", "next_seq", "frontier", "spans")
_READ = f"SELECT {', '.join(_COLUMNS)} FROM {tip.name} WHERE id = 1"
_UPDATE = f"UPDATE {tip.name} SET {', '.join(f'{column} = ?' for column in _COLUMNS)} WHERE id = 1"
_INSERT = f"INSERT INTO {tip.name} (id, {', '.join(_COLUMNS)}) VALUES (1, {', '.join('?' * len(_COLUMNS))})"


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


def cover(spans: Spans, instants: Sequence[Instant]) -> None:
    """Make `spans` cover each of these; as `widen` for one after the other."""
    last = spans[-1] if spans else None
    if last is not None and instants and last[0] <= min(instants) and (newest := max(instants)) <= last[1] + SPAN_JOIN:
        last[1] = max(last[1], newest)
        return
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
