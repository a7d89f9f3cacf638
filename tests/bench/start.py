"""From a power cut to judging, and to the page: the command is started over a store of thirty days of sixteen probes that nobody closed.

Run as `python -m tests.bench.start FOLDER` it makes such a store and ends without closing anything, as a power cut does.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import Connection

from tests.bench.figures import Figure
from tests.bench.served import ROOT, resident_mb
from tests.bench.site import SENDERS, write_site

AIM_S, STARTS = 3.0, 3
DAYS, EVERY_S = 30, 60
#: The end of the store at one reading a second, judged as it came: what came after the newest snapshot is judged again at the start.
LAST_MIN = 15


def run(say: Callable[[str], None]) -> list[Figure]:
    """Seconds until the command says that it watches: the middle one of three starts, each after a power cut."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        environment = os.environ | {"PYTHONPATH": str(ROOT)}
        made = subprocess.run([sys.executable, "-m", "tests.bench.start", name], cwd=ROOT, env=environment, check=True, capture_output=True)
        say(f"start: {made.stdout.decode().strip()}")
        took = sorted(_start(folder / "larderer.toml", environment) for _ in range(STARTS))
    for one in took:
        say(f"start: {one}")
    judging, page = took[len(took) // 2], sorted(took, key=lambda one: one.page_s)[len(took) // 2]
    store = f"{DAYS} days of {SENDERS} probes in the store"
    to_judging = f"{judging.wall_s:.2f} s, {judging.cpu_s:.2f} s of it processor time; {made.stdout.decode().strip()}"
    to_page = f"{page.page_s:.2f} s, {page.page_cpu_s:.2f} s of it processor time; {page.page_mb:.0f} MB resident then"
    return [
        Figure(f"power cut to judging, {store}", to_judging, judging.wall_s, AIM_S, "s"),
        Figure(f"power cut to the first page, {store}", to_page, page.page_s, None, "s"),
    ]


class Start(NamedTuple):
    """Seconds from the power cut until it judges and until somebody has the first page, the processor time of both, and memory then."""

    wall_s: float
    cpu_s: float
    page_s: float
    page_cpu_s: float
    page_mb: float

    def __str__(self) -> str:
        return (
            f"judging after {self.wall_s:.2f} s ({self.cpu_s:.2f} s of processor time), page {self.page_s:.2f} s ({self.page_cpu_s:.2f} s)"
        )


def _start(config: Path, environment: dict[str, str]) -> Start:
    """Start the command, ask for the page as soon as it judges, and kill it once that has come."""
    begun = time.monotonic()
    command = [sys.executable, "-m", "monitor.cli", "run", "--config", str(config)]
    with subprocess.Popen(command, cwd=config.parent, env=environment, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if "Larderer watches" in line:
                wall_s, cpu_s = time.monotonic() - begun, _cpu_s(process.pid)
                with urllib.request.urlopen(line.split()[-1], timeout=60) as answer:
                    answer.read()
                started = Start(wall_s, cpu_s, time.monotonic() - begun, _cpu_s(process.pid), resident_mb(process.pid))
                break
        else:
            raise RuntimeError(f"the command ended with {process.wait()} before it watched")
        process.kill()
    return started


def _cpu_s(pid: int) -> float:
    """Processor time of a process so far (proc(5), stat: utime and stime)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", maxsplit=1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _make(folder: Path) -> None:
    """Thirty days of readings, then a lot and a quarter of an hour told as it comes; the process ends at once."""
    from monitor import ledger
    from monitor.config import load_config
    from monitor.desk import Hand
    from monitor.service import Service
    from monitor.store import readings
    from monitor.store.readings import Arrival
    from rules.reading import HOUR, MINUTE, SECOND, Instant, Reading

    end: Instant = time.time_ns() // 1000 // SECOND * SECOND - MINUTE
    now = end - DAYS * 24 * HOUR
    service = Service(load_config(write_site(folder)), clock=lambda: now, drivers=(), tick_s=3600.0, exports=False)

    def put(rows: Sequence[Arrival], at: Instant, conn: Connection) -> None:
        readings.store(conn, rows)
        ledger.seal(conn, at, entered_at=at)

    cores = [f"core-{n}" for n in range(SENDERS)]
    while now < end - LAST_MIN * MINUTE:
        instants = range(now, min(now + 6 * HOUR, end - LAST_MIN * MINUTE), EVERY_S * SECOND)
        arrivals = [Arrival(Reading(core, at, 3.0 + at // SECOND % 7 / 10), at) for at in instants for core in cores]
        now = instants[-1] + EVERY_S * SECOND
        service.writer.submit(partial(put, arrivals, now)).result()
    service.start()
    odile = Hand("Odile Marsh", "operator")
    service.desk.start_lot(odile, "links", lot="J-1")
    for core in cores:
        service.desk.place(odile, "J-1", core)
    while now < end:
        now += SECOND
        service.intake.readings([Reading(core, now, 3.0 + now // SECOND % 7 / 10) for core in cores]).result()
        if now % (10 * SECOND) == 0:
            service.writer.submit(partial(service.pipeline.tick, now=now)).result()
    with service.store.read() as conn:
        print(f"{readings.count(conn):,} readings", flush=True)
    os._exit(0)


if __name__ == "__main__":
    _make(Path(sys.argv[1]))
