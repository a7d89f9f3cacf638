"""One transaction: what came is stored, judged, and what was found is written to the ledger, the alarms and the deviations.

Runs in the writer's thread. `process` is the intake's, `event` the desk's, `tick` the service's.

A mistake of the program while judging costs no reading: what came is stored, the judging alone is undone and
rings, and it is tried again from the store, since a later version or a later reading may get past it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection

from monitor import late, ledger
from monitor.alarms import causes
from monitor.alarms.alarms import Alarms
from monitor.check_watch import CheckWatch
from monitor.clock_board import ALIVE, BoardClock
from monitor.deviations import Deviations
from monitor.errors import RefusedError, StoreDamaged, StoreUnavailable
from monitor.judging import CORRECTION, FINDING, Correction, Judged, Judging
from monitor.log import get_logger
from monitor.probe_watch import ProbeWatch
from monitor.provisional import held
from monitor.recalls import Recalled
from monitor.store import blocks, events, plans, readings
from monitor.store.evidence import FUTURE_AHEAD, LATE_AT_MOST
from monitor.store.readings import Arrival, Stored
from monitor.store.savepoint import Savepoint
from monitor.store.trouble import translate
from rules.errors import EventError
from rules.finding import Finding
from rules.plan import Limit, Plan
from rules.quantity import format_instant
from rules.reading import MINUTE, Fault, Instant, LotEvent, Reading, Span

log = get_logger(__name__)
SEAL_EVERY: Span = 10 * MINUTE
#: Nor has an open block more arrivals than about this: whoever verifies or sums up holds one at a time, and a backlog comes fast.
SEAL_ROWS = 50_000
ALIVE_EVERY: Span = MINUTE
BLIND_FROM: Span = 2 * MINUTE
#: Judging that a mistake of the program has stopped is tried again after this.
AGAIN_AFTER: Span = MINUTE


class Pipeline:
    """Intake, engine, ledger, alarms and deviations in one transaction."""

    def __init__(
        self,
        judging: Judging,
        alarms: Alarms,
        deviations: Deviations,
        clock: Callable[[], Instant],
        *,
        urgent: Callable[[], None] = lambda: None,
        key: ledger.Signer | None = None,
        gone: Callable[[str], str] = lambda probe: "",
    ) -> None:
        """`urgent` has the transaction committed at once (`Writer.urgent`); `key` signs the seals; `gone`: see ProbeWatch."""
        self.judging, self.alarms, self.deviations = judging, alarms, deviations
        self._clock, self._urgent, self._key = clock, urgent, key
        self._sealed_at: Instant | None = None
        self._alive_at: Instant | None = None
        self._listed_at: Instant | None = None
        self._probes = ProbeWatch(alarms, gone)
        self._checks = CheckWatch(alarms)
        self._stopped_at: Instant | None = None  # when judging last failed by a mistake of the program

    @property
    def plan(self) -> Plan:
        """The plan in force for lots to come."""
        return self.judging.plan

    def now(self) -> Instant:
        """The service's time."""
        return self._clock()

    def rolled_back(self) -> None:
        """A group of transactions was undone (`Writer`'s listener): memory may be ahead of the store."""
        self.judging.distrust()
        self._probes.forget()
        self._checks.forget()
        self._sealed_at = self._alive_at = self._listed_at = None

    # --- what comes in -------------------------------------------------------------------------------------------

    def start(self, conn: Connection, now: Instant) -> None:
        """After a start: put the plan in force, judge what was stored, and say how long nobody was watching."""
        if self.judging.adopt(conn, self.plan, now):
            self._note(conn, "plan", {"sha256": self.plan.sha256, "site": self.plan.site.id, "name": self.plan.site.name}, now)
        self._ready(conn, now)
        last = plans.get_setting(conn, ALIVE)
        if last is not None and now - last > BLIND_FROM:
            self.alarms.raise_(conn, causes.restarted(now, last), now)
            self._note(conn, "blind", {"from": format_instant(last), "to": format_instant(now)}, last)
        elif last is not None and now < last:
            self.alarms.raise_(conn, causes.clock_stepped(now, now - last), now)
            self._note(conn, "clock", {"from": format_instant(last), "to": format_instant(now)}, now)
        self._alive(conn, now)

    def process(self, conn: Connection, arrivals: Sequence[Arrival]) -> None:
        """Store and judge readings and faults (the intake's hook)."""
        with self.judging.lock:
            try:
                now = self._clock()
                going = self._ready(conn, now)
                stored = readings.store(conn, arrivals)
                if going:
                    self._attempt(conn, now, lambda: self._judge(conn, stored, now))
            except BaseException:
                self.judging.distrust()
                raise

    def _judge(self, conn: Connection, stored: Sequence[Stored], now: Instant) -> None:
        items = self._judgeable(conn, stored, now)
        heard = items if len(items) == len(stored) else [one.item for one in stored if not one.future]
        self._tell(conn, self.judging.feed(conn, items, now), now)
        self._probes.hear(conn, heard, now)

    def _judgeable(self, conn: Connection, stored: Sequence[Stored], now: Instant) -> list[Reading | Fault]:
        """What of it is judged: nothing ahead of our clock, nothing so late that a person has to ask, which is listed."""
        items = [item for item, got, _ in stored if got - LATE_AT_MOST <= item.at <= got + FUTURE_AHEAD]
        too_late = [one for one in stored if one.too_late] if len(items) < len(stored) else []
        if too_late:
            late.add_too_late(conn, too_late)
            self.alarms.raise_(conn, causes.readings_too_late(now, sum(one.count for one in late.too_late(conn))), now)
            # A backlog comes in many batches, and is noted in few lines.
            if self._listed_at is None or not 0 <= now - self._listed_at < SEAL_EVERY:
                self._listed_at = now
                self._note(conn, "too-late", {"probes": late.listed(conn), "why": _TOO_LATE}, now)
        recalled = Recalled.read(conn)
        return [recalled.item(item) for item in items] if recalled else items

    def event(self, conn: Connection, event: LotEvent) -> Sequence[Finding]:
        """Store and judge a person's entry about a lot; EventError, with nothing changed, where it is refused."""
        with self.judging.lock:
            caught_up = Judged([], [])
            try:
                now = self._clock()
                caught_up = self._caught_up(conn, now)
                events.add(conn, event, now)
                judged = self.judging.enter(conn, event, now)
                body = {
                    "event": event.event,
                    "lot": event.lot,
                    "product": self._product(event.lot)[0],
                    "name": event.name,
                    "value": event.value,
                    "entered": None if event.entered is None else format_instant(event.entered),
                }
                self._note(conn, "lot-event", body, event.at, event.by)
                for scope, member in causes.cleared_by_event(event):
                    self.alarms.clear(conn, scope, now, member)
                self._tell(conn, judged, now)
                self._urgent()
                return judged.findings
            except EventError:
                if caught_up.findings:  # what was told before the refusal is undone with it
                    self.judging.distrust()
                raise
            except BaseException:
                self.judging.distrust()
                raise

    def ready(self, conn: Connection) -> None:
        """Judge and tell whatever is stored and was not judged; RefusedError while judging has stopped."""
        with self.judging.lock:
            self._caught_up(conn, self._clock())

    def anew(self, conn: Connection, between: Callable[[], None]) -> None:
        """Let the engine go, call `between`, and judge from the store again, as at a start: nothing is found twice."""
        with self.judging.lock:
            self.judging.set_aside()
            between()
            self._ready(conn, self._clock())

    def rejudge(self, conn: Connection, since: Instant, why: str) -> None:
        """Judge everything from `since` on again and tell what changed: what the store gives of it has changed (see `judging.py`)."""
        with self.judging.lock:
            try:
                now = self._clock()
                self._caught_up(conn, now)
                self._tell(conn, self.judging.rejudge(conn, since, why, now), now)
                self._urgent()
            except BaseException:
                self.judging.distrust()
                raise

    def catch_up(self, conn: Connection) -> bool:
        """Judge a slice of the re-judgement that is owed (`rejudger.py`), and tell what it found once it is done; whether more is to do."""
        with self.judging.lock:
            try:
                now = self._clock()
                owed = self.judging.late
                if not self._ready(conn, now) or owed is None:
                    return False
                savepoint = conn.begin_nested()
                try:
                    judged = self.judging.catch_up(conn, now)
                    if judged is not None:
                        self._tell(conn, judged, now)
                        self._rejudged(conn, owed.since, judged, now)
                    savepoint.commit()
                except Exception as error:
                    if _of_the_store(error):
                        raise
                    savepoint.rollback()
                    self.judging.distrust()
                    self._not_rejudged(conn, owed.since, error, now)
                    return False
                return self.judging.late is not None
            except BaseException:
                self.judging.distrust()
                raise

    def _rejudged(self, conn: Connection, since: Instant, judged: Judged, now: Instant) -> None:
        changed = [{**c._asdict(), "at": format_instant(c.at)} for c in judged.corrections]
        body = {"since": format_instant(since), "why": judged.why, "findings": len(judged.findings), "changed": changed}
        self._note(conn, "rejudged", body, now)
        self.alarms.clear(conn, causes.not_rejudged(now, since, "").key, now)
        log.info("rejudged", since=format_instant(since), why=judged.why, changed=len(changed))

    def _not_rejudged(self, conn: Connection, since: Instant, error: Exception, now: Instant) -> None:
        """What is late cannot be judged with the entries as they are, or the program is wrong; live judging goes on."""
        text = f"{error}" if isinstance(error, EventError) else f"{type(error).__name__}: {error}"
        log.error("rejudgement", text=text, exc_info=not isinstance(error, EventError))
        self.alarms.raise_(conn, causes.not_rejudged(now, since, text), now)
        self._urgent()

    def _caught_up(self, conn: Connection, now: Instant) -> Judged:
        """Judge what is stored before a person's entry: an entry that cannot be judged could not be refused either."""
        if self._stopped_at is not None and 0 <= now - self._stopped_at < AGAIN_AFTER:
            raise RefusedError(_STOPPED)
        try:
            caught_up = self.judging.ready(conn, now)
        except Exception as error:
            if self._stopped_at is None or _of_the_store(error):
                raise
            raise RefusedError(_STOPPED) from error
        self._tell(conn, caught_up, now)
        return caught_up

    def tick(self, conn: Connection, now: Instant) -> Instant | None:
        """Time moves on: silence, escalation, seals. Returns when the alarms want to be looked at next."""
        with self.judging.lock:
            try:
                going = self._ready(conn, now)
                going = going and self._attempt(conn, now, lambda: self._tell(conn, self.judging.tick(conn, now), now))
                if going:
                    self._attempt(conn, now, lambda: self._probes.look(conn, self.plan, self.judging.engine, now))
                    self._checks.look(conn, self.plan, now)
                due = self.alarms.due(conn, now)
                if self._sealed_at is None or not 0 <= now - self._sealed_at < SEAL_EVERY or blocks.read(conn).frontier.count >= SEAL_ROWS:
                    ledger.seal(conn, now, entered_at=now, key=self._key)
                    self._sealed_at = now
                if self._alive_at is None or not 0 <= now - self._alive_at < ALIVE_EVERY:
                    self._alive(conn, now)
                return due
            except BaseException:
                self.judging.distrust()
                raise

    def report(self) -> dict[str, Any]:
        """The Judge JSON of this instant; from any thread. While judging has stopped, as far as it came.

        While time is provisional, with what a longer power cut could take back as open (`monitor/provisional.py`).
        """
        with self.judging.lock:
            report = self.judging.report()
            return held(report, self._clock, self._limit) if isinstance(self._clock, BoardClock) else report

    def forecasts(self) -> dict[str, list[dict[str, Any]]]:
        """Where the cores of each open lot are heading (`rules.lot_forecast`); from any thread."""
        return self.judging.forecasts()

    # --- when the program is wrong -------------------------------------------------------------------------------

    def _ready(self, conn: Connection, now: Instant) -> bool:
        """Judge what is stored and was not judged; False while judging has stopped."""
        if self._stopped_at is not None and 0 <= now - self._stopped_at < AGAIN_AFTER:
            return False
        if self.judging.stale and not self._attempt(conn, now, lambda: self._tell(conn, self.judging.ready(conn, now), now)):
            return False
        if self._stopped_at is not None:
            self._stopped_at = None
            self._note(conn, "judging", {"going": True, "why": "what was stored meanwhile is judged"}, now)
            self.alarms.clear(conn, causes.judging_stopped(now, "").key, now)
            log.warning("judging", text="goes on; what was stored meanwhile is judged")
        return True

    def _attempt(self, conn: Connection, now: Instant, judge: Callable[[], None]) -> bool:
        """Run a part of the judging in a savepoint of its own; False where the program was wrong and only that part is undone."""
        savepoint = Savepoint(conn, "judging")
        try:
            judge()
            savepoint.keep()
        except Exception as error:
            if _of_the_store(error):
                raise
            savepoint.undo()
            self.judging.distrust()
            self._probes.forget()
            self._stop(conn, now, error)
            return False
        return True

    def _stop(self, conn: Connection, now: Instant, error: Exception) -> None:
        first, self._stopped_at = self._stopped_at is None, now
        text = f"{type(error).__name__}: {error}"
        if first:  # tried again every minute, the same mistake is told once
            log.exception("judging has stopped", text=text)
            self._note(conn, "judging", {"going": False, "why": text}, now)
        self.alarms.raise_(conn, causes.judging_stopped(now, text), now)
        self._urgent()

    # --- what follows --------------------------------------------------------------------------------------------

    def _tell(self, conn: Connection, judged: Judged, now: Instant) -> None:
        for finding in judged.findings:
            self._tell_one(conn, finding, now)
        for correction in judged.corrections:
            self._correct(conn, correction, judged.why, now)
        if judged.findings or judged.corrections:
            self._urgent()

    def _tell_one(self, conn: Connection, finding: Finding, now: Instant) -> None:
        product, plan = self._product(finding.lot)
        body = {**finding._asdict(), "product": product}
        if isinstance(self._clock, BoardClock) and self._clock.unsettled:
            body["provisional"] = True
        self._note(conn, FINDING, body, finding.at)
        self.deviations.open(conn, finding, plan, now, product)
        cause = causes.from_finding(finding, plan, product)
        if cause is not None:
            self.alarms.raise_(conn, cause, now)
        for key, member in causes.cleared_by_finding(finding):
            self.alarms.clear(conn, key, now, member)

    def _note(self, conn: Connection, kind: str, body: Mapping[str, Any], at: Instant, by: str = "") -> None:
        """Write to the ledger by the service's own clock."""
        ledger.append(conn, kind, body, at, by, entered_at=self._clock())

    def _limit(self, where: str, step: str, name: str) -> Limit | None:
        lot = self.judging.engine.lots.get(where)
        if lot is None:
            return next((one for s in self.plan.standing if s.room == where for one in s.limits if one.name == name), None)
        run = lot.runs.get(f"{step}/{name}")
        return None if run is None else run.limit

    def _product(self, lot_id: str) -> tuple[str, Plan]:
        lot = self.judging.engine.lots.get(lot_id)
        return (lot.product.code, lot.plan) if lot is not None else ("", self.plan)

    def _correct(self, conn: Connection, correction: Correction, why: str, now: Instant) -> None:
        body = {**correction._asdict(), "at": format_instant(correction.at), "why": why}
        self._note(conn, CORRECTION, body, now)
        if correction.now == "met":
            critical = self._critical(correction)
            text = f"was {correction.was}; {why}"
            finding = Finding(
                correction.at, "met", correction.lot, correction.step, correction.limit, correction.probe, critical, text, now
            )
            self.deviations.correct(conn, finding, now)
            for key, member in causes.cleared_by_finding(finding):
                self.alarms.clear(conn, key, now, member)

    def _critical(self, correction: Correction) -> bool:
        lot = self.judging.engine.lots.get(correction.lot)
        run = None if lot is None else lot.runs.get(f"{correction.step}/{correction.limit}")
        return run is None or run.limit.critical

    def _alive(self, conn: Connection, now: Instant) -> None:
        plans.set_setting(conn, ALIVE, now)
        self._alive_at = now


_TOO_LATE = "received more than 48 h after their time: stored, and judged once a person asks for it"
_STOPPED = (
    "judging has stopped by a mistake of the program, so this entry cannot be checked and was not made; write it down on paper with its "
    "time, and enter it with that time once judging goes on"
)


def _of_the_store(error: Exception) -> bool:
    """Whether it is trouble with the disk or the database, which the writer and the intake answer."""
    return isinstance(translate(error, ""), StoreUnavailable | StoreDamaged)
