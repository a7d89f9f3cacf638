"""Probes that say nothing, or nothing usable: they ring while a lot or a room depends on them.

A fault or a suspect reading is evidence of nothing (`judging.md` section 1), so a probe that gives only those is as
good as silent, and is told with what it gives. Probes that fall silent together have one cause, and a probe whose
source is gone has that one: it is told once.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from sqlalchemy import Connection

from monitor.alarms import causes, troubles
from monitor.alarms.alarms import Alarms
from monitor.alarms.causes import Cause
from monitor.alarms.listing import open_rows
from monitor.store.evidence import is_future
from rules.engine import Engine
from rules.plan import Plan
from rules.quantity import format_instant
from rules.reading import SECOND, Fault, Instant, Reading, Span

#: The first of several is not told before the others had time to fall silent too.
GATHER: Final[Span] = 30 * SECOND
#: Silent since instants this close together is one trouble: probes behind one gateway read at their own intervals.
TOGETHER: Final[Span] = 90 * SECOND
_SILENT, _FAULT = "silent", "fault"


class _Missed(NamedTuple):
    """A probe that gives nothing usable: how (silent, fault), since when, in whose place, and what it gives."""

    probe: str
    how: str
    since: Instant
    overdue: Span
    serving: tuple[str, ...]
    reason: str = ""


class ProbeWatch:
    """Raises and clears the alarms of silent and faulty probes. Works in the writer's thread, inside its transaction."""

    def __init__(self, alarms: Alarms, gone: Callable[[str], str] = lambda probe: "") -> None:
        """`gone(probe)` names the probe's source where that is known to be gone, else ""."""
        self._alarms, self._gone = alarms, gone
        self._doubt: dict[str, tuple[Instant, str]] = {}  # probe: since when it gives nothing usable, and what it gives
        self._waited: dict[str, Instant] = {}  # probe never heard by this clock: since when it was waited for
        self._idle: dict[str, Instant] = {}  # probe that says nothing usable: when it was last seen that nothing depends on it
        # What stands: the key of the alarm by (probe, how), and since when each key stands; None: to be read from the store.
        self._rung: dict[tuple[str, str], str] | None = None
        self._since: dict[str, Instant] = {}

    def forget(self) -> None:
        """A transaction was undone: what is remembered may be ahead of the store."""
        self._rung = None
        self._doubt.clear()

    def hear(self, conn: Connection, items: Sequence[Reading | Fault], now: Instant) -> None:
        """These came: a probe that gives a temperature again is no longer silent or faulty."""
        rung = self._standing(conn)
        if not rung and not self._doubt and not self._waited:  # nearly every group: nothing stands that a good reading could clear
            items = [item for item in items if not isinstance(item, Reading) or item.suspect]
        for item in items:
            why = item.reason if isinstance(item, Fault) else item.suspect
            if not why and item.probe in self._waited:
                self._waited[item.probe] = max(self._waited[item.probe], min(item.at, now))
            if not why and not rung and not self._doubt:
                continue  # nearly every reading: nothing stands that it could clear
            since = self._doubt.get(item.probe)
            if why:
                if since is None:
                    self._doubt[item.probe] = (item.at, why)
            elif since is None or item.at > since[0]:
                self._doubt.pop(item.probe, None)
                self._over(conn, item.probe, _FAULT, now)
            self._over(conn, item.probe, _SILENT, now)

    def look(self, conn: Connection, plan: Plan, engine: Engine, now: Instant) -> None:
        """Time has moved on: ring for what has said nothing usable for longer than its `silent_after`."""
        rung = self._standing(conn)
        for (name, how), key in [*rung.items()]:
            if key.startswith("source/") and causes.source_gone(self._gone(name), 0, "").key != key:
                del rung[name, how]  # its source is back: it is silent by itself from now on, or was heard already
        missed = []
        for probe in plan.probes:
            heard, doubt = engine.heard(probe.id), self._doubt.get(probe.id)
            if heard is not None and is_future(heard, now):
                heard = None  # dated while the clock was ahead: it says nothing of now
            told = (probe.id, _SILENT) in rung or (probe.id, _FAULT) in rung
            if heard is not None and now - heard <= probe.silent_after and doubt is None and not told:
                continue  # nearly every probe at nearly every tick: who depends on it is asked only where it matters
            serving = tuple(engine.serving(probe.id))
            if not serving:  # nobody depends on it any more: in a drawer, or its lot has ended
                self._waited.pop(probe.id, None)
                self._idle[probe.id] = now
                self._over(conn, probe.id, _SILENT, now)
                self._over(conn, probe.id, _FAULT, now)
                continue
            if heard is None:  # placed, or in a room of a lot, and never a word from it, or none by this clock
                heard = self._waited[probe.id] = min(self._waited.get(probe.id, now), now)
            # What depends on it anew is a new trouble, although the probe has been dead for longer: told once is not told to this lot.
            anew = self._idle.get(probe.id, heard)
            if (overdue := now - heard - probe.silent_after) > 0:
                missed.append(_Missed(probe.id, _SILENT, max(heard, anew), overdue, serving))
            elif doubt is not None and (overdue := now - doubt[0] - probe.silent_after) > 0:
                missed.append(_Missed(probe.id, _FAULT, max(doubt[0], anew), overdue, serving, doubt[1]))
        # One that gave faults and then nothing is one trouble, told already.
        self._tell(conn, [one for one in missed if (one.probe, _SILENT) not in rung and (one.probe, _FAULT) not in rung], engine, now)

    def _tell(self, conn: Connection, missed: list[_Missed], engine: Engine, now: Instant) -> None:
        """Ring once for each trouble: a source that is gone, those that fell silent together, those that answer alike."""
        rung, groups, beside = self._standing(conn), dict[tuple[str, str], list[_Missed]](), dict[str, list[_Missed]]()
        for one in missed:
            if source := self._gone(one.probe):
                rung[one.probe, one.how] = self._raise(conn, _with_source(conn, source, one), now)
            elif key := self._beside(one):
                beside.setdefault(key, []).append(one)
            else:
                groups.setdefault((one.how, one.reason), []).append(one)
        for key, more in beside.items():
            if max(one.overdue for one in more) >= GATHER:
                self._join(conn, key, more, engine, now)
        for group in groups.values():
            if max(one.overdue for one in group) < GATHER:
                continue
            cause = _cause(group)
            if cause.key in rung.values():  # stands for others that fell silent with it then: this is another trouble
                cause = replace(cause, key=f"{cause.key}/{format_instant(cause.since)}")
            for one in group:
                rung[one.probe, one.how] = self._raise(conn, replace(cause, member=one.probe), now)

    def _join(self, conn: Connection, key: str, more: list[_Missed], engine: Engine, now: Instant) -> None:
        """More probes of a trouble that stands: its words name all, new ones first; who has seen it without them is told (`widens`)."""
        rung, since = self._standing(conn), self._since[key]
        known = [_Missed(probe, how, since, 0, tuple(engine.serving(probe))) for (probe, how), its in rung.items() if its == key]
        cause = replace(_cause([*more, *known]), key=key, since=since, widens=True)
        for one in more:
            rung[one.probe, one.how] = self._raise(conn, replace(cause, member=one.probe), now)

    def _beside(self, one: _Missed) -> str:
        """The key of an alarm that stands for probes that fell silent when this one did, or ""."""
        return next(
            (
                key
                for (_, how), key in self._standing(None).items()
                if how == one.how == _SILENT and key.startswith("probe/") and abs(self._since[key] - one.since) <= TOGETHER
            ),
            "",
        )

    def _raise(self, conn: Connection, cause: Cause, now: Instant) -> str:
        self._alarms.raise_(conn, cause, now)
        self._since.setdefault(cause.key, cause.since)
        return cause.key

    def _over(self, conn: Connection, probe: str, how: str, now: Instant) -> None:
        key = self._standing(conn).pop((probe, how), None)
        if key is not None:
            self._alarms.clear(conn, key, now, probe)
            if key not in self._standing(conn).values():
                self._since.pop(key, None)

    def _standing(self, conn: Connection | None) -> dict[tuple[str, str], str]:
        if self._rung is None:
            assert conn is not None
            self._rung, self._since = {}, {}
            for row in open_rows(conn):
                if row["key"].startswith(("probe/", "source/")):
                    how = _FAULT if f"/{_FAULT}" in row["key"] else _SILENT
                    self._rung |= {(probe, how): row["key"] for probe in json.loads(row["members"]) if probe}
                    self._since[row["key"]] = row["since"]
        return self._rung


def _with_source(conn: Connection, source: str, one: _Missed) -> Cause:
    """The cause of a probe that is silent with its source; news where it is needed only since somebody has seen that the source is gone."""
    cause = replace(causes.source_gone(source, one.since, f"{one.probe} is silent with it."), member=one.probe)
    stands = next(iter(open_rows(conn, cause.key)), None)
    if stands is None or stands["acknowledged_at"] is None or one.since <= stands["acknowledged_at"]:
        return cause
    text = f"{one.probe} is silent with it, and is needed since {format_instant(one.since)}."
    return replace(cause, since=stands["since"], text=text, where=", ".join(one.serving), widens=True)


def _cause(group: list[_Missed]) -> Cause:
    probes, since = [one.probe for one in group], min(one.since for one in group)
    where = ", ".join(dict.fromkeys(place for one in group for place in one.serving))
    if group[0].how == _SILENT:
        return troubles.probes_silent(probes, since, where)
    return troubles.probes_fault(probes, since, group[0].reason, where)
