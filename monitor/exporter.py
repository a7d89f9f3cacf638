"""The day's export as the service makes it: each local midnight by itself, or when somebody asks, in a process of its own.

What is owed is read from the folders that are there, so that a midnight at which the power was out, the disk
was full or the program was down is made up for later.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select

from monitor import ledger
from monitor.alarms import causes
from monitor.alarms.alarms import Alarms
from monitor.config import Config
from monitor.days import day_span
from monitor.errors import ExportError, MonitorError
from monitor.export.onward import Onward
from monitor.log import get_logger
from monitor.provisional import unsettled
from monitor.store import plans
from monitor.store.database import Store
from monitor.store.schema import ledger as ledger_table
from monitor.store.schema import recall
from monitor.store.writer import Writer
from rules.errors import QuantityError
from rules.plan import Site
from rules.quantity import local, parse_instant
from rules.reading import HOUR, MINUTE, Instant, Span

log = get_logger(__name__)
#: After midnight, so that readings on their way have arrived.
EXPORT_AFTER: Span = 5 * MINUTE
#: A re-judgement that is owed is waited for so long after that; where something is late all the time, one is owed nearly always.
LATE_AT_MOST: Span = HOUR
#: So many days back a missed export is made up for by itself, and the last day before a longer stop; an older one somebody asks for.
DAYS_OWED = 7
#: An export that failed is tried again after this.
AGAIN_AFTER: Span = HOUR
_LOOK_EVERY: Span = MINUTE
_LONGEST_S = 900


class Exporter:
    """Makes exports under `config.data`/exports/<site id>/. `report` gives the Judge JSON of this moment, to be held against the files."""

    def __init__(
        self,
        config: Config,
        site: Site,
        store: Store,
        writer: Writer,
        alarms: Alarms,
        clock: Callable[[], Instant],
        report: Callable[[], Any],
    ) -> None:
        self._config, self._site, self._store, self._writer, self._alarms = config, site, store, writer, alarms
        self._clock, self._report = clock, report
        self._looked_at: Instant | None = None
        self._tried: dict[str, Instant] = {}
        self._recalls: int | None = None  # the newest recall whose days are known to have been exported since
        self._left: str | None = None  # the last day before a stop that was longer than what is made up for; blank: there was none
        self._made_since: set[str] = set()  # days known to have been exported after their end, with nothing late owed
        self._thread: threading.Thread | None = None
        self._process: subprocess.Popen[str] | None = None
        self._closed = False
        self._carrying: threading.Thread | None = None
        self._onward = Onward(config, site, store, writer, alarms)

    def look(self, now: Instant) -> None:
        """Begin what is owed by now, if nothing is being made; from the ticker, so it must be quick."""
        if self._looked_at is not None and abs(now - self._looked_at) < _LOOK_EVERY:
            return
        self._looked_at = now
        if self._closed or (self._thread is not None and self._thread.is_alive()):
            return
        days = [day for day in self.owed(now) if not 0 <= now - self._tried.get(day, now - AGAIN_AFTER) < AGAIN_AFTER]
        if days:
            self._tried = dict.fromkeys(days, now) | {day: at for day, at in self._tried.items() if day not in days}
            self._thread = threading.Thread(target=self._make, args=(days,), name="export", daemon=True)
            self._thread.start()
        if self._onward.wanted and (self._carrying is None or not self._carrying.is_alive()):
            self._carrying = threading.Thread(target=self._carry, args=(self._thread,), name="export onward", daemon=True)
            self._carrying.start()

    def owed(self, now: Instant) -> list[str]:
        """The local days that are over, in which a plan was in force, and that have no export; oldest first."""
        zone = self._site.zone
        today = local(now, zone).date()
        days = [(today - timedelta(days=back)).isoformat() for back in range(DAYS_OWED, 0, -1)]
        home = self._config.data / "exports" / self._site.id
        with self._store.read() as conn:
            if self._left is None:
                self._left = self._left_on(conn, day_span(days[0], zone)[0], day_span(today.isoformat(), zone)[0])
            if self._left:
                days.insert(0, self._left)
            # The day is exported once what came late is judged, not twice; should that not end, it is exported all the same.
            waiting = bool(unsettled(conn))
            after = EXPORT_AFTER + (LATE_AT_MOST if waiting else 0)
            missing = [d for d in days if day_span(d, zone)[1] + after <= now and not self._is_made(home, d, judged=not waiting)]
            changed = [] if waiting else [d for d in self._recalled(conn, home) if d not in missing]
            return [*changed, *(d for d in missing if plans.in_force(conn, day_span(d, zone)[1]) is not None)]

    def _left_on(self, conn: Connection, since: Instant, today: Instant) -> str:
        """The day on which something was last written before `today`, where that is before `since`: it was off ever after; else blank."""
        written = ledger_table.c.entered_at
        last = conn.execute(select(written).where(written < today).order_by(ledger_table.c.seq.desc()).limit(1)).scalar()
        return local(last, self._site.zone).date().isoformat() if last is not None and last < since else ""

    def _recalled(self, conn: Connection, home: Path) -> list[str]:
        """The days that were exported before a recall that changes them, oldest first; the revision before it stays."""
        if self._recalls == (number := conn.execute(select(func.max(recall.c.id))).scalar()):
            return []
        days: set[str] = set()
        for entry in ledger.entries(conn, kind="recall"):
            days |= {d for d in entry.body["days"] if 0 < self._made_at(home, d) < entry.at}
        if not days:
            self._recalls = number
        return sorted(days)

    @staticmethod
    def _made_at(home: Path, day: str) -> Instant:
        """When a day's newest revision was made; 0 where there is none to be read."""
        made = 0
        for folder in (home / day, *home.glob(f"{day}-r*")):
            try:
                made = max(made, parse_instant(json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["made_at"]))
            except (OSError, ValueError, KeyError, TypeError, QuantityError):
                continue
        return made

    def _is_made(self, home: Path, day: str, *, judged: bool) -> bool:
        """Whether an export of the whole day is there (`judged`: with nothing late owed); one made before its midnight does not count."""
        if day in self._made_since:
            return True
        for folder in (home / day, *home.glob(f"{day}-r*")):
            try:
                manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
            except (OSError, ValueError):
                continue
            if not isinstance(manifest, dict) or not manifest.get("day_over"):
                continue
            if not manifest.get("being_judged"):
                self._made_since.add(day)
                return True
            if not judged:
                return True
        return False

    def _make(self, days: list[str]) -> None:
        for day in days:
            if self._closed:
                return
            try:
                log.info("export", day=day, path=str(self.export(day)))
            except ExportError as error:
                log.error("export", day=day, text=str(error))
            except MonitorError as error:  # the store: it rings by itself, and the export is tried again
                log.error("export", day=day, text=str(error))

    def _carry(self, making: threading.Thread | None) -> None:
        """Copy and tell what has been made. In a thread of its own: a disk that hangs must keep no later day from its export."""
        if making is not None:
            making.join()
        try:
            if not self._closed:
                self._onward.go(self._clock())
        except (MonitorError, OSError) as error:  # looked at again within a minute
            log.error("export onward", text=str(error))

    def export(self, day: str) -> Path:
        """Export a local day, held against what stands judged now; the folder.

        Raises ExportError with what the process said, which rings. Where judging the files does not repeat what was
        found live, the folder is there all the same: that rings too, since nobody should sign such a day.
        """
        code, out, text = self._run(day)
        now = self._clock()
        over = day_span(day, self._site.zone)[1] + EXPORT_AFTER <= now
        if code == 0:
            key = causes.export_failed(day, now, "").key
            self._writer.submit(lambda conn: self._alarms.clear(conn, key, now), waiting=False)
            return Path(out)
        if not self._closed and (code == 3 or over):  # a failure within the day is told to who asked: it is made again at midnight
            cause = (causes.export_differs if code == 3 else causes.export_failed)(day, now, text)
            self._writer.submit(lambda conn: self._alarms.raise_(conn, cause, now)).result()
        raise ExportError(text)

    def _run(self, day: str) -> tuple[int, str, str]:
        """Exit code, the folder and what was said by the process that exports."""
        try:
            with tempfile.TemporaryDirectory(dir=self._config.data) as folder:
                live = Path(folder) / "live.json"
                live.write_text(json.dumps(self._report(), ensure_ascii=False), encoding="utf-8")
                command = [sys.executable, "-m", "monitor.export", "--config", str(self._config.path), "--now", str(self._clock())]
                command += ["--live", str(live), day]
                with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
                    self._process = process
                    try:
                        out, err = process.communicate(timeout=_LONGEST_S)
                    except subprocess.TimeoutExpired:
                        process.kill()
                        raise
        except OSError as error:
            return 2, "", f"the export of {day} cannot be made ({error.strerror or error}); look to the disk and its room"
        except subprocess.TimeoutExpired:
            return 2, "", f"the export of {day} has taken longer than {_LONGEST_S // 60} min and was given up"
        finally:
            self._process = None
        printed, said = out.strip().splitlines(), err.strip().splitlines()
        # 1 is what any mistake of a Python program ends with, so that 3 alone means that the day does not repeat.
        return process.returncode, printed[-1] if printed else "", said[-1] if said else f"the export of {day} failed"

    def zip(self, day: str) -> Path:
        """The day's newest export as a ZIP file beside its folder."""
        folder = self.export(day)
        made = shutil.make_archive(str(folder.parent / f".{folder.name}-{time.monotonic_ns()}"), "zip", folder.parent, folder.name)
        target = folder.parent / f"{folder.name}.zip"
        os.replace(made, target)
        return target

    def close(self) -> None:
        """End an export that is being made; it is owed still, and made at the next start."""
        self._closed = True
        self._onward.close()
        process = self._process
        if process is not None:
            process.terminate()
        for thread in (self._thread, self._carrying):
            if thread is not None:
                thread.join(timeout=10.0)
