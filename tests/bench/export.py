"""Export of a whole day of 16 probes at 1 Hz and six lots: seconds, peak memory of the process that exports, and what the service holds.

The day is put into the store as if it had been received then, sealed every ten minutes; the service starts, judges it, and exports it
in a process of its own. `python -m tests.bench.export FOLDER fill HOURS`, then `FOLDER export DAY`, are the children that do so. All
figures of the day are invented.
"""

from __future__ import annotations

import json
import math
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.bench.figures import Figure
from tests.bench.served import ROOT, resident_mb
from tests.bench.site import SENDERS, write_site

LOTS = 6
HOURS = 24
#: The service is watched for so long before the export.
SETTLE_S = 30.0
#: The service answers on the machine of a small plant; an export beside it may take so much more.
AIM_MB = 200.0


def core_c(share: float, probe: int) -> float:
    """An invented core temperature at this share of its lot: cooked, then chilled."""
    if share < 0.4:
        return 2.0 + (74.0 + probe / 8 - 2.0) * (1 - math.exp(-share * 12))
    return 3.0 + 71.0 * math.exp(-(share - 0.4) * 14)


def fill(folder: Path, hours: int) -> tuple[str, int]:
    """Make the store with its day; the day's name, and how many readings it has."""
    from monitor import ledger
    from monitor.config import load_config
    from monitor.store import events, plans, readings
    from monitor.store.database import Store
    from probes.clock import now
    from rules.plan_load import load_plan
    from rules.quantity import from_datetime, local
    from rules.reading import HOUR, MINUTE, SECOND, LotEvent, Reading

    config = load_config(write_site(folder))
    config.data.mkdir(parents=True, exist_ok=True)
    today = local(now()).replace(hour=0, minute=0, second=0, microsecond=0)
    begins = from_datetime(today) - 24 * HOUR
    ends = begins + hours * HOUR
    text = config.plan.read_text(encoding="utf-8")
    count = 0
    with Store(config.data / "larderer.sqlite") as store:
        with store.write() as conn:
            plans.put(conn, load_plan(text).sha256, text, begins - HOUR)
        for lot in range(LOTS):
            at, name = begins + (lot + 1) * SECOND, f"L{lot}"
            cores = range(lot * SENDERS // LOTS, (lot + 1) * SENDERS // LOTS)
            entered = [LotEvent(at, "start", name, "links"), *(LotEvent(at, "place", name, f"core-{n}") for n in cores)]
            entered += [LotEvent(begins + (ends - begins) * 4 // 10 + lot * SECOND, "step", name, "chill")]
            entered += [LotEvent(ends - MINUTE - lot * SECOND, "end", name)]
            with store.write() as conn:
                for event in entered:
                    events.add(conn, event, event.at)
        for since in range(begins, ends, 10 * MINUTE):
            rows = [
                readings.Arrival(Reading(f"core-{n}", at, round(core_c((at - begins) / (ends - begins), n), 2)), at + SECOND // 10)
                for at in range(since, since + 10 * MINUTE, SECOND)
                for n in range(SENDERS)
            ]
            count += len(rows)
            with store.write() as conn:
                readings.store(conn, rows)
                ledger.seal(conn, rows[-1].received_at, entered_at=rows[-1].received_at)
    return local(begins).date().isoformat(), count


def child(folder: Path, day: str) -> None:
    """Start the service on the filled store, export the day through it, and print what that took as JSON."""
    from monitor.commands.run import spare_what_stands
    from monitor.config import load_config
    from monitor.service import Service

    one = Service(load_config(folder / "larderer.toml"), drivers=[], exports=False)
    begun = time.monotonic()
    one.start()
    spare_what_stands()  # as `larderer run` does
    judged_s = time.monotonic() - begun
    most, stop = [0.0], threading.Event()

    def watch() -> None:
        while not stop.wait(0.2):
            most[0] = max(most[0], resident_mb())

    watching = threading.Thread(target=watch)
    watching.start()
    time.sleep(SETTLE_S)  # what the service does by itself after a start is none of the export's
    before, most[0] = most[0], 0.0
    used, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    path = Path(one.export_day(day))
    seconds, after = time.monotonic() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    stop.set()
    watching.join()
    told = {
        "seconds": seconds,
        "cpu_s": after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime,
        "peak_mb": after.ru_maxrss * 1024 / 1e6,
        "before_mb": before,
        "most_mb": most[0],
        "after_mb": resident_mb(),
        "judged_s": judged_s,
        "folder_mb": sum(p.stat().st_size for p in path.iterdir()) / 1e6,
        "problems": json.loads((path / "manifest.json").read_text(encoding="utf-8"))["problems"],
    }
    print(json.dumps(told), flush=True)
    one.close()


def said(folder: Path, *what: str) -> dict[str, Any]:
    """What a child says; each has a process of its own, so that what one has held is not counted as the other's."""
    command = [sys.executable, "-m", "tests.bench.export", str(folder), *what]
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)}, check=True)
    return dict(json.loads(next(line for line in done.stdout.splitlines() if line.startswith("{"))))


def run(say: Callable[[str], None], hours: int = HOURS) -> list[Figure]:
    """The figures of one day's export."""
    with tempfile.TemporaryDirectory() as name:
        filled = said(Path(name), "fill", str(hours))
        told = said(Path(name), "export", filled["day"])
    say(f"export: {filled}, {told}")
    if told["problems"]:
        raise RuntimeError(f"the day does not repeat: {told['problems'][0]}")
    grown = told["most_mb"] - told["before_mb"]
    what = f"export of {hours} h, {SENDERS} probes at 1 Hz, {LOTS} lots"
    text = f"{told['seconds']:.0f} s ({told['cpu_s']:.0f} s of processor time), {filled['readings']:,} readings, {told['folder_mb']:.0f} MB"
    service = f"{told['before_mb']:.0f} MB at most before, {told['most_mb']:.0f} MB at most while it ran, {told['after_mb']:.0f} MB after"
    return [
        Figure(what, text, told["seconds"], None, "s"),
        Figure("peak memory of the process that exports", f"{told['peak_mb']:.0f} MB", told["peak_mb"], AIM_MB, "MB"),
        Figure("what the service holds more meanwhile", service, grown, 5.0, "MB"),
    ]


if __name__ == "__main__":
    if sys.argv[2] == "fill":
        made, rows = fill(Path(sys.argv[1]), int(sys.argv[3]))
        print(json.dumps({"day": made, "readings": rows}), flush=True)
    else:
        child(Path(sys.argv[1]), sys.argv[3])
