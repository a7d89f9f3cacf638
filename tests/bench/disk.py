"""What records cost on the disk: bytes written and fsyncs while 16 probes read once a second, growth, and a year that still answers.

The hour is simulated at the pace of the store: each second of it is one group of 16 readings and a tick, committed as the service
commits readings that nobody waits for, once a second. Bytes are those handed to the system and those that go to the device, in whole
pages (`wchar` and `write_bytes` of proc(5); the second needs a folder for temporary files that is on a disk). Fsyncs are counted by
strace(1); where that is missing the commits stand for them. The year's rows are made by SQL and not sealed; what is asked of it is real.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.bench.figures import Figure, written_bytes
from tests.bench.site import SENDERS

ROOT = Path(__file__).resolve().parent.parent.parent
AIM_WRITTEN = 3000.0
AIM_FSYNCS = 4000.0
AIM_STORED = 80.0
AIM_DAY_S = 1.0
HOUR_S = 3600
MONTH_READINGS = SENDERS * 86_400 * 30
#: The year needs about 3 GB; with less room than this it is shortened, and the row says so.
ROOM = 8_000_000_000
_MARKS = ("begin", "end")


def run(say: Callable[[str], None]) -> list[Figure]:
    """The figures of the disk."""
    with tempfile.TemporaryDirectory() as folder:
        hour = _hour(Path(folder))
        say(f"disk: {hour}")
    with tempfile.TemporaryDirectory() as folder:
        year = _year(Path(folder), say)
    stored = hour["grown"] / hour["readings"]
    month = stored * MONTH_READINGS / 1e9
    counted = "strace" if hour["fsyncs"] is not None else "NOT COUNTED, strace is missing: the commits"
    fsyncs = hour["fsyncs"] if hour["fsyncs"] is not None else hour["commits"]
    return [
        Figure(
            f"written to disk a reading, {SENDERS} probes once a second, an hour",
            f"{hour['written'] / 1e6:.0f} MB for {hour['readings']:,} readings, the log's copy into the tables included",
            hour["written"] / hour["readings"], AIM_WRITTEN, "bytes",
        ),
        Figure(
            f"written to the device in a day, {SENDERS} probes once a second",
            f"{hour['device'] / 1e6:.0f} MB in that hour, in whole pages; handed to the system {hour['written'] * 24 / 1e9:.2f} GB a day",
            hour["device"] * 24 / 1e9, None, "GB a day",
        ),
        Figure("fsyncs in that hour", f"{fsyncs:,} ({counted}) for {hour['commits']:,} commits", float(fsyncs), AIM_FSYNCS, "an hour"),
        Figure(
            "the database's growth a reading, everything included",
            f"{hour['grown'] / 1e6:.2f} MB in that hour; {month:.2f} GB a month at {SENDERS} a second, a tenth at one in 10 s",
            stored, AIM_STORED, "bytes",
        ),
        Figure(
            f"a day out of {year['days']} days of {SENDERS} probes every 10 s: every reading of it",
            f"{year['rows']:,} rows, {year['mb']:,.0f} MB, {year['mb'] * 1e6 / year['rows']:.1f} bytes each; "
            f"{year['day_rows']:,} read with {year['day_cpu']:.2f} s of processor time",
            year["day_s"], AIM_DAY_S, "s",
        ),
        Figure("the same day, of one probe", f"{year['probe_rows']:,} read", year["probe_s"], AIM_DAY_S, "s"),
        Figure("the same day, summed up by probe", f"{SENDERS} lines", year["sum_s"], AIM_DAY_S, "s"),
    ]  # fmt: skip


def _hour(folder: Path) -> dict[str, Any]:
    """Run the hour in a child of its own, under strace where there is one."""
    trace = folder / "fsyncs.txt"
    command = [sys.executable, "-m", "tests.bench.disk", str(folder / "site"), str(HOUR_S)]
    strace = shutil.which("strace")
    if strace is not None:
        command = [strace, "-f", "-qq", "--seccomp-bpf", "-e", "trace=fsync,fdatasync,mkdir", "-o", str(trace), *command]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)}, check=True)
    told: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    told["fsyncs"] = None
    if strace is not None:
        lines = trace.read_text(errors="replace").splitlines()
        begin, end = (next(n for n, line in enumerate(lines) if "mkdir" in line and f"mark-{mark}" in line) for mark in _MARKS)
        told["fsyncs"] = sum("sync(" in line for line in lines[begin:end])
    return told


def simulate(folder: Path, seconds: int) -> dict[str, Any]:
    """The child: a service with a lot whose 16 cores read once a second, for so many simulated seconds."""
    from monitor.config import load_config
    from monitor.service import Service
    from rules.quantity import parse_instant
    from rules.reading import SECOND, LotEvent, Reading
    from tests.bench.site import write_site

    folder.mkdir(parents=True)
    now = [parse_instant("2026-03-02T08:00:00Z")]
    one = Service(load_config(write_site(folder)), clock=lambda: now[0], drivers=(), tick_s=1e9, exports=False)
    one.start()
    entries = [LotEvent(now[0], "start", "L", "links"), *(LotEvent(now[0], "place", "L", f"core-{n}") for n in range(SENDERS))]
    for entry in entries:
        one.writer.submit(lambda conn, entry=entry: one.pipeline.event(conn, entry)).result()

    def second(n: int) -> None:
        now[0] += SECOND
        for probe in range(SENDERS):
            celsius = round(min(75.0, 20 + n / 60) + probe / 10 + (n % 7) / 50, 2)
            one.intake.readings([Reading(f"core-{probe}", now[0] - probe * 50_000, celsius)], waiting=False)
        ticked = one.writer.submit(lambda conn: one.pipeline.tick(conn, now[0]), waiting=False)
        one._look_after(now[0])
        one.writer.urgent()
        ticked.result()

    for n in range(120):  # tables and the log reach their size
        second(n)
    size, commits, count = _size(one.store.path), one.writer.commits, sum(one.intake.counts.values())
    os.mkdir(folder / "mark-begin")
    handed, paged = written_bytes()
    for n in range(seconds):
        second(120 + n)
    written, device = (now - before for now, before in zip(written_bytes(), (handed, paged), strict=True))
    os.mkdir(folder / "mark-end")
    told = {
        "readings": sum(one.intake.counts.values()) - count, "commits": one.writer.commits - commits, "written": written, "device": device,
        "grown": _size(one.store.path) - size,
    }  # fmt: skip
    one.close()
    return told


def _size(path: Path) -> int:
    """The database's pages in use, in bytes, wherever they stand: in the file or still in the log."""
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(path)) as conn:
        pages, free, size = (conn.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "freelist_count", "page_size"))
    return int((pages - free) * size)


def _year(folder: Path, say: Callable[[str], None]) -> dict[str, Any]:
    """Make the year, then ask a day of it."""
    import sqlite3
    from contextlib import closing

    from monitor import summaries
    from monitor.store import readings
    from monitor.store.database import Store
    from rules.quantity import parse_instant
    from rules.reading import HOUR

    days = 365 if shutil.disk_usage(folder).free > ROOM else 30
    path, t0 = folder / "larderer.sqlite", parse_instant("2025-03-02T00:00:00Z")
    Store(path).open().close()
    begun = time.perf_counter()
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA synchronous=OFF")
        conn.execute("PRAGMA cache_size=-64000")
        conn.executemany("INSERT INTO probe_name(id, name) VALUES (?, ?)", [(n + 1, f"core-{n}") for n in range(SENDERS)])
        for first in range(0, days, 5):
            last = min(first + 5, days) * 8640
            conn.execute(_FILL, {"t0": t0, "first": first * 8640, "last": last, "senders": SENDERS})
            conn.commit()
        conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    say(f"disk: {days} days made in {time.perf_counter() - begun:.0f} s")
    day = t0 + (days // 2) * 24 * HOUR
    with Store(path, create=False) as store, store.read() as conn:
        rows = days * 8640 * SENDERS
        told: dict[str, Any] = {"days": days, "rows": rows, "mb": path.stat().st_size / 1e6}

        def timed(name: str, ask: Callable[[], int]) -> None:
            best = cpu = float("inf")
            for _ in range(3):
                begun, used = time.perf_counter(), time.process_time()
                told[f"{name}_rows"] = ask()
                best, cpu = min(best, time.perf_counter() - begun), min(cpu, time.process_time() - used)
            told[f"{name}_s"], told[f"{name}_cpu"] = best, cpu

        timed("day", lambda: sum(1 for _ in readings.between(conn, day, day + 24 * HOUR)))
        timed("probe", lambda: sum(1 for _ in readings.between(conn, day, day + 24 * HOUR, ["core-3"])))
        timed("sum", lambda: len(summaries._readings(conn, (0, 2**62), [[day + 1, day + 24 * HOUR]])))
    return told


#: A row for each probe and each 10 s, in the order of the table, as if received 40 ms later.
_FILL = """
WITH RECURSIVE tick(n) AS (SELECT :first UNION ALL SELECT n + 1 FROM tick WHERE n + 1 < :last),
probe(p) AS (SELECT 1 UNION ALL SELECT p + 1 FROM probe WHERE p < :senders)
INSERT INTO reading(at, probe, seq, celsius, offset_c, suspect, received_at)
SELECT :t0 + n * 10000000, p, n * :senders + p, 3.0 + p / 10.0 + (n % 97) / 50.0, 0.0, NULL,
:t0 + n * 10000000 + 40000 FROM tick CROSS JOIN probe
"""


if __name__ == "__main__":
    print(json.dumps(simulate(Path(sys.argv[1]), int(sys.argv[2]))))
