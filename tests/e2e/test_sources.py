"""Sources through the real service: a serial line unplugged twenty times, and a store that cannot be written while readings come."""

import os
import pty
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from monitor import ledger
from monitor.demo.site import demo_plan
from monitor.intake import IntakeLimits
from probes.driver import backoff
from probes.driver import load as load_driver
from rules.quantity import format_instant
from rules.reading import MINUTE, SECOND, Fault, Reading

TIMES = 20


class Line:
    """A serial port whose path stays while the adapter behind it comes and goes."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ends: tuple[int, int] | None = None

    def plug(self) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        self._ends = master, slave
        self.path.symlink_to(os.ttyname(slave))

    def write(self, text: str) -> None:
        assert self._ends is not None
        os.write(self._ends[0], text.encode())

    def unplug(self) -> None:
        if self._ends is not None:
            self.path.unlink()
            for end in self._ends:
                os.close(end)
            self._ends = None


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    line = Line(tmp_path / "port")
    yield line
    with suppress(OSError):
        line.unplug()


def descriptors() -> int:
    """What is open but the store's own files: its readers keep up to four connections, whenever that many are first needed at once."""
    held = 0
    for name in os.listdir("/proc/self/fd"):
        with suppress(OSError):  # the folder's own, which is closed by now
            held += ".sqlite" not in os.readlink(f"/proc/self/fd/{name}")
    return held


def entries(site: Any, kind: str) -> list[dict[str, Any]]:
    with site.service.store.read() as conn:
        return [dict(entry.body) for entry in ledger.entries(conn, kind=kind)]


@pytest.mark.full
def test_serial_line_unplugged_twenty_times_leaves_gaps_and_nothing_else(
    plant: Callable[..., Any], until: Any, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each outage is on record and rings, what came before and after is stored, nothing is put in between, and nothing leaks."""
    monkeypatch.setattr("probes.serial_text.backoff", lambda: backoff(0.01, 0.05))
    site = plant(demo_plan())
    names = ["core-1", "core-2"]
    columns = ["time", *names]
    site.up([load_driver("serial", {"port": str(line.path), "name": "house line", "columns": columns, "unit": "C"})])
    service = site.service
    sent = []
    base = 0, 0
    for n in range(TIMES):
        line.plug()
        until(lambda: service.sources.get("house line") is True, f"plugged {n}")
        at = site.clock() - (TIMES - n) * MINUTE
        line.write(f"rest\r\n{format_instant(at)},{n + 1}.5,{n + 2}.5\r\n{format_instant(at + SECOND)},OL,9")  # the last line is cut off
        sent += [("core-1", at, n + 1.5), ("core-2", at, n + 2.5)]
        until(lambda n=n: len(site.items()) == 2 * (n + 1), f"readings {n}")
        if n == 3:  # by now everything that is made once has been made
            base = descriptors(), threading.active_count()
        if n >= 3:  # another thread may be reading the store just now; what leaks stays
            until(lambda base=base: descriptors() <= base[0] and threading.active_count() <= base[1], f"nothing left open, {n}")
        line.unplug()
        until(lambda: service.sources.get("house line") is False, f"unplugged {n}")
    items = site.items()
    assert sorted((item.probe, item.at, item.celsius) for item in items if isinstance(item, Reading)) == sorted(sent)
    assert not [item for item in items if isinstance(item, Fault)]

    def told() -> list[bool]:
        return [body["connected"] for body in entries(site, "source") if body["source"] == "house line"]

    until(lambda: told().count(True) == TIMES and not told()[-1], "the last outage on record")
    assert told().count(True) == TIMES
    assert told().count(False) >= TIMES
    site.sound()


def test_what_found_no_room_is_on_record_once_the_store_is_back(plant: Callable[..., Any], until: Any) -> None:
    """While the file of the store is gone nothing can be recorded, the loss least of all; afterwards it stands there whole, and rings."""
    site = plant(demo_plan()).up()
    service = site.service
    service.intake.limits = IntakeLimits(probes=service.intake.limits.probes, queued=10, patience_s=0.0)
    sink, start = service.intake.sink(waiting=False), site.clock() - MINUTE
    path = Path(str(service.store.path))
    away = path.with_name("away")
    path.rename(away)
    kept = [sink.readings([Reading("core-1", start + n, 4.0)]) for n in range(5)]
    lost = [sink.readings([Reading("core-1", start + SECOND + n, 4.0)]) for n in range(7)]
    service.intake_trouble.source("house line", False, "house line: gone.")
    until(lambda: all(future.done() for future in lost), "the losses")
    away.rename(path)
    until(lambda: all(future.done() for future in kept), "what found room")
    service.intake_trouble.write()
    until(lambda: sum(body["items"] for body in entries(site, "lost")) == 7, "the losses on record")
    until(lambda: [b["source"] for b in entries(site, "source")] == ["house line"], "the outage on record")
    assert sum(isinstance(item, Reading) for item in site.items()) == 5
    with service.store.read() as conn:
        causes = {alarm["what"] for alarm in service.alarms.open_alarms(conn)}
    assert {"records cannot be kept", "source house line is gone"} <= causes
