"""Faults that come from outside: a phone service away for an hour, a clock set by a day, a word to end in the middle of everything.

The same is asked after each: nothing that was acknowledged is missing, the chain verifies, nobody is told twice or not at all.
"""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import pytest

from monitor import ledger, people
from monitor.alarms.listing import open_alarms
from monitor.clock import SystemClock
from monitor.clock_watch import ClockWatch
from monitor.config import load_config
from monitor.service import Service
from monitor.store import readings
from monitor.store.database import Store
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Instant, Reading
from tests.ferncliff import GRIND, ODILE, SITE, START
from tests.waiting import until

WAIT_S = 30.0
ROOT = Path(__file__).parents[2]
CONFIG = """
plan = "plan.toml"
[server]
port = {port}
[store]
spare_mb = 0
copy_every = "0 s"
{mqtt}
[[person]]
name = "Odile Marsh"
role = "operator"
bells = ["phone"]
[[bell]]
id = "phone"
url = "json://127.0.0.1:{phone}/odile"
[[bell]]
id = "horn"
program = ["/bin/sh", "-c", "cat >> {horn}"]
{siren}
[[escalation]]
after = "0 min"
bells = [{first}]
persons = ["Odile Marsh"]
[alarms]
all_well = ""
repeat = "3 h"
"""


class Phone:
    """A phone service on loopback that can be away; it keeps the messages it took."""

    def __init__(self) -> None:
        self.took: list[str] = []
        self.server = self._serve(0)
        self.port = self.server.server_address[1]

    def _serve(self, port: int) -> ThreadingHTTPServer:
        took = self.took

        class Takes(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                took.append(self.rfile.read(int(self.headers["Content-Length"])).decode())
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        server = ThreadingHTTPServer(("127.0.0.1", port), Takes)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        return server

    def away(self) -> None:
        self.server.shutdown()
        self.server.server_close()

    def back(self) -> None:
        self.server = self._serve(self.port)


def configured(folder: Path, phone: int, *, port: int = 0, broker: int = 0) -> Path:
    """Write plan and configuration."""
    (folder / "plan.toml").write_text(SITE + GRIND, encoding="utf-8")
    mqtt = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker}' if broker else ""
    siren = '[[bell]]\nid = "siren"\ntopic = "yard/siren"\ntimeout = "1 s"' if broker else ""
    first = '"horn", "siren"' if broker else '"horn"'
    path = folder / "larderer.toml"
    path.write_text(CONFIG.format(port=port, phone=phone, horn=folder / "horn.txt", mqtt=mqtt, siren=siren, first=first), encoding="utf-8")
    return path


def opened(config: Path, clock: Callable[[], Instant], watch: ClockWatch | None = None) -> Service:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        service = Service(load_config(config), clock=clock, clock_watch=watch, drivers=(), tick_s=3600.0, exports=False)
    service.start()
    return service


def tick(service: Service, now: Instant) -> None:
    service.writer.submit(lambda conn: service.pipeline.tick(conn, now)).result(WAIT_S)
    service._look_after(now)
    service.writer.submit(lambda _: None).result(WAIT_S)
    service.courier.wake()


def free_port() -> int:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


@pytest.mark.full
def test_phone_service_and_broker_away_for_an_hour(tmp_path: Path) -> None:
    """The horn by the door rings at once; the phone's message waits, its failing is an alarm, and it is delivered once when it is back."""
    phone, now = Phone(), SimpleNamespace(at=START)
    service = opened(configured(tmp_path, phone.port, broker=free_port()), lambda: now.at)
    try:
        phone.away()
        service.desk.start_lot(ODILE, "juniper-links", lot="J-1")
        service.desk.place(ODILE, "J-1", "core-1")
        kept = 0
        for n in range(30):
            now.at += 2 * MINUTE
            degrees = 45 if n == 1 else 33
            kept += service.intake.readings([Reading("core-1", now.at, fahrenheit(degrees))]).result(WAIT_S)[0].what == "stored"
            tick(service, now.at)
            time.sleep(0.05)
        assert kept == 30, "what is read is kept, whoever cannot be told"
        horn = tmp_path / "horn.txt"
        until(lambda: horn.exists() and "grind cold" in horn.read_text())
        with service.store.read() as conn:
            standing = {row["key"] for row in open_alarms(conn, now.at) if row["active"]}
        assert {"bell/phone", "bell/siren"} <= standing
        assert phone.took == []
        phone.back()
        for _ in range(12):
            now.at += MINUTE
            tick(service, now.at)
            time.sleep(0.05)
        until(lambda: any("grind cold limit not met" in body for body in phone.took))
        breach = [body for body in phone.took if "grind cold limit not met" in body]
        assert len(breach) == 1, "an hour of failing is one message, not sixty"
        with service.store.read() as conn:
            assert ledger.verify(conn) == []
            assert readings.count(conn) == 30
    finally:
        service.close()
        phone.away()


@pytest.mark.parametrize("hours", [24, -24])
def test_clock_set_by_a_day(tmp_path: Path, hours: int) -> None:
    """Noted with both times, rung; nothing is lost, and the service's own time goes on so that whoever has not answered is told again."""
    phone, at = Phone(), SimpleNamespace(wall=START, steady=0)

    def move(span: int) -> None:
        at.wall += span
        at.steady += span

    clock = SystemClock(lambda: at.wall, lambda: at.steady)
    service = opened(configured(tmp_path, phone.port), clock, ClockWatch(lambda: at.wall, lambda: at.steady))
    try:
        sent = 0
        for n in range(8):
            move(MINUTE)
            if n == 4:
                at.wall += hours * HOUR
            done = service.intake.readings([Reading("core-1", clock(), 3.0)]).result(WAIT_S)
            assert done[0].what == "stored"
            sent += 1
            tick(service, clock())
        before = clock()
        move(2 * HOUR)
        assert clock() - before == 2 * HOUR, "it neither runs back nor stands still"
        tick(service, clock())
        with service.store.read() as conn:
            assert ledger.verify(conn) == []
            assert readings.count(conn) == sent
            (entry,) = ledger.entries(conn, kind="clock")
            written = [e.entered_at for e in ledger.entries(conn)]
        assert entry.body["by_s"] == hours * 3600
        assert written == sorted(written)
    finally:
        service.close()
        phone.away()
    again = opened(tmp_path / "larderer.toml", lambda: at.wall)
    try:
        with again.store.read() as conn:
            assert ledger.verify(conn) == []
            assert (len(list(ledger.entries(conn, kind="clock"))) == 2) is (hours < 0), "a start behind what was written notes that, too"
    finally:
        again.close()


def run_once(folder: Path, config: Path, token: str, first: int, least: int) -> tuple[set[int], int]:
    """The command, pushed readings from four sides, told to end after so many: what was acknowledged, and its exit code."""
    command = [sys.executable, "-m", "monitor.cli", "run", "--config", str(config)]
    log = (folder / f"log-{first}.txt").open("w+")
    child = subprocess.Popen(command, stderr=log, env=os.environ | {"PYTHONPATH": str(ROOT)}, cwd=folder)
    acknowledged: set[int] = set()
    try:
        deadline = time.monotonic() + 60
        url = ""
        while not url:
            assert child.poll() is None, (folder / f"log-{first}.txt").read_text()
            assert time.monotonic() < deadline
            found = re.search(r"Larderer watches .*: (http://\S+)", (folder / f"log-{first}.txt").read_text())
            url = found[1] if found else ""
            time.sleep(0.02)
        ended = threading.Event()

        def push(side: int) -> None:
            with httpx.Client(base_url=url, headers={"Authorization": f"Bearer {token}"}, timeout=10) as http:
                number = first + side
                while not ended.is_set():
                    at = (time.time_ns() // 1000 - 100 * SECOND) // SECOND * SECOND + number
                    body = [{"probe": "core-1", "time": f"{at / SECOND:.6f}", "value": 3.0}]
                    try:
                        answer = http.post("/api/v1/readings", json=body)
                    except httpx.HTTPError:
                        return
                    if (answer.status_code in (200, 202, 207) and "stored" in answer.text) or "late" in answer.text:
                        acknowledged.add(at)
                    number += 4

        sides = [threading.Thread(target=push, args=(n,)) for n in range(4)]
        for side in sides:
            side.start()
        until(lambda: len(acknowledged) >= least)
        child.send_signal(signal.SIGTERM)
        code = child.wait(60)
        ended.set()
        for side in sides:
            side.join()
        return acknowledged, code
    finally:
        if child.poll() is None:
            child.kill()
            child.wait()
        log.close()


def test_word_to_end_in_the_middle_of_everything(tmp_path: Path) -> None:
    """SIGTERM while readings come in from four sides, twice: it ends cleanly, and what was acknowledged is there."""
    phone = Phone()
    config = configured(tmp_path, phone.port)
    with Store(tmp_path / "data" / "larderer.sqlite") as store, store.write() as conn:
        token = people.add_device(conn, "gateway", "probe", time.time_ns() // 1000)
    chance, acknowledged = random.Random(5), set()
    try:
        for n in range(2):
            kept, code = run_once(tmp_path, config, token, 1000 * (n + 1), chance.randrange(5, 40))
            assert code == 0, (tmp_path / f"log-{1000 * (n + 1)}.txt").read_text()[-2000:]
            acknowledged |= kept
            with Store(tmp_path / "data" / "larderer.sqlite", create=False) as store, store.read() as conn:
                assert ledger.verify(conn) == []
                stored = {s.item.at for s in readings.between(conn, 0, 2**62, unjudged=True)}
            assert acknowledged <= stored
    finally:
        phone.away()
    assert len(acknowledged) >= 10
