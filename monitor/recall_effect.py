"""What a recall would change: every lot that the probe served, and its room's days, judged twice from the store and compared.

Once as it stands, once with the error taken off, in one pass over the readings; as `larderer judge` on the export of those days would,
so it does not matter how long ago a lot ended. Nothing is written here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import groupby
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from monitor import lot_log
from monitor.days import day_of, day_span
from monitor.recalls import Recalled, Stretch
from monitor.store import events, plans, readings
from monitor.store.readings import Stored
from monitor.store.schema import lot_event
from rules.engine import Engine
from rules.finding import Finding
from rules.history import arrange, standing
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import local
from rules.reading import Event, Instant, LotEvent, Tick

VERDICTS = ("met", "deviated", "unproven")
#: A room's days are judged this many at a time, since an engine keeps the closed days of two months only.
_DAYS_AT_ONCE = 30

Progress = Callable[[str], None]


class Change(NamedTuple):
    """One watch that another verdict, or another instant, comes of. A room's day has no `lot`; `step` is then the room."""

    lot: str
    product: str
    step: str
    limit: str
    probe: str
    critical: bool
    was: str
    was_at: str | None
    now: str
    now_at: str | None
    reason: str
    day: str = ""

    @property
    def turned(self) -> bool:
        """Whether the verdict itself is another."""
        return self.was != self.now

    @property
    def better(self) -> bool:
        """Whether the lot would stand better for it."""
        return self.turned and _RANK[self.now] < _RANK[self.was]


_RANK = {"met": 0, "open": 1, "unproven": 2, "deviated": 3}


@dataclass(slots=True)
class Effect:
    """What taking the error off one stretch does.

    `served`: the lots looked into; `findings`: what was not said before, by lot ("" for rooms); `reports`, `plans`: of the lots
    that stand otherwise, as they will stand; `days`: the local days whose export will be another.
    """

    stretch: Stretch
    served: list[str] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    findings: dict[str, list[Finding]] = field(default_factory=dict)
    reports: dict[str, dict[str, Any]] = field(default_factory=dict)
    plans: dict[str, Plan] = field(default_factory=dict)
    days: list[str] = field(default_factory=list)

    @property
    def turned(self) -> list[Change]:
        """The changes of a verdict, the worst first."""
        return sorted((c for c in self.changes if c.turned), key=lambda c: (c.better, not c.critical, c.lot))


class Versions:
    """Plans by when they were in force, each loaded once."""

    def __init__(self, conn: Connection, current: Plan) -> None:
        self._conn, self._current = conn, current
        self._loaded = {current.sha256: current}

    def at(self, at: Instant) -> Plan:
        """The plan in force at an instant; the first one before any was."""
        version = plans.in_force(self._conn, at)
        return self._current if version is None else self.load(version)

    def load(self, version: plans.PlanVersion) -> Plan:
        """One version, loaded."""
        if version.sha256 not in self._loaded:
            self._loaded[version.sha256] = load_plan(version.text, "plan in the store")
        return self._loaded[version.sha256]


def effect_of(conn: Connection, stretch: Stretch, plan: Plan, now: Instant, progress: Progress = lambda _: None) -> Effect:
    """Judge what the stretch touches, as it stands and with `stretch` taken into account; read only."""
    versions, before = Versions(conn, plan), Recalled.read(conn)
    after = _Both(before, Recalled([stretch]))
    effect = Effect(stretch)
    touched: set[str] = set()
    for log in served(conn, stretch, versions):
        progress(f"lot {log.lot}")
        own = versions.at(log.started or 0)
        until = now if log.ended is None else log.ended
        entries = [e.event for e in events.of_lot(conn, log.lot) if e.event.at <= until]
        rows = readings.between(conn, (log.started or 0) - 1, until, list(own.probe_by_id))
        ours, theirs = _judged_twice(own, entries, rows, before, after, until)
        was, will = _report(ours, log.lot), _report(theirs, log.lot)
        effect.served.append(log.lot)
        effect.plans[log.lot] = own
        found = list(compared(was, will, log.lot))
        if found or was != will:
            effect.reports[log.lot] = will
            touched |= _days(own, log.started or 0, until)
        effect.changes += found
        said = {f[:-1] for f in ours.lots[log.lot].said}
        effect.findings[log.lot] = [f for f in theirs.lots[log.lot].said if f[:-1] not in said]
    _rooms(conn, effect, versions, before, after, now, touched)
    effect.days = sorted(touched)
    return effect


def served(conn: Connection, stretch: Stretch, versions: Versions) -> Iterator[lot_log.LotLog]:
    """The lots that the probe measured within the stretch: a core probe those it was placed in, a fixed one those that came to its room."""
    ended = select(lot_event.c.lot).where(lot_event.c.event == "end", lot_event.c.at <= (stretch.after or 0))
    undone = select(lot_event.c.lot).where(lot_event.c.event == "undo")
    query = select(lot_event.c.lot).where(lot_event.c.event == "start", lot_event.c.at <= stretch.until)
    query = query.where(lot_event.c.lot.notin_(ended) | lot_event.c.lot.in_(undone)).order_by(lot_event.c.at, lot_event.c.seq)
    for log in lot_log.read_lots(conn, list(dict.fromkeys(conn.execute(query).scalars()))).values():
        if log.started is None or log.started > stretch.until or (log.ended or stretch.until) <= (stretch.after or 0):
            continue
        probe = versions.at(log.started).probe_by_id.get(stretch.probe)
        if probe is None:
            continue
        if probe.place == "core":
            if stretch.probe in log.served:
                yield log
        else:
            product = versions.at(log.started).product_by_code.get(log.product)
            if probe.room is None or product is None or any(s.room in (None, probe.room) for s in product.steps):
                yield log


def _judged_twice(
    plan: Plan, entries: list[LotEvent], rows: Iterable[Stored], before: Recalled, after: Recalled | _Both, until: Instant
) -> tuple[Engine, Engine]:
    ours, theirs = Engine(plan), Engine(plan)
    for event, changed in in_order(entries, rows, before, after):
        ours.feed(event)
        theirs.feed(changed)
    for engine in (ours, theirs):
        engine.feed(Tick(until))
    return ours, theirs


def in_order(entries: list[LotEvent], rows: Iterable[Stored], before: Recalled, after: Recalled | _Both) -> Iterator[tuple[Event, Event]]:
    """Entries and stored rows in the engine's order, each as it stands and as it will; never more than one instant's rows in memory."""
    waiting = deque(sorted(standing(entries), key=lambda e: e.at))
    for at, group in groupby(rows, key=lambda s: s.item.at):
        while waiting and waiting[0].at <= at:
            entry = waiting.popleft()
            yield entry, entry
        items = [s.item for s in group]
        yield from zip(arrange([before.item(i) for i in items]), arrange([after.item(i) for i in items]), strict=True)
    for entry in waiting:
        yield entry, entry


class _Both:
    """One recall on top of those there are."""

    def __init__(self, first: Recalled, second: Recalled) -> None:
        self._first, self._second = first, second

    def item(self, item: Any) -> Any:
        """As `Recalled.item`."""
        return self._second.item(self._first.item(item))


def _report(engine: Engine, lot: str) -> dict[str, Any]:
    return next(one for one in engine.report()["lots"] if one["lot"] == lot)


def compared(was: Mapping[str, Any], will: Mapping[str, Any], lot: str) -> Iterator[Change]:
    """The watches of one lot, or of one room's day, that stand otherwise."""
    for old, new in zip(was.get("limits", [was]), will.get("limits", [will]), strict=True):
        step = str(new.get("step") or new.get("room", ""))
        for before, after in zip(old["watches"], new["watches"], strict=True):
            same = before["verdict"] == after["verdict"] and (before["at"] == after["at"] or after["verdict"] == "open")
            if not same:
                yield Change(
                    lot, str(will.get("product", "")), step, new["limit"], after["probe"], new["class"] == "critical",
                    before["verdict"], before["at"], after["verdict"], after["at"], after["reason"], str(new.get("day", "")),
                )  # fmt: skip


def _rooms(conn: Connection, effect: Effect, versions: Versions, before: Recalled, after: _Both, now: Instant, touched: set[str]) -> None:
    """The days of the probe's room that standing limits watch."""
    stretch = effect.stretch
    plan = versions.at(stretch.until)
    probe = plan.probe_by_id.get(stretch.probe)
    if probe is None or probe.place == "core" or not any(probe.room in (None, s.room) for s in plan.standing):
        return
    first = next((s.item.at for s in readings.between(conn, (stretch.after or 0) - 1, stretch.until, [stretch.probe])), None)
    if first is None:
        return
    zone = plan.site.zone
    day, last = local(first, zone).date(), local(stretch.until, zone).date()
    while day <= last:
        final = min(last, day + timedelta(days=_DAYS_AT_ONCE - 1))
        begin, _ = day_span((day - timedelta(days=1)).isoformat(), zone)  # a day before, so that the first one begins as it did
        end = min(day_span(final.isoformat(), zone)[1], now)
        _room_days(conn, effect, versions, before, after, (begin, end), (day.isoformat(), final.isoformat()), touched)
        day = final + timedelta(days=1)


def _room_days(
    conn: Connection,
    effect: Effect,
    versions: Versions,
    before: Recalled,
    after: _Both,
    span: tuple[Instant, Instant],
    days: tuple[str, str],
    touched: set[str],
) -> None:
    begin, end = span
    changes = plans.between(conn, begin, end)
    plan = versions.load(changes[0]) if changes else versions.at(begin)
    later = deque(changes[1:])
    ours, theirs = Engine(plan), Engine(plan)
    found: tuple[list[Finding], list[Finding]] = ([], [])
    # A reading at midnight belongs to both days; the one before the first is not wanted, the one after the last is.
    for event, changed in in_order([], readings.between(conn, begin - 1, end, [effect.stretch.probe]), before, after):
        while later and later[0].since <= event.at:
            following = versions.load(later.popleft())
            for engine in (ours, theirs):
                engine.use(following)
        found[0].extend(ours.feed(event))
        found[1].extend(theirs.feed(changed))
    found[0].extend(ours.feed(Tick(end)))
    found[1].extend(theirs.feed(Tick(end)))
    ours_by, theirs_by = (
        {(d["room"], d["day"], d["limit"]): d for d in engine.report()["standing"] if days[0] <= d["day"] <= days[1]}
        for engine in (ours, theirs)
    )
    for key, now in theirs_by.items():
        if key not in ours_by:
            continue
        listed = [c for c in compared(ours_by[key], now, "") if c.probe == effect.stretch.probe]
        effect.changes += listed
        touched |= {key[1] for _ in listed}
    said = {f[:-1] for f in found[0]}
    zone = versions.at(end).site.zone
    new = [f for f in found[1] if not f.lot and f.what in VERDICTS and f[:-1] not in said and days[0] <= day_of(f.at, zone) <= days[1]]
    effect.findings.setdefault("", []).extend(new)


def _days(plan: Plan, since: Instant, until: Instant) -> set[str]:
    """The local days from one instant to another."""
    day, last = local(since, plan.site.zone).date(), local(until, plan.site.zone).date()
    found = set()
    while day <= last:
        found.add(day.isoformat())
        day += timedelta(days=1)
    return found
