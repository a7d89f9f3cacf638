"""The monitoring summary: what each probe measured in the last hour, as an entry of the ledger that a person can read and sign.

A record of monitoring holds the actual values and times, the product and the lot, and the date made (9 CFR 417.5(a)(3));
the readings themselves stand sealed beside it. An automatic entry carries the device's identity, the probe's name, in place of
initials (common practice, no source); a named person signs the day (`reviews.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from sqlalchemy import Connection, and_, func, or_, select

from monitor import ledger
from monitor.store import blocks
from monitor.store.schema import fault, probe_name, reading
from rules.quantity import format_instant
from rules.reading import HOUR, SECOND, Instant, Span

KIND: Final = "monitoring"
EVERY: Span = HOUR
#: No summary covers more arrivals than this, unless one sealed block does: a backlog of days is summed up in parts, between which the
#: writer is free. An hour of 16 probes at one reading a second has 57,600.
MOST: Final = 100_000

#: What a probe serves: `{place, room, lots: [{lot, product, product_name, steps}]}`; empty where nothing is known of it.
Serves = Callable[[str], Mapping[str, Any]]


def write(conn: Connection, now: Instant, serves: Serves) -> bool:
    """Sum up what arrived since the last summary, one line a probe; whether more is left to sum up. In the caller's transaction.

    `lowest_c`, `highest_c` are with the offset in force; `longest_gap_s` is the longest time between two of its readings.
    """
    before = ledger.newest(conn, KIND)
    first = 1 if before is None else int(before.body["last_seq"]) + 1
    tip = blocks.read(conn)
    if tip.next_seq <= first:
        return False
    last, spans = _part(conn, first, tip)
    lines = _readings(conn, (first, last), spans)
    for probe, missed in _faults(conn, (first, last), spans).items():
        lines.setdefault(probe, {"probe": probe, "readings": 0})["faults"] = missed
    body = {
        "first_seq": first,
        "last_seq": last,
        "from": format_instant(min(low for low, _ in spans)),
        "to": format_instant(max(high for _, high in spans)),
        "probes": [{**line, **serves(probe)} for probe, line in sorted(lines.items())],
    }
    ledger.append(conn, KIND, body, now, entered_at=now)
    return last < tip.next_seq - 1


def _part(conn: Connection, first: int, tip: blocks.Tip) -> tuple[int, blocks.Spans]:
    """The last arrival that a summary from `first` on covers, the end of a block, and the event time of what it covers."""
    parts = [(tip.next_seq - 1, tip.spans)]
    for entry in ledger.entries_back(conn, ledger.SEAL):
        if entry.body["last_seq"] < first:
            break
        parts.append((int(entry.body["last_seq"]), entry.body["spans"]))
    parts.reverse()
    taken = [part for n, part in enumerate(parts) if n == 0 or part[0] - first < MOST]
    return taken[-1][0], blocks.merged([spans for _, spans in taken])


def _readings(conn: Connection, seqs: tuple[int, int], spans: blocks.Spans) -> dict[str, dict[str, Any]]:
    table = reading
    celsius = table.c.celsius + table.c.offset_c
    gap = table.c.at - func.lag(table.c.at).over(partition_by=table.c.probe, order_by=(table.c.at, table.c.seq))
    columns = (table.c.probe, table.c.at, table.c.suspect, celsius.label("celsius"), gap.label("gap"))
    part = select(*columns).where(_inside(table, seqs, spans)).subquery()
    query = (
        select(
            probe_name.c.name,
            func.count().label("readings"),
            func.count(part.c.suspect).label("suspect"),
            func.min(part.c.celsius).label("lowest"),
            func.max(part.c.celsius).label("highest"),
            func.min(part.c.at).label("first"),
            func.max(part.c.at).label("last"),
            func.max(part.c.gap).label("gap"),
        )
        .join(part, part.c.probe == probe_name.c.id)
        .group_by(probe_name.c.name)
    )
    return {
        row.name: {
            "probe": row.name,
            "readings": row.readings,
            "suspect": row.suspect,
            "lowest_c": round(row.lowest, 3),
            "highest_c": round(row.highest, 3),
            "first": format_instant(row.first),
            "last": format_instant(row.last),
            "longest_gap_s": None if row.gap is None else row.gap / SECOND,
        }
        for row in conn.execute(query)
    }


def _faults(conn: Connection, seqs: tuple[int, int], spans: blocks.Spans) -> dict[str, int]:
    query = (
        select(probe_name.c.name, func.count().label("faults"))
        .join(fault, fault.c.probe == probe_name.c.id)
        .where(_inside(fault, seqs, spans))
        .group_by(probe_name.c.name)
    )
    return {row.name: row.faults for row in conn.execute(query)}


def _inside(table: Any, seqs: tuple[int, int], spans: blocks.Spans) -> Any:
    return and_(table.c.seq.between(*seqs), or_(*(table.c.at.between(low, high) for low, high in spans)))
