"""The service: wiring only. Read it from top to bottom to see the whole.

probes (a thread each) -> Intake -> Writer (one thread: Pipeline = store, engine, ledger, alarms, deviations) -> commit
-> Courier -> bells. The API and the page read the store and go through the Desk. A ticker moves time on.
"""

from __future__ import annotations

import asyncio
import fcntl
import socket
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from sqlalchemy import Connection

from monitor import ledger, people, provisional
from monitor.alarms import causes, troubles
from monitor.alarms.alarms import Alarms
from monitor.alarms.bells import make_bells
from monitor.alarms.causes import Cause
from monitor.alarms.courier import Courier
from monitor.alarms.ladder import link_maker
from monitor.alarms.ringer import Ringer
from monitor.answers import Answers, code_maker
from monitor.calibrations import InForce
from monitor.caretaker import Caretaker
from monitor.clock import kernel_slew, steady_clock, wall_clock
from monitor.clock_board import BoardClock
from monitor.clock_keeper import ClockKeeper
from monitor.clock_trust import clock_is_kept
from monitor.clock_watch import ClockWatch, Looked
from monitor.config import Config
from monitor.desk import Desk
from monitor.deviations import Deviations
from monitor.emergency import Emergency
from monitor.errors import RefusedError, StoreClosed, StoreError
from monitor.exporter import Exporter
from monitor.intake import Intake, IntakeLimits
from monitor.intake_trouble import IntakeTrouble
from monitor.judge import read_plan
from monitor.judging import Judging
from monitor.keys import site_key
from monitor.ledger_check import LedgerCheck
from monitor.links import link_key
from monitor.log import get_logger
from monitor.outside import Outside
from monitor.people import People
from monitor.pipeline import Pipeline
from monitor.publish import Publisher
from monitor.rejudger import Rejudger
from monitor.rounds import Rounds
from monitor.sources import Sources, make_drivers
from monitor.store.database import Store
from monitor.store.writer import Writer
from monitor.until_stored import UntilStored
from monitor.watchdog import notifier
from monitor.web import Web
from probes.driver import Driver, own_sources, sends_again
from rules.plan import Plan
from rules.quantity import format_instant
from rules.reading import SECOND, Instant

if TYPE_CHECKING:
    from fastapi import FastAPI

log = get_logger(__name__)


class Service:
    """One site's monitor. `start()` opens everything, `serve()` answers until `stop()`; each part can be reached for tests."""

    def __init__(
        self,
        config: Config,
        *,
        clock: Callable[[], Instant] | None = None,
        clock_watch: ClockWatch | None = None,
        drivers: Sequence[Driver] | None = None,
        tick_s: float = 1.0,
        exports: bool = True,
    ) -> None:
        """`clock`, `clock_watch`, `drivers` and `tick_s` are given by the demo and by tests; the config says what a plant has."""
        self.config, self.tick_s = config, tick_s
        self.clock: Callable[[], Instant] = clock or BoardClock()
        board = self.clock if isinstance(self.clock, BoardClock) else None
        self.plan: Plan = read_plan(config.plan)
        config.data.mkdir(parents=True, exist_ok=True)
        self._lock = self._hold(config.data / "service.lock")
        keys = config.data / "keys"
        self.key = site_key(keys)
        secret = link_key(keys)
        url = config.store_url.reveal() or str(config.data / "larderer.sqlite")
        self.store = Store(url).open()
        self.writer = Writer(self.store)
        self.alarms = Alarms(
            config, self.plan.site, self._record, link_maker(config, secret), self._status, code_maker(secret),
            lambda: provisional.remark(self.clock),
        )  # fmt: skip
        self.deviations = Deviations(config, self._record, self.alarms.reset, people.workers)
        self.judging = Judging(self.plan)
        self._sources = Sources()
        self.pipeline = Pipeline(
            self.judging, self.alarms, self.deviations, self.clock, urgent=self.writer.urgent, key=self.key, gone=self._sources.gone
        )
        self.writer.add_rollback_listener(self.pipeline.rolled_back)
        self.caretaker = Caretaker(config, self.alarms, self.judging, self.deviations)
        self.writer.add_rollback_listener(self.caretaker.forget)
        self.rounds = Rounds(config, self.plan.site, self.alarms, self._record, clock_is_kept if clock is None else None)
        self.writer.add_rollback_listener(self.rounds.forget)
        answers = Answers(self.writer.submit, self.alarms, secret, config.alarms.link_valid, self.clock)
        self._standing = UntilStored(self.writer.submit, self._record_standing, lambda _older, newer: newer)
        self.outside = Outside(config, self.plan.site.id, answers, self._about, self.clock, self._stand)
        self._clock_watch = ClockWatch(wall_clock, steady_clock, kernel_slew) if clock is None else clock_watch
        self.writer.add_urgent_listener(self._after_change)
        offsets = InForce()
        self.writer.add_rollback_listener(offsets.forget)
        self._stop = threading.Event()
        self.intake_trouble = IntakeTrouble(self.writer, self.alarms, self._sources, self.clock, self._stop)
        self.intake = Intake(
            self.writer,
            self.pipeline.process,
            self.clock,
            IntakeLimits(probes=[p.id for p in self.plan.probes]),
            board=board,
            offsets=offsets,
            on_loss=self.intake_trouble.lost,
            on_trouble=self.intake_trouble.store,
            on_notice=lambda text: log.warning("intake", text=text),
            on_state=self.intake_trouble.source,
        )
        self.keeper = ClockKeeper(board, self.pipeline, self.alarms, self.intake, self.key, self.store.read)
        self.writer.add_rollback_listener(self.keeper.undone)
        self.publisher = Publisher(config.mqtt, f"larderer-{self.plan.site.id}-bells") if config.mqtt is not None else None
        self.ringer = Ringer()
        bells = make_bells(config, self.ringer, self.publisher)
        self.courier = Courier(self.writer.submit, self.store.read, bells, self.alarms, self._record, self.clock)
        self.emergency = Emergency(
            self.store, self.writer, self.intake, self.judging, self.alarms, lambda: bells, self.clock, config.alarms.repeat
        )
        self.people = People(self.store, self.writer, self.clock, trusted_network=config.server.trusted_network)
        self.desk = Desk(
            self.store, self.writer, self.plan, self.pipeline, self.alarms, self.deviations, clock=self.clock, link_secret=secret
        )
        self.exporter = Exporter(config, self.plan.site, self.store, self.writer, self.alarms, self.clock, self.judging.report)
        self.web = Web(config, self._make_app, self._page_trouble)
        self.drivers: Sequence[Driver] = make_drivers(config, self.plan.site.id) if drivers is None else drivers
        self._threads: list[threading.Thread] = []
        self._notify = notifier()
        self._exports = exports
        #: Which sources are connected, as far as they have said.
        self.sources: dict[str, bool] = self._sources.connected

    @staticmethod
    def _hold(path: Path) -> IO[str]:
        """Hold the data folder, so that a second service or an import cannot write beside this one."""
        lock = open(path, "w", encoding="utf-8")  # noqa: SIM115 — held for the service's whole life
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            lock.close()
            raise RefusedError(f"another service holds {path.parent}; stop it first") from None
        return lock

    # --- life ----------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Judge what is stored, then let readings in."""
        self.writer.submit(self.keeper.begin).result()
        now = self.clock()
        self.writer.submit(lambda conn: people.sync_people(conn, list(self.config.persons), now)).result()
        self.writer.submit(lambda conn: self.pipeline.start(conn, now)).result()
        self.courier.start()
        for driver in self.drivers:
            self._thread(driver.name, self._run_driver, driver)
        self._thread("emergency", self.emergency.run, self._stop)
        self._thread("rejudger", Rejudger(self.judging, self.writer.submit, self.pipeline.catch_up).run, self._stop)
        for name, run in self.outside.runners:
            self._thread(name, run, self._stop)
        self._thread("ticker", self._tick)
        self._notify("READY=1")

    async def serve(self, settled: Callable[[], None] = lambda: None) -> None:
        """Answer HTTP until `stop()`, and take everything down cleanly. `settled` is called once the page answers, or is found not to."""

        def up() -> None:
            settled()
            # Only now: whoever looks at the page after a power cut does not wait for it.
            self._thread("ledger check", LedgerCheck(self.store, self.writer, self.alarms, self.clock).run, self._stop)

        try:
            await self.web.serve(up)
        finally:
            self.close()

    def bind(self) -> socket.socket:
        """Take the port, as `Web.bind`."""
        return self.web.bind()

    def run_server(self, settled: Callable[[], None] = lambda: None) -> None:
        """Serve until `stop()`: for a command's main thread."""
        asyncio.run(self.serve(settled))

    def without_engine(self, between: Callable[[], None]) -> None:
        """Have `between` called in the writer's thread while no engine is in memory; it is read again at once."""
        with suppress(StoreClosed):  # asked to end meanwhile
            self.writer.submit(lambda conn: self.pipeline.anew(conn, between), waiting=False)

    def stop(self) -> None:
        """Ask the service to end; from any thread or a signal handler."""
        self._stop.set()
        self.web.stop()

    def close(self) -> None:
        """Take everything down in the order that loses nothing: sources, queue, messages, store."""
        self._stop.set()
        self._notify("STOPPING=1")
        self.exporter.close()
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(timeout=10.0)
        self.intake.close()
        self.courier.stop()
        self.ringer.close()
        if self.publisher is not None:
            self.publisher.close()
        self.writer.close()
        self.store.close()
        self.web.close()
        self._lock.close()

    @property
    def answering(self) -> bool:
        """Whether the page and the API answer."""
        return self.web.answering

    def url(self) -> str:
        """Where the page is, for somebody at this machine."""
        host = self.config.server.host
        scheme = "http" if self.config.server.tls_cert is None else "https"
        return f"{scheme}://{'127.0.0.1' if host in ('0.0.0.0', '::') else host}:{self.bound_port()}/"

    def bound_port(self) -> int:
        """The port that answers, also where the configuration left it to the system (0)."""
        return self.web.port

    @property
    def app(self) -> FastAPI:
        """The ASGI app of the page and the API."""
        return self.web.app

    def _make_app(self) -> FastAPI:
        from monitor.api.app import create_app
        from monitor.clock_desk import ClockDesk
        from monitor.page import ROUTERS
        from monitor.set_up import SetUp

        app = create_app(
            self.desk, self.people, intake=self.intake, export=self.exporter.zip, trouble=self._trouble_text, pages=ROUTERS,
            clock_desk=ClockDesk(self.desk, self.keeper),
        )  # fmt: skip
        app.state.set_up = SetUp(self.config, self.plan, self.writer, self.clock)
        return app

    def _page_trouble(self, text: str) -> None:
        self._stand(troubles.page_away(self.clock(), text), bool(text))

    def _thread(self, name: str, run: Callable[..., None], *args: object) -> None:
        thread = threading.Thread(target=run, args=args, name=name, daemon=True)
        self._threads.append(thread)
        thread.start()

    # --- sources -------------------------------------------------------------------------------------------------

    def _run_driver(self, driver: Driver) -> None:
        waiting = sends_again(driver)  # a broker waits for the acknowledgement, a serial line does not
        try:
            driver.run(self._sources.through(driver.name, self.intake.sink(waiting=waiting), own_sources(driver)), self._stop)
        except Exception as error:  # the thread's last word: it is told and rung, the others go on
            log.exception("source died", source=driver.name)
            self.intake_trouble.source(
                driver.name, False, f"{driver.name} has stopped by a mistake of the program ({error}); restart the service."
            )

    def _stand(self, cause: Cause, stands: bool) -> None:
        """A trouble outside the judging stands, or is over; from any thread."""
        if not self._stop.is_set():
            self._standing.add(cause.key, (cause, stands, self.clock()))

    def _record_standing(self, conn: Connection, _key: str, told: tuple[Cause, bool, Instant]) -> None:
        cause, stands, at = told
        if stands:
            self.alarms.raise_(conn, cause, at)
            self.writer.urgent()
        else:
            self.alarms.clear(conn, cause.key, at)

    # --- transaction hooks ---------------------------------------------------------------------------------------

    def _after_change(self) -> None:
        """Something was found and is durable: deliver it, and tell the pages that are open."""
        self.courier.wake()
        self.web.changed()

    def _record(self, conn: Connection, kind: str, body: Mapping[str, Any], at: Instant, by: str) -> object:
        return ledger.append(conn, kind, body, at, by, entered_at=self.clock())

    def _status(self, conn: Connection) -> str:
        """For the daily word: lots, probes, and the ledger's head, so that rewriting would show."""
        engine, now = self.judging.engine, self.clock()
        lots = sum(lot.ended is None for lot in engine.lots.values())
        heard = [engine.heard(p.id) for p in self.plan.probes]
        lately = sum(at is not None and now - at <= p.silent_after for p, at in zip(self.plan.probes, heard, strict=True))
        tip = ledger.head(conn)
        text = f"{lots} open lots, {lately} of {len(heard)} probes heard lately. Ledger {tip.seq}, head {tip.hash}."
        return f"{text} {told}" if (told := provisional.remark(self.clock)) else text

    def _about(self) -> Mapping[str, object]:
        """What a heartbeat tells: the ledger's place and head, which somebody elsewhere then has."""
        with self.store.read() as conn:
            tip = ledger.head(conn)
        return {"site": self.plan.site.id, "at": format_instant(self.clock()), "ledger": tip.seq, "head": tip.hash}

    def _trouble_text(self) -> str:
        trouble = self.writer.trouble
        return str(trouble) if trouble is not None else self.courier.trouble

    # --- time ----------------------------------------------------------------------------------------------------

    def _tick(self) -> None:
        """Move time on from the loop that judges; the watchdog is fed only after a pass that committed."""
        told = ""
        while not self._stop.wait(self.tick_s):
            try:
                now, begun = self.clock(), time.monotonic()
                judged = self.writer.submit(lambda conn, now=now: self.pipeline.tick(conn, now), waiting=False)  # type: ignore[misc]
                # In the same commit: a second one would hold the store's writing side for the second that is left to other programs.
                self._look_after(now)
                judged.result(timeout=30)
                self._notify("WATCHDOG=1")
                self.outside.alive()
                self.rounds.took(time.monotonic() - begun)
                self.intake_trouble.write()
                self._standing.write()
                self.courier.wake()
                self.ringer.rest(steady_clock())  # not by a clock that is set, or that a story hurries on
                if self._exports:
                    self.exporter.look(now)
                told = ""
            except Exception as error:  # the loop must live on; unfed, the watchdog has the service started anew
                text = "the writer has not answered for 30 s" if isinstance(error, TimeoutError) else f"{type(error).__name__}: {error}"
                if text != told:  # the same trouble is told once, not every second onto the disk that may be full
                    log.error("tick", text=text, exc_info=not isinstance(error, StoreError | TimeoutError))
                told = text

    def _look_after(self, now: Instant) -> None:
        """What keeps the store and the clock in order; jobs for which nobody waits."""
        looked = self._clock_watch.look() if self._clock_watch is not None else Looked(0, now)

        def clock(conn: Connection) -> None:
            if looked.slewed:
                body: dict[str, Any] = {"what": "slewed", "by_s": looked.slewed / SECOND, "over_s": looked.over / SECOND}
                ledger.append(conn, "clock", body, now, entered_at=now)
            if not self.keeper.look(conn) and looked.step:
                wall, step = looked.wall, looked.step
                body = {"from": format_instant(wall - step), "to": format_instant(wall), "by_s": step / SECOND}
                ledger.append(conn, "clock", body, now, entered_at=now)
                self.alarms.raise_(conn, causes.clock_stepped(now, step), now)

        def upkeep(conn: Connection) -> None:
            self.caretaker.look(conn, now)
            self.rounds.look(conn, now)
            self.people.look(conn, now)

        def noted(future: Future[None]) -> None:
            if future.exception() is not None and self._clock_watch is not None:
                self._clock_watch.again(looked)

        # Each a job of its own: what is undone of one by its error must not be undone of another that has changed what is in memory.
        if looked.step or looked.slewed or self.keeper.due:
            self._upkeep(clock).add_done_callback(noted)
        if self.keeper.owing:
            self._upkeep(self.keeper.go_on)
        self._upkeep(upkeep)

    def _upkeep(self, job: Callable[[Connection], None]) -> Future[None]:
        def done(future: Future[None]) -> None:
            error = future.exception()
            if error is not None and not isinstance(error, StoreError):
                log.error("upkeep", text=f"{type(error).__name__}: {error}", exc_info=error)

        future = self.writer.submit(job, waiting=False)
        future.add_done_callback(done)
        return future

    def export_day(self, day: str) -> Path:
        """Export a local day now, as `Exporter.export`."""
        return self.exporter.export(day)
