"""The engine while it runs: fed from the store, judged anew where something late changes what was judged.

Everything here happens in the writer's thread, inside the transaction that stores what is fed. The store is
the truth: an engine is rebuilt from the newest snapshot that still holds and from what arrived after it.

What is late costs a replay of everything behind the snapshot before it. Up to `AT_ONCE` rows, and `AT_ONCE_A_MINUTE` rows
in a minute, that is done at once, in the transaction that stores it. What costs more is a *re-judgement*: it is noted
(`late.py`), the live engine goes on without it, and a second engine catches up in small slices (`catch_up`,
called by `rejudger.py` between live commits). What arrives late meanwhile joins it, or sets it back to a state of its own
before that; when nothing stored is left it takes the live engine's place, in one transaction with the corrections.

`Judging.rejudge(conn, since, why)` judges everything from `since` on again, from what the store then gives (call it
after whatever changed what the store gives, in the same transaction). Cheap ones are done at once, long ones are caught
up with beside the live engine; either way `why` stands in the corrections. `Pipeline.rejudge` also tells what it found.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from monitor import late
from monitor.late import Late
from monitor.replay import SNAPSHOT_EVERY, Plans, Replay
from monitor.store import plans, readings, snapshots
from monitor.store.schema import ledger as ledger_table
from monitor.store.schema import plan_version
from rules.engine import Engine
from rules.errors import EventError, LateEvent, RulesError
from rules.finding import Finding
from rules.history import arrange
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, Event, Fault, Instant, LotEvent, Reading, Span, Tick
from rules.track import BEFORE

#: Ended lots stay in memory this long, for late readings and for the page.
KEEP_LOTS: Span = 14 * 24 * HOUR
#: A replay of at most so many rows is done at once, in the transaction of what is late: it holds up live judging for some 50 ms.
AT_ONCE = 5_000
#: So many rows are replayed at once in any one minute: a probe that is late all the time must not hold up the others.
AT_ONCE_A_MINUTE = 20_000
#: Rows of one slice of a replay that is done at once.
_LARGE_SLICE = 5000

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
    """What a feed found: new findings, and verdicts that a replay changed, with the reason."""

    findings: list[Finding]
    corrections: list[Correction]
    why: str = "something late was judged in its place"


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
        self._late: Late | None = None
        self._catching_up: Replay | None = None
        self._spent: tuple[Instant, int] = (BEFORE, 0)  # rows replayed at once, since when
        #: Counts what came late and is not judged yet: it stands still when a backlog pauses.
        self.late_heard = 0
        #: Counts how often another engine took the live one's place.
        self.replaced = 0

    # --- state ---------------------------------------------------------------------------------------------------

    def distrust(self) -> None:
        """A transaction was undone: what is in memory may be ahead of the store; it is read again before the next use."""
        self._stale = True
        self._catching_up = None

    def set_aside(self) -> None:
        """Let the engine go: another is read from the store before the next use. Whoever asks holds the lock until it is."""
        self.engine = Engine(self.plan)
        self.distrust()

    @property
    def stale(self) -> bool:
        """Whether the engine must be read again from the store before it is used."""
        return self._stale

    @property
    def late(self) -> Late | None:
        """The re-judgement that is owed; None where everything stored is judged."""
        return self._late

    def ready(self, conn: Connection, now: Instant) -> Judged:
        """Rebuild the engine from the store where it is not trusted, up to `now`; what that finds and nobody was told is given back.

        To be called before anything new is stored: what is stored already is fed here, but for a re-judgement that is owed.
        """
        if not self._stale:
            return Judged([], [])
        with self.lock:
            self._read_plans(conn)
            self._late, self._catching_up = late.waiting(conn), None
            found = self._judge_from(conn, None, now, []).findings
            if self._late is not None:
                late.put_waiting(conn, self._late)
                found = self._at_once(conn, found, now).findings
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

    def feed(self, conn: Connection, items: Sequence[Event], now: Instant) -> Judged:
        """Judge what has just been stored (call `ready` before storing it); what is late is judged anew, at once or later."""
        found: list[Finding] = []
        with self.lock:
            since: Instant | None = None
            late_rows: list[Reading | Fault] = []
            feed = self.engine.feed
            for item in arrange(items):
                try:
                    if more := feed(item):
                        found += more
                except LateEvent as error:
                    since = error.at if since is None else min(since, error.at)
                    if isinstance(item, Reading | Fault):
                        late_rows.append(item)
            if self._catching_up is not None:
                self._set_back(min((item.at for item in items), default=now))
            if since is not None:
                return self._owe(conn, (self._late or Late(since)).joined(since, late_rows, now), found, now)
            self._keep(conn)
        return Judged(found, [])

    def enter(self, conn: Connection, event: LotEvent, now: Instant) -> Judged:
        """Judge a person's entry that has just been stored; raises EventError with the engine as it was.

        One for the past is judged anew at once, whatever it costs: whether it can be is what the person waits to hear.
        """
        with self.lock:
            at = parse_instant(event.value) if event.event == "undo" else event.at
            judged: Judged | None = None
            if event.event != "undo":
                with suppress(LateEvent):
                    judged = Judged(self.engine.feed(event), [])
            if judged is None:
                try:
                    judged = self._judge_from(conn, at, now, [])
                except RulesError as error:
                    raise EventError(str(error)) from None
            self._set_back(at)
            return judged

    def tick(self, conn: Connection, now: Instant) -> Judged:
        """Time has moved on with nothing read."""
        with self.lock:
            try:
                found = self.engine.feed(Tick(now))
            except LateEvent as error:
                return self._owe(conn, (self._late or Late(error.at)).joined(error.at), [], now)
            self._keep(conn)
            return Judged(found, [])

    def rejudge(self, conn: Connection, since: Instant, why: str, now: Instant | None = None) -> Judged:
        """Judge everything from `since` on again, from the store as it is in this transaction; `why` is a clause for the corrections.

        What it gives back is to be told (`Pipeline.rejudge` does); empty where it is long and is caught up with later.
        """
        with self.lock:
            changes = self._changes
            self._read_plans(conn)
            if self._changes != changes:
                self._catching_up = None
            self._set_back(since)
            return self._owe(conn, (self._late or Late(since)).asked_for(since, why), [], self.engine.now if now is None else now)

    def forecasts(self) -> dict[str, list[dict[str, Any]]]:
        """Where the cores of each open lot are heading, as `rules.lot_forecast` gives it; from any thread. No part of any report."""
        with self.lock:
            return {lot.id: lot.forecast.view() for lot in self.engine.lots.values() if lot.ended is None}

    def report(self) -> dict[str, Any]:
        """The Judge JSON of this instant; from any thread. Closings still waiting for readings of their instant stay open."""
        with self.lock:
            return self.engine.report(settle=False)

    # --- what is late ---------------------------------------------------------------------------------------------

    def _owe(self, conn: Connection, missed: Late, found: list[Finding], now: Instant) -> Judged:
        """Judge at once what is cheap and nothing else waits for; note anything else as owed."""
        first = self._late is None
        self._late = missed
        if first:
            judged = self._at_once(conn, found, now)
            if self._late is None:
                return judged
        self.late_heard += 1
        late.put_waiting(conn, self._late)
        self._keep(conn)
        return Judged(found, [])

    def _at_once(self, conn: Connection, found: list[Finding], now: Instant) -> Judged:
        """Judge anew what is owed, where that is cheap; otherwise it stays owed."""
        owed = self._late
        assert owed is not None
        base = snapshots.at_before(conn, owed.since)
        cost = readings.count_after(conn, BEFORE if base is None else base, AT_ONCE + 1)
        begun, spent = self._spent
        if not begun <= now < begun + MINUTE:
            begun, spent = now, 0
        if cost > AT_ONCE or spent + cost > AT_ONCE_A_MINUTE:
            return Judged(found, [])
        self._spent = (begun, spent + cost)
        return self._judge_from(conn, owed.since, now, found)._replace(why=owed.why())

    def _set_back(self, at: Instant) -> None:
        """Something at `at` has come that the engine catching up may have passed: it goes back to before that."""
        replay = self._catching_up
        if replay is None or self._late is None or at > replay.reached:
            return
        self._late = self._late.joined(at)
        if not replay.back_to(at):
            self._catching_up = None

    def catch_up(self, conn: Connection, now: Instant) -> Judged | None:
        """Judge the next slice of a re-judgement that is owed; what it found once it is done, None before that."""
        with self.lock:
            owed, replay = self._late, self._catching_up
            if owed is None:
                return None
            try:
                if replay is None:
                    replay = Replay(self._versions(), snapshots.before(conn, owed.since))
                    missed = replay.stragglers(conn)
                    if missed is not None:
                        raise LateEvent(missed, "the snapshot does not hold it")
                    self._catching_up = replay
                if not replay.step(conn):
                    return None
                replay.findings += replay.engine.feed(Tick(min(self.engine.now, now)))
            except LateEvent as error:
                self._catching_up = None
                if replay is None or replay.base == BEFORE:
                    raise
                self._late = owed.joined(min(error.at, replay.base))
                late.put_waiting(conn, self._late)
                return None
            return self._take_over(conn, replay, [])._replace(why=owed.why())

    def _judge_from(self, conn: Connection, at: Instant | None, now: Instant, found: list[Finding]) -> Judged:
        """Judge anew, in this transaction, from the newest snapshot (before `at`, where given).

        `found` was found by this very feed before it met something late; it is among what the replay finds.
        """
        snapshot = snapshots.newest(conn) if at is None else snapshots.before(conn, at)
        owed = self._late
        while True:
            replay = Replay(self._versions(), snapshot)
            try:
                missed = replay.stragglers(conn) if owed is None else replay.stragglers(conn, owed.since)
                if missed is not None:
                    if at is not None:
                        raise LateEvent(missed, "the snapshot does not hold it")
                    owed = (owed or Late(missed)).joined(missed)
                while not replay.step(conn, _LARGE_SLICE):
                    pass
                if at is not None:
                    replay.findings += replay.engine.feed(Tick(min(self.engine.now, now)))
                break
            except LateEvent as error:
                if replay.base == BEFORE:
                    raise
                snapshot = snapshots.before(conn, min(error.at, replay.base))
        self._late = owed
        return self._take_over(conn, replay, found)

    def _take_over(self, conn: Connection, replay: Replay, found: list[Finding]) -> Judged:
        """Put an engine that has caught up in the live one's place. New is what the ledger does not hold."""
        was = self._verdicts()
        snapshots.forget_after(conn, replay.base)
        for kept in replay.kept:
            snapshots.keep_packed(conn, kept.at, kept.plan, kept.next_seq, kept.event_seq, replay.engine.now, kept.data)
        snapshots.prune(conn)
        self.engine = engine = replay.engine
        self.replaced += 1
        self._snapshot_at = replay.kept[-1].at if replay.kept else replay.base
        if self._late is not None and replay.base < self._late.since:  # everything that was owed is in it
            self._late = self._catching_up = None
            late.put_waiting(conn, None)
        now = self._verdicts()
        corrections = [
            Correction(*key, before.what, now[key].what if key in now else "open", before.at)
            for key, before in was.items()
            if key[0] in engine.lots and (key not in now or (now[key].what, now[key].at) != (before.what, before.at))
        ]
        told = self._told(conn, replay.findings)
        new = [f for f in replay.findings if f[:-1] not in told]
        gone = [f for f in found if f[:-1] not in {n[:-1] for n in new}]
        return Judged(new + [f for f in gone if not f.lot], corrections)

    def _versions(self) -> Plans:
        return Plans({self.plan.sha256: self.plan, **self._plans}, list(self._changes))

    # --- what was told ---------------------------------------------------------------------------------------------

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

    def _keep(self, conn: Connection) -> None:
        """A snapshot now and then, so that a restart or a late reading replays minutes, not months."""
        now = self.engine.now
        if now < self._snapshot_at + SNAPSHOT_EVERY or now == BEFORE:
            return
        self.engine.forget(now - KEEP_LOTS)
        snapshots.keep(conn, self.engine.snapshot(packed=True), now, self.engine.plan.sha256, now)
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
