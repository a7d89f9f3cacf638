"""Judge recorded readings offline: files in, the Judge JSON out, and the same as sentences for a person."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from monitor.errors import InputError
from probes.csv_replay import iter_csv_file, read_csv_file
from probes.events_csv import read_events_file
from rules.engine import Engine
from rules.errors import EventError
from rules.growth_over_lot import add_growth
from rules.history import arrange, in_order
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import format_instant
from rules.reading import Event, Fault, Instant, LotEvent, Reading, Tick


def read_plan(path: Path) -> Plan:
    """The plan in a file; InputError where there is none, PlanError with every mistake in it."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path} cannot be read as a plan ({error}); write the path of a UTF-8 TOML file") from error
    return load_plan(text, path.name)


def judge_files(plan: Path, readings: Path, events: Path | None = None, at: Instant | None = None) -> dict[str, Any]:
    """The Judge JSON of a plan, a Readings CSV and an Events CSV, as it stood at `at` (default: the last row)."""
    judged_by = read_plan(plan)
    humidity = [p.id for p in judged_by.probes if p.place == "humidity"]
    known = [p.id for p in judged_by.probes]
    if events is None:
        rows = read_csv_file(readings, known, humidity)
        # A plan of rooms alone has no lot to run.
        return judge(judged_by, [*(one_lot(judged_by, rows, readings.stem) if judged_by.products else ()), *rows], at)
    entries = read_events_file(events)

    def one_by_one() -> Iterator[Event]:
        return in_order((e for e in entries if at is None or e.at <= at), _until(at, _ordered(iter_csv_file(readings, known, humidity))))

    try:
        try:
            # An export's rows stand in order, and its day may be a million of them: they are judged as they are read.
            return _judged(judged_by, one_by_one, at)
        except _Unordered:
            return judge(judged_by, [*entries, *read_csv_file(readings, known, humidity)], at)
    except (InputError, EventError) as error:
        raise InputError(f"{events}: {error}") from error


def one_lot(plan: Plan, rows: list[Reading | Fault], name: str) -> list[LotEvent]:
    """The entries of a single lot where no Events CSV was given: the only product's only step, every core probe placed."""
    if len(plan.products) != 1 or len(plan.products[0].steps) != 1:
        raise InputError(
            "without an Events CSV the plan must have one product with one step; give --events EVENTS.csv with start, step, place and end"
        )
    if not rows:
        raise InputError(f"{name} has no readings; give a Readings CSV with at least one row below its header")
    first, last = min(r.at for r in rows), max(r.at for r in rows)
    cores = [p.id for p in plan.probes if p.place == "core"]
    start = LotEvent(first, "start", name, plan.products[0].code)
    return [start, *(LotEvent(first, "place", name, core) for core in cores), LotEvent(last, "end", name)]


def judge(plan: Plan, events: list[Event], at: Instant | None = None) -> dict[str, Any]:
    """The Judge JSON of events in any order. Offline nothing is late or future; rows after `at` do not exist."""
    arranged = arrange(e for e in events if at is None or e.at <= at)
    return _judged(plan, lambda: arranged, at)


class _Unordered(Exception):
    """The rows of a file do not come by instant."""


def _ordered(rows: Iterable[Reading | Fault]) -> Iterator[Reading | Fault]:
    before: Instant | None = None
    for row in rows:
        if before is not None and row.at < before:
            raise _Unordered
        before = row.at
        yield row


def _until(at: Instant | None, rows: Iterable[Reading | Fault]) -> Iterator[Reading | Fault]:
    """The rows up to `at`; the others are read too, since one that is bad is an error wherever it stands."""
    return (row for row in rows if at is None or row.at <= at)


def _judged(plan: Plan, arranged: Callable[[], Iterable[Event]], at: Instant | None) -> dict[str, Any]:
    """The Judge JSON of events that `arranged` gives, in the engine's order, as often as it is asked."""
    engine = Engine(plan)
    last = at
    for event in arranged():
        try:
            engine.feed(event)
        except EventError as error:
            text = str(error)
            if isinstance(event, LotEvent) and not text.startswith("event "):
                text = f"event {event.event} of lot {event.lot} at {format_instant(event.at)}: {text}"
            raise InputError(text) from error
        last = event.at if at is None else at
    if last is not None:
        engine.feed(Tick(last))
    report = engine.report()
    add_growth(report, plan, arranged())
    return report


def exit_code(report: dict[str, Any]) -> int:
    """0 all met; 1 something deviated or unproven, of any class; 3 something still open."""
    limits = [limit["verdict"] for lot in report["lots"] for limit in lot["limits"]]
    verdicts = {*limits, *(lot["verdict"] for lot in report["lots"])}
    standing = {day["verdict"] for day in report["standing"]} - {"open"}
    if {"deviated", "unproven"} & (verdicts | standing):
        return 1
    return 3 if "open" in verdicts else 0


def canonical(report: dict[str, Any]) -> str:
    """The report as the one JSON text that an export and a recomputation share."""
    return json.dumps(report, ensure_ascii=False, indent=1) + "\n"
