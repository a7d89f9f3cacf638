"""While the store cannot be written: bells ring without it, and what waits to be stored is judged all the same.

Nothing can be recorded then, so nothing is acknowledged and the outbox stands still. A second engine, read from the store and fed with
what waits in the intake's queue, says what the first will find once it can be kept; what it finds of a critical limit rings
at once. Nothing of that is a record: when the store can be written again, everything that waited is judged anew and recorded.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from operator import attrgetter
from typing import Final

from sqlalchemy import Connection

from monitor import ledger
from monitor.alarms import causes
from monitor.alarms.alarms import Alarms
from monitor.alarms.bells import Bell, Call
from monitor.alarms.causes import Cause
from monitor.calibrations import Offsets
from monitor.errors import MonitorError, StoreError
from monitor.intake import Intake
from monitor.judging import Judging
from monitor.log import get_logger
from monitor.provisional import remark
from monitor.replay import Replay, stored_plans
from monitor.store import snapshots
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.engine import Engine
from rules.errors import RulesError
from rules.finding import Finding
from rules.quantity import format_instant
from rules.reading import Fault, Instant, Reading, Span, Tick

log = get_logger(__name__)
_LOOK_S: Final = 1.0
#: A store that another program held for a moment is no emergency.
PATIENCE: Span = 3_000_000


class Emergency:
    """Watches the writer's trouble; `run` in a thread of its own, `look` once."""

    def __init__(
        self,
        store: Store,
        writer: Writer,
        intake: Intake,
        judging: Judging,
        alarms: Alarms,
        bells: Callable[[], Mapping[str, Bell]],
        clock: Callable[[], Instant],
        repeat: Span,
    ) -> None:
        """`bells()`: every bell by id; `repeat`: how often the trouble rings again while it lasts."""
        self._store, self._writer, self._intake, self._judging = store, writer, intake, judging
        self._alarms, self._bells, self._clock, self._repeat = alarms, bells, clock, repeat
        self._since: Instant | None = None
        self._rang_at: Instant | None = None
        self._text = ""
        self._engine: Engine | None = None
        self._fed: set[tuple[str, Instant]] = set()
        self._told: set[tuple[str, ...]] = set()
        self._offset: Callable[[str, Instant], float] = lambda _probe, _at: 0.0

    def run(self, stop: threading.Event) -> None:
        """Look every second until `stop`."""
        while not stop.wait(_LOOK_S):
            try:
                self.look()
            except Exception as error:  # the last one awake must not die of a mistake
                log.exception("emergency", text=f"{type(error).__name__}: {error}")

    def look(self) -> None:
        """Ring for the trouble and for what is found while it lasts; once it is over, have it recorded."""
        trouble, now = self._writer.trouble, self._clock()
        if trouble is None:
            if self._since is not None:
                self._over(self._since, now)
            return
        if self._since is None:
            self._since = now
            return
        if now - self._since < PATIENCE and now >= self._since:
            return
        if self._rang_at is None or not 0 <= now - self._rang_at < self._repeat:
            self._rang_at, self._text = now, str(trouble)
            self._ring(causes.store_trouble(self._since, self._text), now)
        try:
            self._judge(now)
        except (StoreError, RulesError) as error:  # the store cannot be read either: the alarm above says what to do
            self._engine = None
            log.error("emergency", text=f"what waits cannot be judged: {error}")

    def _over(self, since: Instant, now: Instant) -> None:
        rang, text = self._rang_at is not None, self._text
        self._since = self._rang_at = self._engine = None
        self._fed, self._told = set(), set()
        if not rang:
            return
        cause = replace(causes.store_trouble(since, f"From {format_instant(since)} to {format_instant(now)}: {text}"), momentary=True)

        def job(conn: Connection) -> None:
            body = {"from": format_instant(since), "to": format_instant(now), "text": text, "lost": "nothing that was acknowledged"}
            ledger.append(conn, "store", body, since, entered_at=now)
            self._alarms.raise_(conn, cause, now)

        self._writer.submit(job, waiting=False)
        self._writer.urgent()

    def _judge(self, now: Instant) -> None:
        """Feed what came to wait since the last look, and the time."""
        if self._engine is None:
            self._engine, self._fed = self._from_store(), set()
            with self._store.read() as conn:
                self._offset = Offsets.read(conn).at
        engine = self._engine
        waiting = [item for item in self._intake.waiting() if (item.probe, item.at) not in self._fed]
        found: list[Finding] = []
        self._fed |= {(item.probe, item.at) for item in waiting}
        for event in [*sorted((self._corrected(item) for item in waiting), key=attrgetter("at")), Tick(now)]:
            try:
                found += engine.feed(event)
            except RulesError:
                continue  # late, or ahead of the clock: it is judged in its place once it is stored
        self._tell(found, now)

    def _corrected(self, item: Reading | Fault) -> Reading | Fault:
        """With the calibration offset in force, as the intake would store it."""
        if not isinstance(item, Reading) or item.offset_c != 0.0:
            return item
        return item._replace(offset_c=self._offset(item.probe, item.at))

    def _from_store(self) -> Engine:
        """An engine of its own with everything that is stored; what that says again was told when it was stored."""
        with self._store.read() as conn:
            replay = Replay(stored_plans(conn), snapshots.newest(conn))
            replay.stragglers(conn)
            while not replay.step(conn, 5000):
                pass
        return replay.engine

    def _tell(self, findings: Sequence[Finding], now: Instant) -> None:
        for finding in findings:
            lot = self._engine.lots.get(finding.lot) if self._engine is not None else None
            plan, product = (lot.plan, lot.product.code) if lot is not None else (self._judging.plan, "")
            cause = causes.from_finding(finding, plan, product)
            key = (finding.what, finding.lot, finding.step, finding.limit)
            if cause is None or not finding.critical or key in self._told:
                continue
            self._told.add(key)
            self._ring(cause, now)

    def _ring(self, cause: Cause, now: Instant) -> None:
        text = f"NOT RECORDED, the store cannot be written. {cause.what}, {cause.where}: {cause.text} {' '.join(cause.do)}"
        text = f"{text} {remark(self._clock)}".rstrip()
        call = Call(f"store-{now}-{cause.key}", "alarm", cause.priority, cause.what, text)
        _each(self._bells().values(), call)


def _each(bells: Iterable[Bell], call: Call) -> None:
    """Ring every bell at once, each in a thread of its own, so that none waits for another."""

    def ring(bell: Bell) -> None:
        try:
            answer = bell.ring(call)
            log.warning("bell", bell=bell.id, outcome=str(answer.outcome), text=answer.text)
        except (MonitorError, OSError) as error:
            log.error("bell", bell=bell.id, text=str(error))

    for bell in bells:
        threading.Thread(target=ring, args=(bell,), name=f"bell {bell.id}", daemon=True).start()
