"""An engine judged anew from a snapshot on, slice by slice from the store.

A snapshot holds every judged row that arrived before its `next_seq` and lies at or before its `at`. What is fed after it
is therefore the few that arrived later though they lie before it (readings of different probes cross a little), and
then everything behind it in order of time. A slice ends between two instants, so what stands at one instant is fed together,
and no more than a slice is ever held: two days of readings cost time, no memory.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from operator import attrgetter
from typing import NamedTuple

from sqlalchemy import Connection, select

from monitor import ledger
from monitor.recalls import Recalled
from monitor.store import blocks, events, readings, snapshots
from monitor.store.schema import plan_version
from rules.engine import Engine
from rules.errors import LateEvent, RulesError
from rules.finding import Finding
from rules.history import arrange, standing
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import parse_instant
from rules.reading import MINUTE, Event, Instant, LotEvent, Span
from rules.track import BEFORE, NEVER

_AT = attrgetter("at")
#: On the way a replay keeps the engine's state this often, for the next one.
SNAPSHOT_EVERY: Span = 10 * MINUTE
#: Rows of one slice where nobody waits: a few milliseconds.
SLICE = 500


class Plans(NamedTuple):
    """Every plan by its SHA-256, and since when each was put in force, oldest first."""

    by_sha256: Mapping[str, Plan]
    changes: Sequence[tuple[Instant, str]]


def stored_plans(conn: Connection) -> Plans:
    """Every plan that the store holds."""
    rows = conn.execute(select(plan_version).order_by(plan_version.c.since, plan_version.c.id)).all()
    return Plans({r.sha256: load_plan(r.text, "plan in the store") for r in rows}, [(r.since, r.sha256) for r in rows])


class Kept(NamedTuple):
    """The engine's state on the way, as `snapshots.keep_packed` takes it, and how many findings there were."""

    at: Instant
    plan: str
    next_seq: int
    event_seq: int
    data: bytes
    findings: int


class Replay:
    """An engine on its way. `reached`: everything stored at or before that instant is in it, as far as it had arrived."""

    def __init__(self, plans: Plans, snapshot: snapshots.Snapshot | None) -> None:
        self._plans = plans
        self.base: Instant = BEFORE
        self.kept: list[Kept] = []
        self.findings: list[Finding] = []
        #: What the snapshot did not hold though it lies before it, and could not be fed behind it (see `stragglers`).
        self._events: list[LotEvent] = []
        self._event_seq = -1
        self._from(snapshot)

    def _from(self, snapshot: snapshots.Snapshot | None) -> None:
        engine, self._next_seq, self._base_event_seq = self._restored(snapshot)
        self.engine = engine
        self.reached: Instant = BEFORE if snapshot is None or not self._next_seq else snapshot.at
        if not self.kept:
            self.base = self.reached
        self._changes = [c for c in self._plans.changes if c[0] > engine.now]
        # A clock that was set back puts a plan in force at an instant that the engine has passed already.
        passed = [sha256 for since, sha256 in self._plans.changes if since <= engine.now]
        if passed and engine.plan.sha256 != passed[-1]:
            engine.use(self._plans.by_sha256[passed[-1]])
        self._kept_at = self.reached

    def _restored(self, snapshot: snapshots.Snapshot | None) -> tuple[Engine, int, int]:
        plans, changes = self._plans
        if snapshot is not None:
            try:
                return Engine.restore(dict(plans), snapshot.state), snapshot.next_seq, snapshot.event_seq
            except (RulesError, KeyError, TypeError, ValueError):
                pass  # another version wrote it: everything stored is judged again
        first = changes[0][1] if changes else next(iter(plans))
        engine = Engine(plans[first])
        engine.plans = dict(plans)
        return engine, 0, 0

    def back_to(self, at: Instant) -> bool:
        """Go back to a state of its own strictly before `at`; False where it kept none, so that it begins from the store's snapshots."""
        self.kept = [k for k in self.kept if k.at < at]
        if not self.kept:
            return False
        last = self.kept[-1]
        state = snapshots.unpack(last.data)
        kept, base, found = self.kept, self.base, self.findings[: last.findings]
        self._from(snapshots.Snapshot(last.at, last.plan, last.next_seq, last.event_seq, state))
        self.kept, self.base, self.findings = kept, base, found
        self._event_seq = -1
        return True

    def stragglers(self, conn: Connection, below: Instant = NEVER) -> Instant | None:
        """Feed what arrived after the snapshot though it lies before it; the earliest instant that is late for it, or None.

        What lies at or after `below` is left out. To be called once, before the first `step`.
        """
        if self.reached == BEFORE:
            return None
        missed: Instant | None = None
        until = min(self.reached, below - 1)
        entered = standing(s.event for s in events.since(conn, self._base_event_seq) if s.event.at <= until)
        arrived = (s.item for s in Recalled.read(conn).applied(ledger.arrived_since(conn, self._next_seq, until=until)))
        for item in heapq.merge(sorted(entered, key=_AT), arrived, key=_AT):
            try:
                self.findings += self.engine.feed(item)
            except LateEvent as late:
                missed = late.at if missed is None else min(missed, late.at)
        return missed

    def step(self, conn: Connection, most: int = SLICE) -> bool:
        """Feed the next slice; True once nothing stored is left. Raises LateEvent, and EventError where an entry became impossible."""
        after = self.reached
        until = readings.stretch(conn, after, most)
        end = until is None
        rows = readings.between(conn, after, NEVER if until is None else until)
        items: list[Event] = [s.item for s in Recalled.read(conn).applied(rows)]
        entered = self._entered(conn, after, NEVER if until is None else until)
        for item in arrange([*entered, *items]) if entered else arrange(items):
            while self._changes and self._changes[0][0] <= item.at:
                self.engine.use(self._plans.by_sha256[self._changes.pop(0)[1]])
            self.findings += self.engine.feed(item)
        if until is not None:
            self.reached = until
        elif items or entered:
            self.reached = max([i.at for i in items[-1:]] + [e.at for e in entered[-1:]])
        if end:
            for _, sha256 in self._changes:
                self.engine.use(self._plans.by_sha256[sha256])
            self._changes = []
        elif self.reached >= self._kept_at + SNAPSHOT_EVERY:
            self._keep(conn)
        return end

    def _entered(self, conn: Connection, after: Instant, until: Instant) -> list[LotEvent]:
        """The lot events of a slice that were not taken back, in order; what was taken back before the snapshot is not in it."""
        newest = events.last_seq(conn)
        if newest != self._event_seq:
            self._event_seq = newest
            behind = [s.event for s in events.behind(conn, self.base)]
            mine = [e for e in behind if e.event != "undo" or parse_instant(e.value) > self.base]
            self._events = sorted(standing(mine), key=_AT)
        return [e for e in self._events if after < e.at <= until]

    def _keep(self, conn: Connection) -> None:
        state = snapshots.pack(self.engine.snapshot(packed=True))
        place = blocks.read(conn).next_seq
        self.kept.append(Kept(self.reached, self.engine.plan.sha256, place, events.last_seq(conn), state, len(self.findings)))
        self._kept_at = self.reached
