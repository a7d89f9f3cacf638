"""The soak, a command of its own: `python -m tests.soak`, thirty simulated days of faults on the real service; `--days 1` for a quick one.

The service runs in a process of its own with the clock of the story, on its real store, with a telephone at each bell, a
driver that hands the readings over, people who enter, acknowledge and answer, an export each midnight. In the first half of the story
processes are killed and restarted; the second half is one process's life but for a last kill, after which the start is timed. Ends by
itself; 0 where every verdict is repeated and nothing grew, 1 where not.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from monitor.alarms.tables import alarm, outbox
from monitor.store.database import Store
from monitor.store.schema import fault, ledger, reading
from tests.bench.figures import machine, percentile
from tests.soak import again
from tests.soak.story import DAY_MIN, readings_an_hour

ROOT = Path(__file__).resolve().parent.parent.parent
#: A child that says nothing for so long is taken for dead; the longest it is silent is an export of a month.
_SILENT_S = 600.0
AIM_MB, AIM_STORED, AIM_START_S = 110.0, 80.0, 3.0
#: Ended lots stay in memory so long, so that memory is level only after it.
LEVEL_AFTER_DAYS = 14
#: What is taken for growth: more than this share, and more than so much (MB, descriptors, threads, kB). The log fills up to
#: `sqlite.WAL_PAGES`, 4.1 MB, before it is folded back, so that much is none.
GROWTH = {"mb": (0.03, 3.0), "descriptors": (0.0, 2.0), "threads": (0.0, 2.0), "wal_kb": (0.1, 4200.0)}
_NAMES = {"mb": "resident memory, MB", "descriptors": "descriptors", "threads": "threads", "wal_kb": "write-ahead log, kB"}


@dataclass
class Soak:
    """What was seen."""

    samples: list[dict[str, Any]] = field(default_factory=list)
    lives: list[dict[str, float]] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    messages: int = 0
    written: int = 0
    commits: int = 0
    seconds: float = 0.0
    report: dict[str, Any] = field(default_factory=dict)
    now: int = 0
    #: The hour with which the long life begins, and the one with which it ends.
    long: tuple[int, int] = (0, 0)


def live(folder: Path, minutes: int, every_s: int, say: Callable[[str], None]) -> Soak:
    """Run the whole story, life after life."""
    seen, begun = Soak(), time.monotonic()
    half, last = minutes // 2, minutes - 1
    stops = [minutes - 10, minutes] if minutes > 30 else [minutes]
    first = 0
    while first <= last:
        stop = next(s for s in stops if s > first)
        end = life(folder, (minutes, every_s, 0, half, first, stop), seen, say)
        if stop != minutes and end == stop - 1:
            say("soak: the power goes; the next start is timed")
        first = end + 1
        if first <= half + 60:
            seen.long = (first // 60 + 1, (minutes - 10) // 60)
    seen.seconds = time.monotonic() - begun
    return seen


def life(folder: Path, story: tuple[int, ...], seen: Soak, say: Callable[[str], None]) -> int:
    """One process's life; the last minute that is durable."""
    command = [sys.executable, "-m", "tests.soak.child", str(folder), *map(str, story)]
    done, killed_for_power = story[4] - 1, story[5] != story[0]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)}) as process:
        assert process.stdout is not None
        newest: dict[str, Any] = {}
        for line in process.stdout:
            told = json.loads(line)
            if "started_s" in told:
                seen.lives.append(told)
            elif "done" in told:
                done = told["done"]
                seen.messages += told["messages"]
                if killed_for_power and done == story[5] - 1:
                    process.kill()
                    break
            elif "hour" in told:
                newest = told
                seen.samples.append({name: told[name] for name in ("hour", *_NAMES)} | {"life": len(seen.lives)})
                if told["hour"] % 24 == 23:
                    kept = ", ".join(f"{told[name]:.0f} {_NAMES[name]}" for name in _NAMES)
                    say(f"soak: day {told['hour'] // 24 + 1} lived; {kept}; {time.strftime('%H:%M:%S')}")
            elif "end" in told:
                seen.report, seen.now = told["report"], told["now"]
                seen.messages += told["messages"]
        process.stdout.close()
        code = process.wait(60)
    if code not in (0, -9):
        raise RuntimeError(f"the service ended with {code} after minute {done} of the story")
    seen.counts.update(newest.get("counts", {}))
    seen.written += newest.get("written", 0)
    seen.commits += newest.get("commits", 0)
    return int(done)


def thirds(samples: list[dict[str, Any]], name: str) -> tuple[float, float, float]:
    """The median of the first and of the last third, and the most of all."""
    values = [float(one[name]) for one in samples]
    third = max(1, len(values) // 3)
    return percentile(values[:third], 0.5), percentile(values[-third:], 0.5), max(values)


def grew(samples: list[dict[str, Any]]) -> list[str]:
    """A sentence for each thing that the last third holds more of than the first."""
    out = []
    for name, (share, least) in GROWTH.items():
        before, after, _ = thirds(samples, name)
        if after - before > max(least, share * before):
            out.append(f"{_NAMES[name]} grew from {before:,.1f} to {after:,.1f}")
    return out


def rows(folder: Path) -> dict[str, int]:
    """What the store holds."""
    path = folder / "data" / "larderer.sqlite"
    with Store(str(path)).open() as store, store.read() as conn:
        found = {
            table.name: conn.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (reading, fault, ledger, alarm, outbox)
        }
        for kind, number in conn.execute(select(ledger.c.kind, func.count()).group_by(ledger.c.kind)):
            found[f"ledger: {kind}"] = number
        pages, free, size = (conn.exec_driver_sql(f"PRAGMA {what}").scalar_one() for what in ("page_count", "freelist_count", "page_size"))
    found["bytes"] = (pages - free) * size
    return found


def run(folder: Path, days: float, every_s: int, say: Callable[[str], None]) -> tuple[list[str], list[str]]:
    """The soak; its lines for people, and a sentence for each thing that is wrong."""
    minutes = round(days * DAY_MIN)
    seen = live(folder, minutes, every_s, say)
    say("soak: judging again from the store")
    begun = time.process_time()
    compared, wrong = again.differences(folder / "data" / "larderer.sqlite", seen.report, seen.now)
    again_s = time.process_time() - begun
    exported, differing = again.exports(folder / "data" / "exports" / "ferncliff")
    held = rows(folder)
    stored = held["reading"] + held["fault"]
    expected = readings_an_hour(every_s) * minutes // 60
    verdicts = Counter(lot["verdict"] for lot in seen.report["lots"])
    long_life = [one for one in seen.samples if seen.long[0] <= one["hour"] < seen.long[1]] or seen.samples
    lines = [
        f"{days:g} simulated days, 16 probes, a reading every {every_s} s each, two lots a day, a fault every hour; "
        f"{seen.seconds / 60:.1f} min of this machine's time, {len(seen.lives)} processes",
        f"readings: {stored:,} stored of some {expected:,} ({held['fault']:,} of them faults); "
        + ", ".join(f"{number:,} {what}" for what, number in sorted(seen.counts.items())),
        f"findings: {held.get('ledger: finding', 0):,}; corrections {held.get('ledger: correction', 0):,}; "
        f"records in the ledger {held['ledger']:,}",
        f"alarms: {held['alarm']:,}; messages: {held['outbox']:,} written, {seen.messages:,} heard by the telephones",
        f"the lots still in memory at the end: {', '.join(f'{n} {what}' for what, n in sorted(verdicts.items())) or 'none'}",
        f"verdicts: {compared:,} held against a clean replay of the stored rows ({again_s:.0f} s), {len(wrong)} differ; "
        f"{exported} exported days judged again from their files, {len(differing)} differ",
        f"the database: {held['bytes'] / 1e6:,.1f} MB, {held['bytes'] / max(1, stored):.1f} bytes a reading, records and all "
        f"(aim: under {AIM_STORED:g})",
        f"written to the device: {seen.written / 1e6 / max(days, 1 / 24):,.0f} MB a simulated day, in {seen.commits:,} commits; "
        "what the processes that export write is not counted",
    ]  # fmt: skip
    for name, what in _NAMES.items():
        whole, part = thirds(seen.samples, name), thirds(long_life, name)
        lines.append(
            f"{what}: first third {whole[0]:,.1f}, last third {whole[1]:,.1f}, most {whole[2]:,.1f}; "
            f"in the longest life ({len(long_life)} h) {part[0]:,.1f} and {part[1]:,.1f}"
        )
    last = seen.lives[-1]
    lines.append(
        f"start after the last kill, with all of it in the store, its upkeep's first look included: {last['started_s']:.2f} s, "
        f"{last['started_cpu_s']:.2f} s of them processor time (aim: {AIM_START_S:g} s)"
    )
    lines.append(f"resident memory at the end of the longest life: {long_life[-1]['mb']:.0f} MB (aim: {AIM_MB:g} MB)")
    growth = grew(long_life)
    if growth and days < 2 * LEVEL_AFTER_DAYS:
        lines.append(f"not judged, since ended lots stay in memory for {LEVEL_AFTER_DAYS} days: " + "; ".join(growth))
        growth = [one for one in growth if not one.startswith(_NAMES["mb"])]
    return lines, [*wrong, *differing, *growth]


def main(arguments: list[str]) -> int:
    """Run it and print what it found."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--days", type=float, default=30.0, help="simulated days (default 30)")
    parser.add_argument("--every", type=int, default=10, metavar="SECONDS", help="a reading of each probe so often (default 10)")
    parser.add_argument("--folder", type=Path, help="keep everything there (default: a temporary folder, deleted)")
    given = parser.parse_args(arguments)

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    about = machine()
    with tempfile.TemporaryDirectory() as temporary:
        lines, wrong = run(given.folder or Path(temporary), given.days, given.every, say)
    print(
        "\n".join(
            [
                about,
                "",
                *lines,
                "",
                *(f"WRONG: {one}" for one in wrong[:50]),
                "soak: not as it should be" if wrong else "soak: as it should be",
            ]
        )
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
