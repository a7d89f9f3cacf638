"""Readings and faults in the store: put away as they arrived, read back in order of event time.

Stretches of time are left-open and right-closed everywhere: `after < at <= until`.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import cache
from heapq import merge
from itertools import chain as chain_of
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, Table, and_, delete, func, insert, select

from monitor import chain
from monitor.store import blocks, dialect, evidence
from monitor.store.dialect import plain, put_rows, rows_at, streamed
from monitor.store.evidence import FUTURE_AHEAD, is_future
from monitor.store.schema import fault, newest, probe_name, reading
from rules.reading import Fault, Instant, Reading

_CHUNK = 2000


class Arrival(NamedTuple):
    """One item as it came in. `outcome` is "stored", "late" (older than the probe's newest) or "future"."""

    item: Reading | Fault
    received_at: Instant
    outcome: str = "stored"


class Stored(NamedTuple):
    """One item as it is stored; `seq` is its place in the order of arrival, over readings and faults alike."""

    item: Reading | Fault
    received_at: Instant
    seq: int

    @property
    def future(self) -> bool:
        """Whether its stamp was ahead of the receiving clock, so that it is never judged."""
        return is_future(self.item.at, self.received_at)

    @property
    def too_late(self) -> bool:
        """Whether it came so late that it is judged only once a person asks."""
        return evidence.is_too_late(self.item.at, self.received_at)


class Newest(NamedTuple):
    """A probe's newest reading and newest fault, each None where there is none; stamps of the future left out."""

    reading: Reading | None
    received_at: Instant | None
    fault: Fault | None

    @property
    def at(self) -> Instant:
        """The instant of the newer of the two."""
        return max(item.at for item in (self.reading, self.fault) if item is not None)


def leaf(item: Reading | Fault, received_at: Instant, seq: int) -> dict[str, Any]:
    """The fields of an arrival that its seal covers."""
    if isinstance(item, Reading):
        return {
            "at": item.at,
            "celsius": item.celsius,
            "offset_c": item.offset_c,
            "probe": item.probe,
            "received_at": received_at,
            "seq": seq,
            "suspect": item.suspect,
        }
    return {"at": item.at, "probe": item.probe, "raw": item.raw, "reason": item.reason, "received_at": received_at, "seq": seq}


def leaf_bytes(item: Reading | Fault, received_at: Instant, seq: int) -> bytes:
    """The canonical JSON of `leaf`; written out for a plain reading, which nearly all are."""
    if isinstance(item, Reading) and not item.suspect and item.offset_c == 0.0:
        return _PLAIN_LEAF % (item.at, item.celsius, _json_text(item.probe), received_at, seq)
    return chain.canonical(leaf(item, received_at, seq))


_PLAIN_LEAF = b'{"at":%d,"celsius":%a,"offset_c":0.0,"probe":%b,"received_at":%d,"seq":%d,"suspect":""}'


@cache
def _json_text(name: str) -> bytes:
    return chain.canonical(name)


def store(conn: Connection, arrivals: Sequence[Arrival]) -> list[Stored]:
    """Put arrivals away in the order given, as leaves of the open block; returns them with their `seq`.

    Nothing is checked here: duplicates, unknown probes and impossible values are `intake`'s to find.
    """
    if not arrivals:
        return []
    ids = probe_ids(conn, {item.probe for item, _, _ in arrivals})
    tip = blocks.read(conn)
    done: list[Stored] = []
    leaves: list[bytes] = []
    instants: list[Instant] = []
    rows: list[tuple[Any, ...]] = []
    faults: list[tuple[Any, ...]] = []
    newest_reading: dict[int, tuple[Any, ...]] = {}
    newest_fault: dict[int, tuple[Any, ...]] = {}
    # What nearly every arrival is costs no more than it must: this is the hottest loop of the store.
    for seq, (given, received_at, _outcome) in enumerate(arrivals, tip.next_seq):
        item, at, probe = given, given.at, ids[given.probe]
        ahead = at > received_at + FUTURE_AHEAD
        if isinstance(item, Reading):
            name, _, celsius, offset_c, suspect, _ = item
            if celsius == 0.0 or offset_c != 0.0 or type(celsius) is not float or type(offset_c) is not float:
                # SQLite keeps no negative zero, and the leaf must hash alike before and after storing.
                celsius, offset_c = float(celsius) + 0.0, float(offset_c) + 0.0
                item = item._replace(celsius=celsius, offset_c=offset_c)
            row = (at, probe, seq, celsius, offset_c, suspect or None, received_at)
            rows.append(row)
            if not ahead and (probe not in newest_reading or newest_reading[probe][0] <= at):
                newest_reading[probe] = row
            if suspect or offset_c != 0.0:
                leaves.append(leaf_bytes(item, received_at, seq))
            else:  # as `leaf_bytes`
                leaves.append(_PLAIN_LEAF % (at, celsius, _json_text(name), received_at, seq))
        else:
            if "\0" in item.raw or "\0" in item.reason:  # PostgreSQL keeps no text with it, and a copy has to hash alike on either
                item = item._replace(raw=item.raw.replace("\0", "\\x00"), reason=item.reason.replace("\0", "\\x00"))
            faults.append((at, probe, seq, item.reason, item.raw, received_at))
            if not ahead and (probe not in newest_fault or newest_fault[probe][1] <= at):
                newest_fault[probe] = (probe, at, item.reason)
            leaves.append(leaf_bytes(item, received_at, seq))
        done.append(_stored(Stored, (item, received_at, seq)))
        instants.append(at)
    tip.frontier.extend(chain.leaf_hashes(leaves))
    blocks.cover(tip.spans, instants)
    tip.next_seq += len(done)
    if rows:
        put_rows(conn, reading, _READING, rows)
    if faults:
        put_rows(conn, fault, _FAULT, faults)
    if newest_reading:
        put = [(probe, at, celsius, offset_c, suspect, got) for at, probe, _, celsius, offset_c, suspect, got in newest_reading.values()]
        conn.exec_driver_sql(plain(conn, _NEWER_READING), put)
    if newest_fault:
        conn.exec_driver_sql(plain(conn, _NEWER_FAULT), list(newest_fault.values()))
    blocks.write(conn, tip)
    return done


#: `Stored(*three)` without the call that a named tuple makes of it.
_stored = tuple.__new__
_READING = ("at", "probe", "seq", "celsius", "offset_c", "suspect", "received_at")
_FAULT = ("at", "probe", "seq", "reason", "raw", "received_at")


def _newer(*columns: str) -> str:
    """Puts these columns of a probe in the place of what is as old or older, the first of them being the instant; for both engines."""
    put, at = ", ".join(f"{column} = excluded.{column}" for column in columns), f"{newest.name}.{columns[0]}"
    return (
        f"INSERT INTO {newest.name} (probe, {', '.join(columns)}) VALUES (?{', ?' * len(columns)}) "
        f"ON CONFLICT (probe) DO UPDATE SET {put} WHERE {at} IS NULL OR {at} <= excluded.{columns[0]}"
    )


_NEWER_READING = _newer("at", "celsius", "offset_c", "suspect", "received_at")
_NEWER_FAULT = _newer("fault_at", "fault_reason")


def probe_ids(conn: Connection, names: Collection[str]) -> dict[str, int]:
    """The numbers of probes by name, and maybe of others; a name not seen before gets one.

    They are remembered with the connection, which ends with a transaction that is undone; but not in a transaction that gave a name
    its number, which may be undone in part. No name is ever taken away.
    """
    found: dict[str, int] = conn.info.get(_IDS, {})
    if found.keys() >= set(names):
        return found
    found = {name: number for number, name in conn.exec_driver_sql(f"SELECT id, name FROM {probe_name.name}")}
    transaction = conn.get_transaction()
    for name in sorted(set(names) - found.keys()):
        found[name] = conn.execute(insert(probe_name).values(name=name).returning(probe_name.c.id)).scalar_one()
        conn.info[_NAMED_IN] = transaction
    if conn.info.get(_NAMED_IN) is not transaction:
        conn.info[_IDS] = found
        conn.info.pop(_NAMED_IN, None)
    return found


_IDS, _NAMED_IN = "larderer.probe_ids", "larderer.probe_named_in"


def at_instants(conn: Connection, keys: Collection[tuple[str, Instant]]) -> dict[tuple[str, Instant], list[Stored]]:
    """What is stored of these probes at exactly these instants, stamps of the future included."""
    result: dict[tuple[str, Instant], list[Stored]] = {}
    ids = {row.name: row.id for row in conn.execute(select(probe_name))}
    names = {number: name for name, number in ids.items()}
    wanted = json.dumps([(at, ids[probe]) for probe, at in keys if probe in ids])
    for table in (reading, fault):
        for row in conn.execute(rows_at(conn.dialect.name, table), {"wanted": wanted}):
            item = _item(table, row, names)
            result.setdefault((item.probe, item.at), []).append(Stored(item, row.received_at, row.seq))
    return result


def newest_by_probe(conn: Connection) -> dict[str, Newest]:
    """The newest reading and fault of every probe that ever sent one in good time."""
    result = {}
    for row in conn.execute(select(newest, probe_name.c.name).join(probe_name)):
        got = None if row.at is None else Reading(row.name, row.at, row.celsius, row.offset_c, row.suspect or "")
        missed = None if row.fault_at is None else Fault(row.name, row.fault_at, row.fault_reason)
        result[row.name] = Newest(got, row.received_at, missed)
    return result


def between(
    conn: Connection, after: Instant, until: Instant, probes: Collection[str] | None = None, *, unjudged: bool = False
) -> Iterator[Stored]:
    """Readings and faults with `after < at <= until`, streamed in order of `at`, then of arrival.

    `probes` names those wanted (None: all). `unjudged=True` adds those that are not judged (`evidence.py`).
    """
    return _stream(conn, lambda table: and_(table.c.at > after, table.c.at <= until), probes, unjudged)


def arrived_since(
    conn: Connection, seq: int, sealed: Iterable[blocks.Spans] = (), *, until: Instant | None = None, unjudged: bool = False
) -> Iterator[Stored]:
    """Everything that arrived at place `seq` or later, in order of `at`; with `until`, as far as `at <= until`.

    `sealed` gives the spans of the blocks sealed since (see `ledger.arrived_since`, which finds them).
    """
    for low, high in blocks.merged([*sealed, blocks.read(conn).spans]):
        if until is not None and low > until:
            return
        yield from _stream(conn, _in_span(low, high if until is None else min(high, until), seq, None), None, unjudged)


def stretch(conn: Connection, after: Instant, rows: int) -> Instant | None:
    """The instant up to which about `rows` rows lie behind `after`, none of its rows left out; None where fewer are stored."""
    ends = []
    for table in (reading, fault):
        query = select(table.c.at).where(table.c.at > after).order_by(table.c.at).limit(1).offset(rows - 1)
        ends.append(conn.execute(query).scalar())
    return min((end for end in ends if end is not None), default=None)


def count_after(conn: Connection, at: Instant, most: int) -> int:
    """How many readings and faults lie after `at`, counted up to `most` of each."""
    parts = [select(table.c.at).where(table.c.at > at).limit(most).subquery() for table in (reading, fault)]
    return sum(conn.execute(select(func.count()).select_from(part)).scalar_one() for part in parts)


def of_block(conn: Connection, first_seq: int, last_seq: int, spans: blocks.Spans) -> list[Stored]:
    """The arrivals of one block, in order of arrival; those that `spans` do not cover are not found."""
    found: list[Stored] = []
    for low, high in spans:
        found.extend(_stream(conn, _in_span(low, high, first_seq, last_seq), None, True))
    return sorted(found, key=lambda stored: stored.seq)


def deletable(conn: Connection) -> AbstractContextManager[None]:
    """Let readings and faults be deleted, for retention alone, inside this transaction only."""
    return dialect.deletable(conn, reading.name, fault.name)


def delete_block(conn: Connection, first_seq: int, last_seq: int, spans: blocks.Spans) -> int:
    """Delete the arrivals of one block inside `deletable`; returns how many."""
    gone = 0
    for low, high in spans:
        for table in (reading, fault):
            gone += conn.execute(delete(table).where(_in_span(low, high, first_seq, last_seq)(table))).rowcount
    return gone


def count(conn: Connection) -> int:
    """How many readings and faults are stored; this scans both tables."""
    return sum(conn.execute(select(func.count()).select_from(table)).scalar_one() for table in (reading, fault))


_Condition = ColumnElement[bool]


def _in_span(low: Instant, high: Instant, first_seq: int, last_seq: int | None) -> Any:
    def condition(table: Table) -> _Condition:
        parts = [table.c.at.between(low, high), table.c.seq >= first_seq]
        return and_(*parts) if last_seq is None else and_(*parts, table.c.seq <= last_seq)

    return condition


def _stream(conn: Connection, condition: Any, probes: Collection[str] | None, unjudged: bool) -> Iterator[Stored]:
    names = {row.id: row.name for row in conn.execute(select(probe_name))}
    wanted = None if probes is None else [number for number, name in names.items() if name in set(probes)]
    rule = evidence.rule(conn)
    streams = []
    for table in (reading, fault):
        query = select(*(_COLUMNS if table is reading else table.c)).where(condition(table)).order_by(table.c.at, table.c.seq)
        if wanted is not None:
            query = query.where(table.c.probe.in_(wanted))
        if not unjudged:
            query = query.where(rule.condition(table))
        streams.append(_rows(conn, table, query, names))
    readings_, faults = streams
    first = next(faults, None)
    if first is None:  # a day of hundred thousands without a fault spares each of them a comparison
        return readings_
    return merge(readings_, chain_of([first], faults), key=lambda stored: (stored.item.at, stored.seq))


_COLUMNS = tuple(reading.c[name] for name in _READING)


def _rows(conn: Connection, table: Table, query: Select[Any], names: Mapping[int, str]) -> Iterator[Stored]:
    if table is not reading:
        for row in streamed(conn, query, _CHUNK):
            yield Stored(_item(table, row, names), row.received_at, row.seq)
        return
    # By place: a day may be hundred thousands of them, and nearly every name is known.
    for at, probe, seq, celsius, offset_c, suspect, received_at in streamed(conn, query, _CHUNK):
        yield Stored(Reading(names.get(probe) or f"?{probe}", at, celsius, offset_c, suspect or ""), received_at, seq)


def _item(table: Table, row: Any, names: Mapping[int, str]) -> Reading | Fault:
    probe = names.get(row.probe, f"?{row.probe}")
    if table is reading:
        return Reading(probe, row.at, row.celsius, row.offset_c, row.suspect or "")
    return Fault(probe, row.at, row.reason, row.raw)
