"""Probes that say nothing, or nothing usable: they ring while a lot or a room depends on them.

A fault or a suspect reading is evidence of nothing (`judging.md` section 1), so a probe that gives only those is as
good as silent, and is told with what it gives.
"""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection

from monitor.alarms import causes
from monitor.alarms.alarms import Alarms
from monitor.alarms.listing import open_rows
from rules.engine import Engine
from rules.plan import Plan
from rules.reading import Fault, Instant, Reading

_KEYS = "probe/"


class ProbeWatch:
    """Raises and clears the alarms of silent and faulty probes. Works in the writer's thread, inside its transaction."""

    def __init__(self, alarms: Alarms) -> None:
        self._alarms = alarms
        self._doubt: dict[str, tuple[Instant, str]] = {}  # probe: since when it gives nothing usable, and what it gives
        self._waited: dict[str, Instant] = {}  # probe that never said anything: since when something depends on it
        self._rung: set[str] | None = None  # keys of the alarms that stand; None: to be read from the store

    def forget(self) -> None:
        """A transaction was undone: what is remembered may be ahead of the store."""
        self._rung = None
        self._doubt.clear()

    def hear(self, conn: Connection, items: Iterable[Reading | Fault], now: Instant) -> None:
        """These came: a probe that gives a temperature again is no longer silent or faulty."""
        rung = self._standing(conn)
        for item in items:
            why = item.reason if isinstance(item, Fault) else item.suspect
            if not why and not rung and not self._doubt:
                continue  # nearly every reading: nothing stands that it could clear
            since = self._doubt.get(item.probe)
            if why:
                if since is None:
                    self._doubt[item.probe] = (item.at, why)
            elif since is None or item.at > since[0]:
                self._doubt.pop(item.probe, None)
                self._over(conn, causes.probe_fault(item.probe, now, "", "").key, now)
            self._over(conn, causes.probe_silent(item.probe, now, "").key, now)

    def look(self, conn: Connection, plan: Plan, engine: Engine, now: Instant) -> None:
        """Time has moved on: ring for what has said nothing usable for longer than its `silent_after`."""
        rung = self._standing(conn)
        for probe in plan.probes:
            heard, doubt = engine.heard(probe.id), self._doubt.get(probe.id)
            usable = heard is not None and now - heard <= probe.silent_after and doubt is None
            if usable and not any(key in rung for key in _keys(probe.id)):
                continue  # nearly every probe at nearly every tick: who depends on it is asked only where it matters
            serving = engine.serving(probe.id)
            if not serving:  # nobody depends on it any more: in a drawer, or its lot has ended
                self._waited.pop(probe.id, None)
                for key in _keys(probe.id):
                    self._over(conn, key, now)
                continue
            if heard is None:  # placed, or in a room of a lot, and never a word from it
                heard = self._waited.setdefault(probe.id, now)
            where = ", ".join(serving)
            if now - heard > probe.silent_after:
                cause = causes.probe_silent(probe.id, heard, where)
            elif doubt is not None and now - doubt[0] > probe.silent_after:
                cause = causes.probe_fault(probe.id, doubt[0], doubt[1], where)
            else:
                continue
            if cause.key not in rung:
                rung.add(cause.key)
                self._alarms.raise_(conn, cause, now)

    def _over(self, conn: Connection, key: str, now: Instant) -> None:
        rung = self._standing(conn)
        if key in rung:
            rung.discard(key)
            self._alarms.clear(conn, key, now)

    def _standing(self, conn: Connection) -> set[str]:
        if self._rung is None:
            self._rung = {row["key"] for row in open_rows(conn) if row["key"].startswith(_KEYS)}
        return self._rung


def _keys(probe: str) -> tuple[str, str]:
    """The keys under which a probe is told as silent and as giving nothing usable."""
    return causes.probe_silent(probe, 0, "").key, causes.probe_fault(probe, 0, "", "").key
