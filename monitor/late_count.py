"""Counts what came too late, stretch by stretch in short reading transactions: two days of a plant are millions of rows.

Only the few numbers that come of it go to the writer (`late.release`), so that live judging never waits for the counting.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass

from sqlalchemy import Connection, and_, func, not_, select

from monitor.store import evidence, readings
from monitor.store.schema import fault, probe_name, reading
from rules.reading import Instant

ROWS = 50_000


@dataclass(frozen=True, slots=True)
class Stretch:
    """So many rows, and their first and last instants, of reading and of receiving."""

    count: int
    first: Instant
    last: Instant
    received_first: Instant
    received_last: Instant

    def with_(self, other: Stretch) -> Stretch:
        """Both together."""
        return Stretch(
            self.count + other.count,
            min(self.first, other.first),
            max(self.last, other.last),
            min(self.received_first, other.received_first),
            max(self.received_last, other.received_last),
        )


@dataclass(frozen=True, slots=True)
class Counted:
    """By probe, what came too late and is not judged: before `since`, and from it on."""

    before: Mapping[str, Stretch]
    since: Mapping[str, Stretch]


def count(
    read: Callable[[], AbstractContextManager[Connection]],
    probes: Iterable[str],
    first: Instant,
    last: Instant,
    since: Instant,
    below_seq: int,
    rows: int = ROWS,
) -> Counted:
    """Count those of these probes from `first` to `last` that arrived before place `below_seq`, about `rows` rows at a time.

    `read` opens a reading transaction (`Store.read`).
    """
    wanted, after = set(probes), first - 1
    before: dict[str, Stretch] = {}
    later: dict[str, Stretch] = {}
    while after < last:
        with read() as conn:
            end = readings.stretch(conn, after, rows)
            until = last if end is None else min(end, last)
            for low, high, found in ((after, min(until, since - 1), before), (max(after, since - 1), until, later)):
                if low < high:
                    _add(conn, found, wanted, low, high, below_seq)
        after = until
    return Counted(before, later)


def _add(conn: Connection, found: dict[str, Stretch], probes: set[str], after: Instant, until: Instant, below_seq: int) -> None:
    rule = evidence.rule(conn)
    for table in (reading, fault):
        at, got = table.c.at, table.c.received_at
        query = (
            select(probe_name.c.name, func.count(), func.min(at), func.max(at), func.min(got), func.max(got))
            .join_from(table, probe_name)
            .where(at > after, at <= until, at < got - evidence.LATE_AT_MOST, table.c.seq < below_seq)
            .where(*(not_(and_(at >= one.since, table.c.seq < one.below_seq)) for one in rule.releases))
            .group_by(probe_name.c.name)
        )
        for name, *numbers in conn.execute(query):
            if name in probes:
                more = Stretch(*numbers)
                found[name] = found[name].with_(more) if name in found else more
