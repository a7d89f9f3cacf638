"""Whether every verdict that was told live is what a clean replay of the stored rows gives, and every export its own files judged."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select

from monitor.judge import canonical, judge_files
from monitor.judging import CORRECTION, FINDING
from monitor.recalls import Recalled
from monitor.replay import stored_plans
from monitor.store import events, readings
from monitor.store.database import Store
from monitor.store.schema import ledger, reading
from rules.engine import Engine
from rules.history import arrange, standing
from rules.reading import HOUR, Event, Instant, Tick

Watch = tuple[str, str, str, str]
_VERDICTS = ("met", "deviated", "unproven")


def replayed(conn: Connection) -> Engine:
    """An engine that no snapshot helped and nothing came late to, fed hour by hour from the store."""
    plans, changes = stored_plans(conn)
    engine = Engine(plans[changes[0][1]])
    entered = sorted(standing(one.event for one in events.since(conn)), key=lambda one: one.at)
    for item in _in_order(conn, entered):
        engine.feed(item)
    return engine


def _in_order(conn: Connection, entered: list[Any]) -> Iterator[Event]:
    low, high = conn.execute(select(func.min(reading.c.at), func.max(reading.c.at))).one()
    at, end = min([low, *(e.at for e in entered)]) - 1, max([high, *(e.at for e in entered)])
    recalled = Recalled.read(conn)
    while at < end:
        rows = [one.item for one in recalled.applied(readings.between(conn, at, at + HOUR))]
        yield from arrange([*(e for e in entered if at < e.at <= at + HOUR), *rows])
        at += HOUR


def told(conn: Connection) -> dict[Watch, str]:
    """The last word of the ledger about each watch of each lot."""
    found: dict[Watch, str] = {}
    query = select(ledger.c.kind, ledger.c.body).where(ledger.c.kind.in_((FINDING, CORRECTION))).order_by(ledger.c.seq)
    for kind, text in conn.execute(query):
        body = json.loads(text)
        verdict = body["now"] if kind == CORRECTION else body["what"]
        if body["lot"] and (kind == CORRECTION or verdict in _VERDICTS):
            found[body["lot"], body["step"], body["limit"], body["probe"]] = verdict
    return {watch: verdict for watch, verdict in found.items() if verdict != "open"}


def said(engine: Engine) -> dict[Watch, str]:
    """The same of an engine."""
    return {(f.lot, f.step, f.limit, f.probe): f.what for lot in engine.lots.values() for f in lot.said if f.what in _VERDICTS}


def differences(store: Path, live: dict[str, Any], now: Instant) -> tuple[int, list[str]]:
    """How many verdicts were held against each other, and a sentence for each that differs."""
    out: list[str] = []
    with Store(str(store)).open() as opened, opened.read() as conn:
        engine, words = replayed(conn), told(conn)
    engine.feed(Tick(max(now, engine.now)))  # a room's day that has begun with no reading yet
    again = said(engine)
    for watch in sorted(words.keys() | again.keys()):
        if words.get(watch) != again.get(watch):
            out.append(f"{' / '.join(watch)}: told {words.get(watch, 'nothing')}, replayed {again.get(watch, 'nothing')}")
    report = engine.report(settle=False)
    lots = {lot["lot"]: lot for lot in report["lots"]}
    for lot in live["lots"]:
        if lot != lots.get(lot["lot"]):
            out.append(f"lot {lot['lot']}: the live report of it is not the replayed one")
    days = {(day["room"], day["limit"], day["day"]): day for day in report["standing"]}
    for day in live["standing"]:
        if day != days.get((day["room"], day["limit"], day["day"])):
            out.append(f"room {day['room']}, {day['day']}: the live report of it is not the replayed one")
    return len(again) + len(live["lots"]) + len(live["standing"]), out


def exports(folder: Path) -> tuple[int, list[str]]:
    """How many exported days were judged again from their files alone, and a sentence for each that differs."""
    out: list[str] = []
    days = sorted(folder.glob("*/lots.json"))
    for lots in days:
        day = lots.parent
        plans = sorted(day.glob("plan*.toml"))
        at = json.loads((day / "manifest.json").read_text(encoding="utf-8"))
        report = judge_files(plans[-1], day / "readings.csv", day / "events.csv")
        if canonical(report) != lots.read_text(encoding="utf-8"):
            out.append(f"export {day.name} (made {at['made_at']}): its lots.json is not what judging its files gives")
    return len(days), out
