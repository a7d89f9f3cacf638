"""The command `larderer demo`: a whole simulated day at Ferncliff Yard Smokehouse, an invented site, in a data folder of its own.

The service is the real one; only its clock is the story's. Probes speak to it over MQTT through a broker in this
process, people act through the desk, messages reach two telephones that are small web servers on this machine.
"""

from __future__ import annotations

import json
import secrets
import shutil
import signal
import sys
import tempfile
import textwrap
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from monitor import ledger, people
from monitor.commands.offline import verify_path
from monitor.config import load_config
from monitor.demo.people import Cast
from monitor.demo.site import ODILE, TAM, Broker, Phones, free_port, write_site
from monitor.demo.story import Player, Sender, StoryClock
from monitor.desk import Hand
from monitor.errors import DemoError, MonitorError
from monitor.judge import judge_files
from monitor.log import log_to
from monitor.service import Service
from probes.simulator import Simulator
from rules.quantity import local, parse_instant
from rules.reading import HOUR, SECOND, Fault, Instant, Reading, Span

#: 14:00 at Ferncliff Yard, the afternoon on which the story begins.
START: Instant = parse_instant("2026-03-01T14:00:00-06:00")
DAYS = ("2026-03-01", "2026-03-02")
SPEED = 600.0
Send = Callable[[Sequence[Reading | Fault]], object]
_UP_S = 30.0


class Demo:
    """One telling of the day. `tell(text)` gets every line; `start()`, `play()`, `finish()`, `close()` in this order."""

    def __init__(
        self,
        folder: Path,
        tell: Callable[[str], None],
        *,
        speed: float,
        port: int = 0,
        seed: int = 1,
        period_s: int = 10,
        stop: threading.Event | None = None,
    ) -> None:
        self.folder, self._tell_plain, self.speed = folder, tell, speed
        self.stop = stop or threading.Event()
        self.clock = StoryClock(START)
        self.pins = {name: f"{secrets.randbelow(10**6):06d}" for name in (ODILE, TAM)}
        self.port = free_port(port)
        self.broker = Broker()
        self.phones = Phones(self._ring)
        self.simulator = Simulator("ferncliff-day", seed, START, period_s=period_s)
        self._sender: Sender | None = None
        self._page = threading.Thread(target=self._serve, name="page", daemon=True)
        self.exports: list[Path] = []

    def start(self) -> None:
        """Everything up: broker, telephones, service, page, and two people who can sign in."""
        self.broker.start()
        self.phones.start()
        config = load_config(write_site(self.folder, page=self.port, broker=self.broker.port, phone=self.phones.port))
        self.service = Service(config, clock=self.clock, tick_s=0.1)
        self.cast = Cast(self.service, self.tell)
        self.service.start()
        self.service.writer.submit(self._hand_out_pins).result(_UP_S)
        self._page.start()
        self._until(lambda: self.service.answering, "the page did not come up")
        self._until(lambda: any(self.service.sources.values()), "the service did not reach the broker")
        self._sender = Sender(self.service.plan.site.id, self.broker.port)
        # The child that rings telephones takes a second to load Apprise, which would be ten minutes of the story.
        self.service.ringer.ask({"op": "check", "url": "json://127.0.0.1"}, _UP_S)

    def play(self, send: Send | None = None, step: Span = 0) -> bool:
        """Tell the day; False where it was stopped. `send`: another wire than MQTT; `step`: so much of the story at once."""
        wire = send or self._sender
        assert wire is not None

        def told(items: Sequence[Reading | Fault]) -> None:
            wire(items)
            self.cast.saw(items)

        cast = self.cast
        player = Player(self.simulator, self.clock, told, self.durable, cast.act, cast.look, speed=self.speed, step=step, stop=self.stop)
        return player.play()

    def durable(self) -> int:
        """How many readings and faults are stored and judged."""
        counts = dict(self.service.intake.counts)
        return sum(counts.values()) - counts.get("duplicate", 0)

    def finish(self) -> bool:
        """Close what is open, sign the days, export and verify them, and judge the export; True where everything agrees."""
        self._last_words()
        reviewer = Hand(TAM, "reviewer")
        with self.service.store.read() as conn:
            head = ledger.head(conn).hash
        good = True
        for day in DAYS:
            if self.stop.is_set():
                return False
            self.service.desk.review_day(reviewer, day, "Records read, deviations closed.")
            self.tell(f"Tam signs the pre-shipment review of {day}.")
            path = self.service.export_day(day)
            self.exports.append(path)
            code, text = verify_path(path, self.folder / "data" / "keys" / "site.pub", head)
            self.tell(f"{day} is exported: {path}")
            self.tell(f"larderer verify, with key and head: {text.splitlines()[-1]}")
            good = good and code == 0
        watches, wrong = self.compare(self.exports[-1])
        for sentence in wrong:
            self.tell(sentence)
        if not wrong:
            self.tell(f"larderer judge on the export repeats the live verdict and instant of all {watches} watches.")
        return good and not wrong

    def compare(self, export: Path) -> tuple[int, list[str]]:
        """Judge an export's files and hold the result against the live verdicts: how many watches, and what differs."""
        judged = verdicts(judge_files(export / "plan.toml", export / "readings.csv", export / "events.csv"))
        live = verdicts(self.service.pipeline.report())
        differ = [key for key in sorted(live.keys() | judged.keys()) if live.get(key) != judged.get(key)]
        return len(live), [f"{' '.join(key)}: live {live.get(key)}, judged again {judged.get(key)}" for key in differ]

    def close(self) -> None:
        """Take everything down; nothing is left running."""
        if self._sender is not None:
            self._sender.close()
        service = getattr(self, "service", None)
        if service is not None:
            service.stop()
            if self._page.ident is not None:
                self._page.join(_UP_S)
            else:
                service.close()
        self.broker.close()
        self.phones.close()

    def tell(self, text: str) -> None:
        """One line, with the story's time."""
        at = local(self.clock(), self.service.plan.site.zone) if hasattr(self, "service") else None
        self._tell_plain(f"{at:%a %H:%M}  {text}" if at else text)

    # --- inside --------------------------------------------------------------------------------------------------

    def _ring(self, bell: str, title: str, body: str) -> None:
        self.cast.ring(bell, title, body)

    def _serve(self) -> None:
        self.service.run_server()

    def _hand_out_pins(self, conn: Connection) -> None:
        for name, pin in self.pins.items():
            people.set_secret(conn, name, pin, self.clock(), by="demo")

    def _last_words(self) -> None:
        """The story's people have until the evening to bring their records to an end."""
        until = self.clock() + 6 * HOUR
        while any(one["closed"] is None for one in self.service.desk.deviations()) and not self.stop.is_set():
            if self.clock() > until:
                raise DemoError("a deviation record of the story cannot be closed; look into the service's log")
            self.clock.move(self.clock() + 60 * SECOND)
            self.cast.look(self.clock())

    def _until(self, fact: Callable[[], bool], what: str) -> None:
        deadline = time.monotonic() + _UP_S
        while not fact():
            if time.monotonic() > deadline:
                raise DemoError(f"{what} within {_UP_S:g} s; look into {self.folder / 'service.log'}")
            time.sleep(0.02)


def verdicts(report: dict[str, Any]) -> dict[tuple[str, ...], tuple[str, str | None]]:
    """Verdict and instant of every watch of every lot in a Judge JSON."""
    return {
        (lot["lot"], limit["step"], limit["limit"], watch["probe"]): (watch["verdict"], watch["at"])
        for lot in report["lots"]
        for limit in lot["limits"]
        for watch in limit["watches"]
    }


def run_demo(speed: float = 0.0, port: int = 8080, stay: bool = False) -> int:
    """Tell the day on the terminal, with the page up meanwhile; 0 when it ended, by itself or by Ctrl-C, cleanly."""
    if speed < 0:
        raise DemoError(f"--speed is {speed:g}; write how many times faster than life, such as 600, or 0 for {SPEED:g}")
    if not 0 <= port <= 65535:
        raise DemoError(f"--port is {port}; write a number from 1 to 65535, or 0 for any free one")
    folder = Path(tempfile.mkdtemp(prefix="larderer-demo-"))
    _log_to(folder / "service.log")
    printer, stop = Printer(), threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    demo = Demo(folder, printer.line, speed=speed or SPEED, port=port, stop=stop)
    try:
        demo.start()
        printer.block(_welcome(demo, port))
        good = demo.play() and demo.finish()
        if stop.is_set():
            printer.block("\nStopped.")
            return 0
        printer.block(_farewell(demo, stay))
        if stay:
            stop.wait()
        return 0 if good else 1
    except MonitorError as error:
        if stop.is_set():
            return 0
        print(error, file=sys.stderr)
        return 1
    finally:
        demo.close()


class Printer:
    """Lines on the terminal, folded to its width, from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._width = max(60, min(shutil.get_terminal_size((110, 24)).columns, 120))

    def line(self, text: str) -> None:
        """Print one line, folded under its text."""
        self.block("\n".join(textwrap.wrap(text, self._width, subsequent_indent=" " * 11, break_long_words=False, break_on_hyphens=False)))

    def block(self, text: str) -> None:
        """Print as it stands, so that commands in it can be copied."""
        with self._lock:
            print(text, flush=True)


def _welcome(demo: Demo, wanted: int) -> str:
    minutes = demo.simulator.scenario.length / SECOND / demo.speed / 60
    taken = f" (port {wanted} is in use)" if wanted not in (0, demo.port) else ""
    names = " or ".join(f"{name}, PIN {pin}" for name, pin in demo.pins.items())
    return (
        f"A day at Ferncliff Yard Smokehouse, an invented site, {demo.speed:g} times as fast as life: about {minutes:.1f} minutes.\n\n"
        f"Page     {demo.service.url()}{taken}\n"
        f"Sign in  {names}\n"
        f"Data     {demo.folder} (kept; service.log is in it)\n"
        "Ctrl-C ends it.\n"
    )


def _farewell(demo: Demo, stay: bool) -> str:
    last = demo.exports[-1]
    manifest = json.loads((last / "manifest.json").read_bytes())
    return (
        "\nThe day is over. Look at it yourself:\n"
        f"  {last / 'day.pdf'}\n"
        f"  larderer judge {last / 'plan.toml'} {last / 'readings.csv'} --events {last / 'events.csv'}\n"
        f"  larderer verify {last} --key {demo.folder / 'data' / 'keys' / 'site.pub'} --head {manifest['ledger']['head']}\n"
        "Every figure is invented. A limit was met or it was not; whether food may be eaten is for qualified people to say."
        + ("\nThe page stays up until Ctrl-C." if stay else "")
    )


def _log_to(path: Path) -> None:
    """The service's log goes to a file: the terminal is for the story."""
    log_to(path.open("a", encoding="utf-8", buffering=1))
