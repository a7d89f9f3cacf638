"""What came late: what waits for its re-judgement, and what came so late that a person must ask for one.

Both are kept with the settings, in the transaction that stores the rows, so that a restart knows them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from sqlalchemy import Connection

from monitor.store import blocks, evidence, plans, readings
from monitor.store.readings import Stored
from rules.quantity import format_instant
from rules.reading import Fault, Instant, Reading

_WAITING, _TOO_LATE = "judging.late", "judging.too_late"
_NAMED = 4  # so many probes are named in a sentence, the others counted


@dataclass(frozen=True, slots=True)
class Late:
    """A re-judgement that is owed: from `since` on, for these readings (`{probe: (first, last)}`) and for what was asked for."""

    since: Instant
    probes: Mapping[str, tuple[Instant, Instant]] = field(default_factory=dict)
    received: tuple[Instant, Instant] | None = None
    asked: tuple[str, ...] = ()

    def joined(self, since: Instant, rows: Sequence[Reading | Fault] = (), received_at: Instant = 0) -> Late:
        """With more that is late, from `since` on; `rows` are readings received at `received_at`."""
        probes = dict(self.probes)
        for row in rows:
            first, last = probes.get(row.probe, (row.at, row.at))
            probes[row.probe] = (min(first, row.at), max(last, row.at))
        received = self.received
        if rows:
            begun, ended = received or (received_at, received_at)
            received = (min(begun, received_at), max(ended, received_at))
        return replace(self, since=min(self.since, since), probes=probes, received=received)

    def asked_for(self, since: Instant, why: str) -> Late:
        """With what somebody asks for."""
        return replace(self, since=min(self.since, since), asked=(*self.asked, why) if why not in self.asked else self.asked)

    def why(self) -> str:
        """The reason, for corrections: which readings, from when to when, received when."""
        parts = list(self.asked)
        named = [f"{probe} from {format_instant(a)} to {format_instant(b)}" for probe, (a, b) in sorted(self.probes.items())]
        if named:
            more = f" and {len(named) - _NAMED} more probes" if len(named) > _NAMED else ""
            text = f"late readings of {', '.join(named[:_NAMED])}{more}"
            if self.received is not None:
                first, last = map(format_instant, self.received)
                text += f", received {first}" if first == last else f", received {first} to {last}"
            parts.append(text)
        return "; ".join(parts) or f"what arrived while nothing was judged, from {format_instant(self.since)} on"


def waiting(conn: Connection) -> Late | None:
    """The re-judgement that is owed, None where none is."""
    body = plans.get_setting(conn, _WAITING)
    if body is None:
        return None
    received = None if body["received"] is None else (body["received"][0], body["received"][1])
    return Late(body["since"], {p: (a, b) for p, (a, b) in body["probes"].items()}, received, tuple(body["asked"]))


def put_waiting(conn: Connection, late: Late | None) -> None:
    """Keep it, or that none is owed any more."""
    if late is not None or plans.get_setting(conn, _WAITING) is not None:
        plans.set_setting(conn, _WAITING, None if late is None else asdict(late))


@dataclass(frozen=True, slots=True)
class TooLate:
    """Readings of one probe that are stored and not judged until a person asks."""

    probe: str
    first: Instant
    last: Instant
    count: int
    received_first: Instant
    received_last: Instant


def too_late(conn: Connection) -> list[TooLate]:
    """What is not judged since it came more than 48 h after its instant, by probe."""
    return [TooLate(probe=probe, **body) for probe, body in sorted(plans.get_setting(conn, _TOO_LATE, {}).items())]


def listed(conn: Connection) -> dict[str, dict[str, Any]]:
    """The same as plain values, instants as text: for the ledger, the API and the page."""
    return {
        one.probe: {
            "count": one.count,
            "from": format_instant(one.first),
            "to": format_instant(one.last),
            "received_from": format_instant(one.received_first),
            "received_to": format_instant(one.received_last),
        }
        for one in too_late(conn)
    }


def add_too_late(conn: Connection, rows: Iterable[Stored]) -> None:
    """List rows that came too late and have just been stored."""
    listed = {one.probe: one for one in too_late(conn)}
    for stored in rows:
        at, got, probe = stored.item.at, stored.received_at, stored.item.probe
        one = listed.get(probe) or TooLate(probe, at, at, 0, got, got)
        listed[probe] = TooLate(
            probe, min(one.first, at), max(one.last, at), one.count + 1, min(one.received_first, got), max(one.received_last, got)
        )
    _put_too_late(conn, listed.values())


@dataclass(frozen=True, slots=True)
class Released:
    """How many readings that came too late are judged from now on, and the first of them."""

    count: int
    first: Instant | None


def release(conn: Connection, since: Instant) -> Released:
    """Have what came too late at or after `since`, as far as it has arrived, judged from now on (`store/evidence.py`)."""
    rule = evidence.rule(conn)
    released = Released(0, None)
    left: list[TooLate] = []
    for one in too_late(conn):
        if one.last < since:
            left.append(one)
            continue
        kept: TooLate | None = None
        for stored in readings.between(conn, one.first - 1, one.last, [one.probe], unjudged=True):
            at, got = stored.item.at, stored.received_at
            if not stored.too_late or rule.counts(at, got, stored.seq):
                continue
            if at >= since:
                released = Released(released.count + 1, at if released.first is None else min(at, released.first))
            elif kept is None:
                kept = TooLate(one.probe, at, at, 1, got, got)
            else:
                kept = TooLate(one.probe, kept.first, at, kept.count + 1, min(kept.received_first, got), max(kept.received_last, got))
        if kept is not None:
            left.append(kept)
    if released.count:
        evidence.release(conn, since, blocks.read(conn).next_seq)
        _put_too_late(conn, left)
    return released


def _put_too_late(conn: Connection, listed: Iterable[TooLate]) -> None:
    body = {}
    for one in listed:
        fields = asdict(one)
        body[fields.pop("probe")] = fields
    plans.set_setting(conn, _TOO_LATE, body)
