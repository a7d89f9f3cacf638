"""Looks after the store between readings: sums up each hour, deletes what is old enough, and rings before something is amiss.

Each of its jobs is small, so that no reading waits for it. It runs in the writer's thread, in a transaction of its own: what fails
here costs no judging.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection

from monitor import copies, deviation_facts, ledger, retention, summaries
from monitor.alarms import store_causes
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import Cause
from monitor.alarms.listing import open_rows
from monitor.config import Config
from monitor.deviations import Deviations
from monitor.judging import Judging
from monitor.memory import give_back
from rules.quantity import parse_instant
from rules.reading import HOUR, MINUTE, Instant, Span

#: Room and copies change slowly: they are looked at this often.
LOOK_EVERY: Span = MINUTE
#: While nothing was old enough to be deleted, that is asked this often.
SWEEP_EVERY: Span = HOUR
#: A disk that hovers at its mark does not ring again and again.
_BACK: Final = 1.2


class Caretaker:
    """The upkeep of one site's store; `look` at every tick."""

    def __init__(self, config: Config, alarms: Alarms, judging: Judging, book: Deviations) -> None:
        self._config, self._alarms, self._judging, self._book = config, alarms, judging, book
        self._looked_at: Instant | None = None
        self._swept_at: Instant | None = None
        self._summed_at: Instant | None = None
        self._more = False
        self._replaced = 0

    def forget(self) -> None:
        """A transaction was undone: look again at the next occasion."""
        self._looked_at = self._swept_at = self._summed_at = None

    def look(self, conn: Connection, now: Instant) -> None:
        """Do what is due."""
        if self._summed_at is None:
            last = ledger.newest(conn, summaries.KIND)
            self._summed_at = (copies.begun(conn) or now) if last is None else last.entered_at
        due = now // summaries.EVERY != self._summed_at // summaries.EVERY
        if due and not summaries.write(conn, now, self._serves):
            self._summed_at = now
        self._deviations(conn, now)
        if _due(self._looked_at, now, LOOK_EVERY):
            self._looked_at = now
            # The parts of an engine point at each other: one that was replaced keeps its megabytes until somebody looks for it.
            give_back(cycles=self._judging.replaced != self._replaced)
            self._replaced = self._judging.replaced
            self._room(conn, now)
            self._copy(conn, now)
            self._rehearsal(conn, now)
            if self._more or _due(self._swept_at, now, SWEEP_EVERY):
                self._swept_at = now
                self._more = retention.sweep(conn, now, self._config.store.keep).more

    def _deviations(self, conn: Connection, now: Instant) -> None:
        """Fill in the facts of what was found since the last look."""
        engine = self._judging.engine
        if self._judging.stale:
            return
        with self._judging.lock:
            for one in self._book.unfilled(conn):
                lot, step, limit = one["lot"], one["step"], one["limit"]
                known = [
                    {}
                    if "from" in seen
                    else deviation_facts.observed(conn, engine, lot, step, limit, seen["probe"], parse_instant(seen["at"]))
                    for seen in one["observed"]
                ]
                told = [{**seen, **more} for seen, more in zip(one["observed"], known, strict=True)]
                since, until = min(parse_instant(t["from"]) for t in told), max(parse_instant(t["to"]) for t in told)
                self._book.fill(conn, one["id"], known, deviation_facts.affected(engine, lot, step, since, until), now)

    def _room(self, conn: Connection, now: Instant) -> None:
        spare = self._config.store.spare_mb
        free = shutil.disk_usage(self._config.data).free // 1_000_000
        if free < spare:
            self._raise_once(conn, store_causes.little_room(now, free, spare), now)
        elif free >= spare * _BACK:
            self._clear(conn, store_causes.ROOM, now)

    def _copy(self, conn: Connection, now: Instant) -> None:
        every = self._config.store.copy_every
        if not every:
            return
        last, first = copies.newest(conn), copies.begun(conn)
        due = (last if last is not None else now if first is None else first) + every
        if due <= now:
            self._raise_once(conn, store_causes.copy_due(due, last, every, now), now)
        else:
            self._clear(conn, store_causes.COPY, now)

    def _rehearsal(self, conn: Connection, now: Instant) -> None:
        every = self._config.backup.rehearse_every
        if self._config.backup.folder is None or not every:
            self._clear(conn, store_causes.REHEARSAL, now)
            return
        last, wrong = copies.tried(conn)
        first = copies.begun(conn)
        due = (last if last is not None else now if first is None else first) + every
        if last is not None and wrong:
            self._alarms.raise_(conn, store_causes.rehearsal_failed(last, wrong), now)  # worse than one that is due, which may ring already
        elif due <= now:
            self._raise_once(conn, store_causes.rehearsal_due(due, last, every, now), now)
        else:
            self._clear(conn, store_causes.REHEARSAL, now)

    def _raise_once(self, conn: Connection, cause: Cause, now: Instant) -> None:
        if not any(row["rang_at"] is None or row["state"] in ("B", "C") for row in open_rows(conn, cause.key)):
            self._alarms.raise_(conn, cause, now)

    def _clear(self, conn: Connection, key: str, now: Instant) -> None:
        if open_rows(conn, key):
            self._alarms.clear(conn, key, now)

    def _serves(self, name: str) -> Mapping[str, Any]:
        """Where a probe is, and in which lots: those it is placed in, or those whose step is in its room."""
        engine = self._judging.engine
        probe = next((p for p in engine.plan.probes if p.id == name), None)
        if probe is None:
            return {}
        lots = []
        for lot in engine.lots.values():
            rooms = {lot.step(step).room for step in lot.current}
            if lot.ended is None and (name in lot.placed or (probe.room and probe.room in rooms)):
                lots.append({"lot": lot.id, "product": lot.product.code, "product_name": lot.product.name, "steps": list(lot.current)})
        return {"place": probe.place, "room": probe.room or "", "lots": lots}


def _due(last: Instant | None, now: Instant, every: Span) -> bool:
    """Whether it is time again; also after a clock that was set back."""
    return last is None or not 0 <= now - last < every
