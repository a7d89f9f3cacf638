"""What came late: what waits for its re-judgement, and what came so late that a person must ask for one.

Both are kept with the settings, in the transaction that stores the rows, so that a restart knows them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from sqlalchemy import Connection

from monitor import late_count
from monitor.errors import RefusedError
from monitor.late_count import Counted
from monitor.store import blocks, evidence, plans
from monitor.store.readings import Stored
from rules.quantity import format_instant
from rules.reading import Fault, Instant, Reading

_WAITING, _TOO_LATE = "judging.late", "judging.too_late"
_FENCE = "judging.too_late_fence"  # a list beside the list: what came after the fence
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

    def joined(self, other: TooLate) -> TooLate:
        """With more of the same probe."""
        return TooLate(
            self.probe,
            min(self.first, other.first),
            max(self.last, other.last),
            self.count + other.count,
            min(self.received_first, other.received_first),
            max(self.received_last, other.received_last),
        )


def too_late(conn: Connection) -> list[TooLate]:
    """What is not judged since it came more than 48 h after its instant, by probe."""
    found = _listed(plans.get_setting(conn, _TOO_LATE, {}))
    fence = plans.get_setting(conn, _FENCE)
    return _in_order(found if fence is None else _together(found, _listed(fence["probes"])))


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
    more: dict[str, TooLate] = {}
    for stored in rows:
        at, got, probe = stored.item.at, stored.received_at, stored.item.probe
        one = TooLate(probe, at, at, 1, got, got)
        more[probe] = more[probe].joined(one) if probe in more else one
    fence = plans.get_setting(conn, _FENCE)
    if fence is None:
        _put(conn, _together(_listed(plans.get_setting(conn, _TOO_LATE, {})), more))
    else:
        plans.set_setting(conn, _FENCE, {**fence, "probes": _plain(_together(_listed(fence["probes"]), more))})


@dataclass(frozen=True, slots=True)
class Released:
    """How many readings that came too late are judged from now on, and the first of them."""

    count: int
    first: Instant | None


@dataclass(frozen=True, slots=True)
class Fence:
    """What was listed at one moment, and the place that the next arrival had then; what came later is listed beside it."""

    below_seq: int
    listed: tuple[TooLate, ...]


def fence(conn: Connection) -> Fence:
    """Hold fast what is listed, so that it can be counted outside the writer (`counted`) and then be released."""
    listed, below_seq = too_late(conn), blocks.read(conn).next_seq
    _put(conn, {one.probe: one for one in listed})
    plans.set_setting(conn, _FENCE, {"below_seq": below_seq, "probes": {}})
    return Fence(below_seq, tuple(listed))


def counted(read: Callable[[], AbstractContextManager[Connection]], held: Fence, since: Instant, rows: int = late_count.ROWS) -> Counted:
    """Count, in short reading transactions of about `rows` rows, what of it lies before `since` and from it on."""
    asked = [one for one in held.listed if one.last >= since]
    if not asked:
        return Counted({}, {})
    first, last = min(one.first for one in asked), max(one.last for one in asked)
    return late_count.count(read, [one.probe for one in asked], first, last, since, held.below_seq, rows)


def release(conn: Connection, since: Instant, held: Fence, found: Counted) -> Released:
    """Have what came too late at or after `since`, as far as it had arrived at the fence, judged from now on (`store/evidence.py`).

    What has arrived since waits and is listed. Raises RefusedError where another has asked meanwhile.
    """
    newer = plans.get_setting(conn, _FENCE)
    if newer is None or newer["below_seq"] != held.below_seq:
        raise RefusedError("somebody else has just asked for a re-judgement; look at what still waits, and ask again")
    released = sum(one.count for one in found.since.values())
    if not released:
        return Released(0, None)
    left = {one.probe: one for one in held.listed if one.last < since}
    left |= {probe: TooLate(probe, **asdict(one)) for probe, one in found.before.items()}
    evidence.release(conn, since, held.below_seq)
    _put(conn, _together(left, _listed(newer["probes"])))
    plans.set_setting(conn, _FENCE, None)
    return Released(released, min(one.first for one in found.since.values()))


def _listed(body: Mapping[str, Any]) -> dict[str, TooLate]:
    return {probe: TooLate(probe=probe, **fields) for probe, fields in body.items()}


def _together(one: Mapping[str, TooLate], other: Mapping[str, TooLate]) -> dict[str, TooLate]:
    return {**one, **{probe: one[probe].joined(more) if probe in one else more for probe, more in other.items()}}


def _in_order(found: Mapping[str, TooLate]) -> list[TooLate]:
    return [found[probe] for probe in sorted(found)]


def _plain(found: Mapping[str, TooLate]) -> dict[str, Any]:
    return {probe: {name: value for name, value in asdict(one).items() if name != "probe"} for probe, one in found.items()}


def _put(conn: Connection, found: Mapping[str, TooLate]) -> None:
    plans.set_setting(conn, _TOO_LATE, _plain(found))
