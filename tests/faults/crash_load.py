"""A service that goes through a short story until it dies at its n-th write: run by `test_crash_loop.py`.

Each line of standard input is `<moment> <how> <folder> <database>`: a child is forked that opens the store and does what of
the story is not done yet, and at that moment of its work dies as by `kill -9` (how: `die`), or kills the database's server
(how: its process id) and goes on. 0 is never. A moment is a statement that writes, or the instant before or after a commit.
What a sender or a person was answered is printed, then how many moments a child had that survived, and how it ended.
"""

import gc
import os
import signal
import sys
import tempfile
import threading
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, event, func, select

from monitor.alarms import outbox
from monitor.alarms.bells import Answer, Call, Outcome
from monitor.alarms.tables import alarm
from monitor.config import AlarmsConfig, BellConfig, Config, Person, Rung, Secret, Server, StoreConfig
from monitor.errors import StoreUnavailable
from monitor.pipeline import ALIVE
from monitor.service import Service
from monitor.store import events, plans
from monitor.store.schema import ledger, lot_event, reading
from monitor.store.writer import Writer
from rules.quantity import parse_instant
from rules.reading import MINUTE, SECOND, LotEvent, Reading

START = parse_instant("2026-03-02T08:00:00-06:00")
LOTS = 2
WAIT_S = 60
PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
[[probe]]
id = "core-1"
place = "core"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "grind"
[[product.step.limit]]
name = "grind cold"
kind = "ceiling"
class = "critical"
place = "core"
max = "41 °F"
allowed = "1 min"
source = "invented for this test"
"""

Step = tuple[str, Any]


def lot_events(lot: int) -> list[LotEvent]:
    """What a person enters about one lot."""
    name, base = f"J-{lot}", START + lot * 6 * MINUTE
    begun = [("start", "juniper-links", 0), ("place", "core-1", SECOND)]
    ended = [("remove", "core-1", 5 * MINUTE), ("end", "", 5 * MINUTE + SECOND)]
    return [LotEvent(base + after, what, name, of, "done" if what == "remove" else "") for what, of, after in [*begun, *ended]]


def lot_readings(lot: int) -> list[list[Reading]]:
    """Cold, then above the limit for longer than it allows."""
    base = START + lot * 6 * MINUTE + 2 * SECOND
    celsius = [2.0, 3.0, 9.0, 10.0, 11.0, 12.0, 12.5, 11.5]
    rows = [Reading("core-1", base + n * 30 * SECOND, value + lot / 7) for n, value in enumerate(celsius)]
    return [rows[n : n + 2] for n in range(0, len(rows), 2)]


def story() -> list[Step]:
    """Everything that happens, in order."""
    steps: list[Step] = []
    for lot in range(LOTS):
        entered = lot_events(lot)
        steps += [("event", one) for one in entered[:2]]
        for batch in lot_readings(lot):
            steps += [("readings", batch), ("tick", batch[-1].at + SECOND)]
        steps += [("acknowledge", lot), *(("event", one) for one in entered[2:]), ("tick", entered[-1].at + SECOND)]
    return steps


class PaperBell:
    """A bell that writes down what it was told, before it says so."""

    def __init__(self, paper: Path) -> None:
        self.id, self._paper = "phone", paper

    def ring(self, call: Call) -> Answer:
        with open(self._paper, "a", encoding="utf-8") as file:
            file.write(call.message_id + "\n")
        return Answer(Outcome.DELIVERED)


class Countdown:
    """Counts the moments of the writer's work, and does what it is to do at one of them."""

    def __init__(self, moment: int, act: Callable[[], None]) -> None:
        self.count, self._moment, self._act = 0, moment, act

    def __call__(self) -> None:
        self.count += 1
        if self.count == self._moment:
            self._act()


class CountingWriter(Writer):
    """A writer that counts the instants before and after each commit."""

    countdown: Countdown

    def _commit(self, conn: Connection) -> None:
        self.countdown()
        super()._commit(conn)
        self.countdown()


def say(text: str) -> None:
    """One line, whole, to whoever runs us."""
    os.write(1, f"{text}\n".encode())


class Site:
    """The service with no threads but the writer's and the courier's."""

    def __init__(self, url: str, folder: Path, countdown: Countdown) -> None:
        config = Config(
            folder / "larderer.toml",
            folder / "plan.toml",
            folder,
            Server(port=0),
            Secret(url),
            persons=(Person("Odile Marsh", "operator", ("phone",)),),
            bells=(BellConfig("phone", program=("true",)),),  # PaperBell takes its place
            escalation=(Rung(0, persons=("Odile Marsh",)),),
            alarms=AlarmsConfig(all_well=None),
            store=StoreConfig(copy_every=0, spare_mb=0),
        )
        self.now = START
        config.plan.write_text(PLAN, encoding="utf-8")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            self.service = Service(config, clock=lambda: self.now, drivers=(), tick_s=3600.0, exports=False)
        self.service.writer.__class__ = CountingWriter
        self.service.writer.countdown = countdown  # type: ignore[attr-defined]  # it has just become one
        self.service.courier._bells = {"phone": PaperBell(folder / "told.txt")}
        self.service.emergency.look = lambda: None  # type: ignore[method-assign]  # there is no broker here

        def written(_conn: Any, _cursor: Any, statement: str, *_: Any) -> None:
            if statement.split(None, 1)[0] in ("INSERT", "UPDATE", "DELETE"):
                countdown()

        event.listen(self.service.store.write_engine, "before_cursor_execute", written)

    def keep_on(self, job: Callable[[Connection], Any]) -> Any:
        """A job on the writer, tried until the store can be written."""
        deadline = time.monotonic() + WAIT_S
        while True:
            try:
                return self.service.writer.submit(job).result(WAIT_S)
            except StoreUnavailable:
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.05)

    def until_told(self) -> None:
        """Wait until nothing is left to be delivered."""
        deadline = time.monotonic() + WAIT_S
        while True:
            try:
                with self.service.store.read() as conn:
                    if outbox.next_try(conn) is None:
                        return
            except StoreUnavailable:
                pass
            assert time.monotonic() < deadline, "a message is not delivered"
            self.service.courier.wake()
            time.sleep(0.005)

    def begin(self) -> None:
        """Judge what is stored, with the clock where it was."""
        with self.service.store.read() as conn:
            seen = [
                conn.execute(select(func.max(ledger.c.entered_at))).scalar(),
                conn.execute(select(func.max(lot_event.c.received_at))).scalar(),
                conn.execute(select(func.max(reading.c.received_at))).scalar(),
                plans.get_setting(conn, ALIVE),
            ]
        self.now = max(at or START for at in seen)
        self.keep_on(lambda conn: self.service.pipeline.start(conn, self.now))
        self.service.courier.start()

    def do(self, what: str, of: Any) -> None:
        """One step of the story, unless it was done before."""
        service = self.service
        if what == "event":
            self.now = max(self.now, of.at)

            def enter(conn: Connection) -> None:
                if not any(one.event == of for one in events.of_lot(conn, of.lot)):
                    service.pipeline.event(conn, of)

            self.keep_on(enter)
            say(f"event {of.lot} {of.event}")
        elif what == "readings":
            self.now = max(self.now, of[-1].at)
            service.intake.readings(of).result(WAIT_S)
            for one in of:
                say(f"reading {one.at}")
        elif what == "tick":
            self.now = max(self.now, of)
            self.keep_on(lambda conn: service.pipeline.tick(conn, self.now))
        else:
            self.until_told()

            def answer(conn: Connection) -> list[int]:
                wanted = select(alarm.c.id).where(alarm.c.rang_at.is_not(None), alarm.c.acknowledged_at.is_(None))
                found = list(conn.execute(wanted.order_by(alarm.c.id)).scalars())
                for number in found:
                    service.alarms.acknowledge(conn, number, "Odile Marsh", self.now)
                return found

            for number in self.keep_on(answer):
                say(f"acknowledged {number}")


def live(url: str, folder: Path, moment: int, act: Callable[[], None]) -> int:
    """Go through the story; how many moments it had."""
    countdown = Countdown(moment, act)
    site = Site(url, folder, countdown)
    site.begin()
    for what, of in story():
        site.do(what, of)
    site.until_told()
    site.service.close()
    return countdown.count


def die() -> None:
    """As by `kill -9`."""
    os.kill(os.getpid(), signal.SIGKILL)


def kill_server(pid: int) -> None:
    """End the server and every process of it at once, and say so."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    for one in [pid, *map(int, children)]:
        os.kill(one, signal.SIGKILL)
    say("server killed")


def forked(moment: str, how: str, folder: str, url: str) -> int:
    """A child's whole life; its exit code."""
    act = die if how == "die" else lambda: kill_server(int(how))
    try:
        say(f"survived {live(url, Path(folder), int(moment), act)}")
    except Exception:  # noqa: BLE001 - a forked child must not go on as its parent would
        traceback.print_exc()
        return 1
    return 0


def warm_up() -> None:
    """Go through the story once, so that no child has to load and build what it shares with all of them."""
    with tempfile.TemporaryDirectory() as folder, open(os.devnull, "w", encoding="utf-8") as nowhere:
        said = os.dup(1)
        os.dup2(nowhere.fileno(), 1)  # nobody is to take this story for a life's
        try:
            live(f"sqlite:///{folder}/larderer.sqlite", Path(folder), 0, die)
        finally:
            os.dup2(said, 1)
            os.close(said)
    gc.collect()
    gc.freeze()


def main() -> None:
    """A child for each line."""
    warm_up()
    assert threading.active_count() == 1, "a fork takes no threads along"
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            os._exit(forked(*line.split()))
        status = os.waitpid(child, 0)[1]
        say(f"end {-os.WTERMSIG(status) if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)}")


if __name__ == "__main__":
    main()
