"""The engine while it runs: fed from the store, replayed where something late changes what was judged.

Everything here happens in the writer's thread, inside the transaction that stores what is fed. The store is
the truth: an engine is rebuilt from the newest snapshot that still holds and from what arrived after it.

`Judging.rejudge(conn, since, why)` judges everything from `since` on again, from what the store then gives (call it
after whatever changed what the store gives, in the same transaction). Cheap ones are done at once, long ones are caught
up with beside the live engine; either way `why` stands in the corrections. `Pipeline.rejudge` also tells what it found.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from monitor import ledger
from monitor.recalls import Recalled
from monitor.store import events, plans, snapshots
from monitor.store.schema import ledger as ledger_table
from monitor.store.schema import plan_version
from rules.engine import Engine
from rules.errors import EventError, LateEvent, RulesError
from rules.finding import Finding
from rules.history import arrange
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, Event, Instant, LotEvent, Span, Tick
from rules.track import BEFORE

#: Readings later than this are stored and listed; a person asks for the re-judgement (`judging.md` section 6).
LATE_AT_MOST: Span = 48 * HOUR
SNAPSHOT_EVERY: Span = 10 * MINUTE
#: Ended lots stay in memory this long, for late readings and for the page.
KEEP_LOTS: Span = 14 * 24 * HOUR

FINDING, CORRECTION = "finding", "correction"
_FIELDS = Finding._fields[:-1]
_VERDICTS = ("met", "deviated", "unproven")


class Correction(NamedTuple):
    """A verdict that something late has changed."""

    lot: str
    step: str
    limit: str
    probe: str
    was: str
    now: str
    at: Instant


class Judged(NamedTuple):
    """What a feed found: new findings, and verdicts that a replay changed."""

    findings: list[Finding]
    corrections: list[Correction]


class Judging:
    """The live engine. `lock` guards it for readers in other threads."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.engine = Engine(plan)
        self.lock = threading.RLock()
        self._plans: dict[str, Plan] = {plan.sha256: plan}
        self._changes: list[tuple[Instant, str]] = []
        self._snapshot_at: Instant = BEFORE
        self._stale = True

    # --- state ---------------------------------------------------------------------------------------------------

    def distrust(self) -> None:
        """A transaction was undone: what is in memory may be ahead of the store; it is read again before the next use."""
        self._stale = True

    @property
    def stale(self) -> bool:
        """Whether the engine must be read again from the store before it is used."""
        return self._stale

    def ready(self, conn: Connection, now: Instant) -> Judged:
        """Rebuild the engine from the store where it is not trusted, up to `now`; what that finds and nobody was told is given back.

        To be called before anything new is stored: what is stored already is fed here.
        """
        if not self._stale:
            return Judged([], [])
        with self.lock:
            self._read_plans(conn)
            found = self._replay(conn, None, []).findings
            # Closings wait for readings of their own instant; what was told before a restart must not look taken back.
            ticked = self.tick(conn, now).findings
            told = self._told(conn, ticked)
            self._stale = False
            return Judged(found + [f for f in ticked if f[:-1] not in told], self._taken_back(conn))

    def _read_plans(self, conn: Connection) -> None:
        rows = conn.execute(select(plan_version).order_by(plan_version.c.since, plan_version.c.id)).all()
        for row in rows:
            if row.sha256 not in self._plans:
                self._plans[row.sha256] = load_plan(row.text, "plan in the store")
        self._changes = [(row.since, row.sha256) for row in rows]

    # --- feeding -------------------------------------------------------------------------------------------------

    def feed(self, conn: Connection, items: Sequence[Event]) -> Judged:
        """Judge what has just been stored (call `ready` before storing it); something late replays from a snapshot before it."""
        found: list[Finding] = []
        with self.lock:
            for item in arrange(items):
                try:
                    found += self.engine.feed(item)
                except LateEvent as late:
                    return self._replay(conn, late.at, found)
            self._keep(conn)
        return Judged(found, [])

    def enter(self, conn: Connection, event: LotEvent) -> Judged:
        """Judge a person's entry that has just been stored; raises EventError with the engine as it was."""
        with self.lock:
            if event.event != "undo":
                try:
                    return Judged(self.engine.feed(event), [])
                except LateEvent:
                    pass
            at = parse_instant(event.value) if event.event == "undo" else event.at
            kept = self.engine
            try:
                return self._replay(conn, at, [])
            except RulesError as error:
                self.engine = kept
                raise EventError(str(error)) from None

    def tick(self, conn: Connection, now: Instant) -> Judged:
        """Time has moved on with nothing read."""
        with self.lock:
            try:
                found = self.engine.feed(Tick(now))
            except LateEvent as late:
                return self._replay(conn, late.at, [])
            self._keep(conn)
            return Judged(found, [])

    def rejudge(self, conn: Connection, since: Instant, why: str) -> Judged:
        """Judge everything from `since` on again, from the store as it is in this transaction; `why` is a clause for the corrections.

        What it gives back is to be told (`Pipeline.rejudge` does); empty where it is long and is caught up with later.
        """
        with self.lock:
            return self._replay(conn, since, [])

    def report(self) -> dict[str, Any]:
        """The Judge JSON of this instant; from any thread. Closings still waiting for readings of their instant stay open."""
        with self.lock:
            return self.engine.report(settle=False)

    # --- replay --------------------------------------------------------------------------------------------------

    @staticmethod
    def _told(conn: Connection, findings: list[Finding]) -> set[tuple[Any, ...]]:
        """Which of these the ledger holds already: what was committed was told, nothing else was."""
        if not findings:
            return set()
        since = min(f.at for f in findings)
        rows = conn.execute(select(ledger_table.c.body).where(ledger_table.c.kind == FINDING, ledger_table.c.at >= since))
        return {tuple(json.loads(row.body)[name] for name in _FIELDS) for row in rows}

    def _taken_back(self, conn: Connection) -> list[Correction]:
        """Verdicts that the ledger holds as the last word and this engine, judged anew, has not said.

        What arrived while nobody judged (an import, readings stored while judging had stopped) may change what was told.
        """
        if not self.engine.lots:
            return []
        since = min(lot.started for lot in self.engine.lots.values())
        query = select(ledger_table.c.kind, ledger_table.c.body).where(
            ledger_table.c.kind.in_((FINDING, CORRECTION)), ledger_table.c.at >= since
        )
        told: dict[tuple[str, str, str, str], tuple[str, Instant | None]] = {}
        for row in conn.execute(query.order_by(ledger_table.c.seq)):
            body = json.loads(row.body)
            key = (body["lot"], body["step"], body["limit"], body["probe"])
            if row.kind == CORRECTION:  # it does not say when what stands now was decided
                told[key] = (body["now"], None)
            elif body["what"] in _VERDICTS:
                told[key] = (body["what"], body["at"])
        said: set[tuple[Any, ...]] = set()
        for lot in self.engine.lots.values():
            for f in lot.said:
                said |= {(f.lot, f.step, f.limit, f.probe, f.what, at) for at in (f.at, None)}
        now = self._verdicts()
        return [
            Correction(*key, what, now[key].what if key in now else "open", self.engine.now if at is None else at)
            for key, (what, at) in told.items()
            if key[0] in self.engine.lots and what != "open" and (*key, what, at) not in said
        ]

    def _verdicts(self) -> dict[tuple[str, str, str, str], Finding]:
        """The last verdict said for each watch."""
        return {(f.lot, f.step, f.limit, f.probe): f for lot in self.engine.lots.values() for f in lot.said if f.what in _VERDICTS}

    def _replay(self, conn: Connection, at: Instant | None, found: list[Finding]) -> Judged:
        """Rebuild from the newest snapshot (before `at`, where given). New is what the ledger does not hold.

        `found` was found by this very feed before it met something late; it is among what the replay finds.
        """
        was = self._verdicts()
        snapshot = snapshots.newest(conn) if at is None else snapshots.before(conn, at)
        while True:
            try:
                engine, findings = self._rebuilt(conn, snapshot)
                break
            except LateEvent as late:
                if snapshot is None:
                    raise
                earlier = min(late.at, snapshot.at)
                snapshot = snapshots.before(conn, earlier)
                at = earlier if at is None else min(at, earlier)
        if at is not None:
            snapshots.forget_from(conn, at)
        self.engine = engine
        self._snapshot_at = engine.now if snapshot is None else snapshot.at
        now = self._verdicts()
        corrections = [
            Correction(*key, before.what, now[key].what if key in now else "open", before.at)
            for key, before in was.items()
            if key[0] in engine.lots and (key not in now or (now[key].what, now[key].at) != (before.what, before.at))
        ]
        told = self._told(conn, findings)
        new = [f for f in findings if f[:-1] not in told]
        gone = [f for f in found if f[:-1] not in {n[:-1] for n in new}]
        return Judged(new + [f for f in gone if not f.lot], corrections)

    def _rebuilt(self, conn: Connection, snapshot: snapshots.Snapshot | None) -> tuple[Engine, list[Finding]]:
        engine, next_seq, event_seq = self._base(snapshot)
        # A clock that was set back puts a plan in force at an instant that the engine has passed already.
        passed = [sha256 for since, sha256 in self._changes if since <= engine.now]
        if passed and engine.plan.sha256 != passed[-1]:
            engine.use(self._plans[passed[-1]])
        arrived = (s.item for s in Recalled.read(conn).applied(ledger.arrived_since(conn, next_seq)))
        entered = [s.event for s in events.since(conn, event_seq)]
        items = arrange([*entered, *arrived])
        changes = [c for c in self._changes if c[0] > engine.now]
        findings: list[Finding] = []
        for item in self._with_plans(engine, items, changes):
            findings += engine.feed(item)  # an EventError here means that an undo made a later entry impossible
        for _, sha256 in changes:
            engine.use(self._plans[sha256])
        return engine, findings

    def _base(self, snapshot: snapshots.Snapshot | None) -> tuple[Engine, int, int]:
        if snapshot is not None:
            try:
                return Engine.restore(self._plans, snapshot.state), snapshot.next_seq, snapshot.event_seq
            except (RulesError, KeyError, TypeError, ValueError):
                pass  # another version wrote it: everything stored is judged again
        first = self._changes[0][1] if self._changes else self.plan.sha256
        engine = Engine(self._plans[first])
        engine.plans = dict(self._plans)
        return engine, 0, 0

    def _with_plans(self, engine: Engine, items: list[Event], changes: list[tuple[Instant, str]]) -> Iterator[Event]:
        for item in items:
            while changes and changes[0][0] <= item.at:
                engine.use(self._plans[changes.pop(0)[1]])
            yield item

    def _keep(self, conn: Connection) -> None:
        """A snapshot now and then, so that a restart or a late reading replays minutes, not months."""
        now = self.engine.now
        if now < self._snapshot_at + SNAPSHOT_EVERY or now == BEFORE:
            return
        self.engine.forget(now - KEEP_LOTS)
        snapshots.keep(conn, self.engine.snapshot(), now, self.engine.plan.sha256, now)
        self._snapshot_at = now

    def adopt(self, conn: Connection, plan: Plan, now: Instant) -> bool:
        """Put a plan in force from now on for lots to come; False where it is in force already."""
        with self.lock:
            self._plans[plan.sha256] = plan
            since = plans.put(conn, plan.sha256, plan.text, now)
            if since is None:
                return False
            self._changes.append((since, plan.sha256))
            self.plan = plan
            if not self._stale:
                self.engine.use(plan)
            return True
