"""One life of the service in the soak: from a minute of the story until it is killed, ended, or the story is over.

Run as `python -m tests.soak.child FOLDER MINUTES EVERY_S RESTARTS_FROM RESTARTS_TO FIRST LAST`. Each line of standard output is JSON:
`{"done": minute}` with what was counted so far, once everything of a minute is durable, `{"hour": ...}` with what the process holds, and
`{"end": ...}` where it ends cleanly; the Judge JSON of that moment is then in FOLDER/`REPORT`. A kill is told by the missing end.
"""

from __future__ import annotations

import http.client
import json
import logging
import os
import resource
import signal
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from monitor import people
from monitor.alarms import outbox
from monitor.clock_watch import ClockWatch
from monitor.commands.run import log_to_stderr, spare_what_stands
from monitor.config import load_config
from monitor.demo.site import Phones
from monitor.desk import Hand
from monitor.errors import MonitorError
from monitor.memory import keep_little, load_little
from monitor.service import Service
from monitor.store import events
from probes.driver import Sink
from rules.quantity import parse_instant
from rules.reading import MINUTE, Instant, LotEvent, Span
from tests.bench.figures import children, written_bytes
from tests.bench.served import resident_mb
from tests.soak.reads import Reads
from tests.soak.site import ODILE, REPORT, SECRET, TAM, write_site
from tests.soak.story import DAY_MIN, START, Story

_WAIT_S = 120.0
_ODILE, _TAM = Hand(ODILE, "operator"), Hand(TAM, "reviewer")
_ANSWERS = {
    "cause": "An hour's fault of the soak.", "removed": "The fault is over.", "restored": "It reads as it should.",
    "prevention": "None: the next hour has another.", "disposition": "destroyed", "quantity": "40 kg", "reason": "Nobody eats it.",
    "reading": "core-1 40 °F at 20:00",
}  # fmt: skip


class Clocks:
    """The board's clock, which may be wrong by some minutes, and the steady one, which is never set."""

    def __init__(self, at: Instant) -> None:
        self.steady: Span = at
        self.by: Span = 0

    def __call__(self) -> Instant:
        """What the board takes for the time."""
        return self.steady + self.by


class Gateway:
    """The source of all probes: what the story says is handed over through its sink, as by any driver."""

    name = "gateway"
    SENDS_AGAIN = True

    def __init__(self) -> None:
        self.sink: Sink | None = None
        self.ready = threading.Event()

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Keep the sink until the service ends."""
        self.sink = sink
        sink.state(self.name, True, "gateway: connected.")
        self.ready.set()
        stop.wait()


class Life:
    """The service, and those who work with it."""

    def __init__(self, folder: Path, story: Story, first: int) -> None:
        self.story, self.messages, self._first = story, 0, first
        self.clocks, self.gateway = Clocks(START + first * MINUTE), Gateway()
        self.phones = Phones(self._rang)
        self.phones.start()
        begun, spent = time.monotonic(), time.process_time()
        clocks = self.clocks
        self.service = Service(
            load_config(write_site(folder, self.phones.port)),
            clock=clocks, clock_watch=ClockWatch(clocks, lambda: clocks.steady), drivers=(self.gateway,), tick_s=1e9,
        )  # fmt: skip
        self.service.start()
        self.start_s, self.start_cpu_s = time.monotonic() - begun, time.process_time() - spent
        self.write(lambda conn: people.set_secret(conn, ODILE, SECRET, clocks(), by="soak"))
        self.service.without_engine(spare_what_stands)
        self.server = threading.Thread(target=self.service.run_server, daemon=True)
        self.server.start()
        if not self.gateway.ready.wait(_WAIT_S):
            raise TimeoutError("the driver's thread did not start")
        self._pages()  # what is opened when somebody first looks is open from the first hour on, and no growth

    def _rang(self, _bell: str, _title: str, _body: str) -> None:
        self.messages += 1

    def write(self, job: Any) -> Any:
        """A job on the writer, waited for."""
        return self.service.writer.submit(job).result(_WAIT_S)

    def minute(self, number: int) -> str:
        """Live through one minute; what is to become of the process after it."""
        brings, clocks = self.story.minute(number), self.clocks
        clocks.by = brings.clock_by
        clocks.steady = START + number * MINUTE
        for entry in brings.entries:
            clocks.steady = max(clocks.steady, entry.at)
            self.write(lambda conn, entry=entry: self._enter(conn, entry))
        clocks.steady = START + (number + 1) * MINUTE
        assert self.gateway.sink is not None
        if brings.gateway is not None:
            self.gateway.sink.state("gateway", brings.gateway, "gateway: back." if brings.gateway else "gateway: does not answer.")
        waiting: list[Future[Any]] = [self.gateway.sink.readings(batch) for batch in brings.batches if batch]
        if brings.deed == "killed" and number != self._first:  # it has just come back from it
            os.kill(os.getpid(), signal.SIGKILL)
        self._tick()
        for future in waiting:
            future.result(_WAIT_S)
        if number % 5 == 4:
            self._answer(number)
        if brings.deed == "pages":
            self._pages()
        return brings.deed

    def _enter(self, conn: Connection, entry: LotEvent) -> None:
        """An entry, unless it was made before the process died."""
        if not any(one.event == entry for one in events.of_lot(conn, entry.lot)):
            self.service.pipeline.event(conn, entry)

    def _tick(self) -> None:
        """What the service's ticker does each second, once a minute."""
        service, now = self.service, self.clocks()
        ticked = service.writer.submit(lambda conn: service.pipeline.tick(conn, now), waiting=False)
        service._look_after(now)
        service.writer.urgent()
        ticked.result(_WAIT_S)
        service.courier.wake()
        service.ringer.rest(now)
        service.exporter.look(now)
        export = service.exporter._thread
        if export is not None:  # the story waits, or the day would be half over before its export is made
            export.join(_WAIT_S)

    def _answer(self, number: int) -> None:
        """Odile sees her telephone; once a day the deviation records are answered, and reviewed."""
        desk, of_day = self.service.desk, number % DAY_MIN
        for alarm in desk.alarms():
            if alarm["unacknowledged"] and alarm["rang"] is not None and self.clocks() - parse_instant(alarm["rang"]) >= 5 * MINUTE:
                desk.acknowledge(_ODILE, alarm["id"], "Seen.")
        if of_day in (20 * 60 + 4, 21 * 60 + 4):
            state = "open" if of_day < 21 * 60 else "answered"
            found = [record["id"] for record in desk.deviations() if record["state"] == state]
            for ident in found if state == "open" else ():
                desk.act(_ODILE, ident, "Set apart, on the lowest shelf.")
            if found and state == "open":
                desk.close_deviation(_ODILE, found, _ANSWERS)
            elif found:
                desk.review_deviation(_TAM, found, "Agreed.")

    def _pages(self) -> None:
        """Somebody signs in and looks at the page, a lot and its curve."""
        _wait_while(lambda: not self.service.answering, "the page does not answer")
        token, _ = self.service.people.sign_in(ODILE, SECRET, scheme="http", remote="127.0.0.1")
        web = http.client.HTTPConnection("127.0.0.1", self.service.bound_port(), timeout=_WAIT_S)

        def get(path: str) -> bytes:
            web.request("GET", path, headers={"Cookie": f"larderer_session={token}"})
            answer = web.getresponse()
            text = answer.read()
            if answer.status != 200:
                raise RuntimeError(f"{path}: {answer.status} {text[:300]!r}")
            return text

        lots = [lot["lot"] for lot in json.loads(get("/api/v1/lots"))["lots"][:1]]
        for path in ("/", "/alarms", "/api/v1/probes", *(f"/api/v1/lots/{lot}/chart.svg" for lot in lots)):
            get(path)
        web.close()
        self.service.people.sign_out(token)

    def settle(self) -> None:
        """Wait until what is late is judged: the story's hours are shorter than its replay."""
        _wait_while(lambda: self.service.judging.late is not None, "a re-judgement does not end")

    def tell(self) -> None:
        """Wait until what rang is told: the story's minutes are shorter than the start of the process that rings bells."""
        self.service.courier.wake()
        _wait_while(self._untold, "a message still waits for its bell")

    def _untold(self) -> bool:
        with self.service.store.read() as conn:
            soonest = outbox.next_try(conn)
        return soonest is not None and soonest <= self.clocks()

    def held(self) -> dict[str, float]:
        """What the process holds now."""
        return {
            "mb": resident_mb(),
            "bells_mb": sum(map(_resident_mb, children())),
            "descriptors": len(os.listdir("/proc/self/fd")),
            "threads": len(os.listdir("/proc/self/task")),
            "wal_kb": self.service.store.dialect.wal_bytes() / 1000,  # type: ignore[attr-defined]  # the store is a file
        }

    def counted(self) -> dict[str, Any]:
        """What the process has done since it started, the processes included that it started and that have ended."""
        service, spent = self.service, os.times()
        ended = resource.getrusage(resource.RUSAGE_CHILDREN)
        return {
            "messages": self.messages,
            "counts": dict(service.intake.counts),
            "commits": service.writer.commits,
            "written": written_bytes()[1] + ended.ru_oublock * 512,  # in blocks of 512 bytes, of the same count (getrusage(2), proc(5))
            "cpu_s": spent.user + spent.system + ended.ru_utime + ended.ru_stime,
        }

    def close(self) -> None:
        """End as by SIGTERM."""
        self.service.stop()
        self.server.join(60)
        self.phones.close()


def _wait_while(so: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + _WAIT_S
    while so():
        if time.monotonic() > until:
            raise TimeoutError(what)
        time.sleep(0.02)


def _resident_mb(pid: int) -> float:
    """As `resident_mb`; 0 where the process has just ended."""
    try:
        return resident_mb(pid)
    except FileNotFoundError:
        return 0.0


def say(told: dict[str, Any]) -> None:
    """One line for the parent."""
    print(json.dumps(told), flush=True)


def main() -> None:
    """One life."""
    keep_little()  # as `larderer run` does
    load_little()
    log_to_stderr(logging.CRITICAL)
    folder, minutes, every_s, low, high, first, last = Path(sys.argv[1]), *map(int, sys.argv[2:])
    story = Story(minutes, every_s, range(low, high))
    reads, store = Reads(), folder / "data" / "larderer.sqlite"
    life = Life(folder, story, first)
    say({"started_s": life.start_s, "started_cpu_s": life.start_cpu_s})
    for number in range(first, last):
        deed = life.minute(number)
        if number % 60 == 59:
            life.settle()
            say({"hour": number // 60, "whole": reads.whole(store), **life.held(), **life.counted()})
        say({"done": number, **life.counted()})
        if deed == "restarted":
            break
    life.settle()
    life.tell()
    with suppress(MonitorError):
        life.write(life.service.pipeline.ready)
    (folder / REPORT).write_text(json.dumps(life.service.pipeline.report()), encoding="utf-8")
    now = life.service.judging.engine.now
    life.close()
    say({"end": number, "now": now, **life.counted()})


if __name__ == "__main__":
    main()
