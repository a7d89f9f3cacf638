"""lots.json: what `larderer judge` says of the files just written, from those files and nothing else."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable, Collection, Sequence
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from monitor.export.extract import Window
from probes.events_csv import read_events_file, write_events
from rules.plan import Plan

#: Judges files as `larderer judge PLAN READINGS --events EVENTS --json` does: (plan, readings, events) -> Judge JSON.
Judge = Callable[[Path, Path, Path], dict[str, Any]]


def plan_name(index: int, count: int) -> str:
    """plan.toml is the day's own; older versions by which a lot of the day is judged are plan-1.toml, plan-2.toml …"""
    return "plan.toml" if index == count - 1 else f"plan-{index + 1}.toml"


def judged(folder: Path, span: Window, loaded: Sequence[Plan], judge: Judge) -> dict[str, Any]:
    """What is judged from the files; with several plan versions, each judges the lots that started under it.

    Rooms are then judged by the day's own plan; alarms and problems of all stand together in order of time.
    """
    if len(loaded) == 1:
        return judge(folder / "plan.toml", folder / "readings.csv", folder / "events.csv")
    parts = [_part(folder, plan_name(i, len(loaded)), plan, span.lots_of[i], judge) for i, plan in enumerate(loaded)]
    by_lot = {lot["lot"]: lot for part in parts for lot in part["lots"]}
    alarms = sorted((a for part in parts for a in part["alarms"]), key=lambda a: str(a["at"]))
    unique = list({tuple(sorted(p.items())): p for part in parts for p in part["problems"]}.values())
    return {**parts[-1], "lots": [by_lot[lot] for lot in span.lots if lot in by_lot], "alarms": alarms, "problems": unique}


def _part(folder: Path, name: str, plan: Plan, lots: Collection[str], judge: Judge) -> dict[str, Any]:
    """One plan version's lots, judged from the rows that concern them and the probes it knows."""
    known, own = {p.id for p in plan.probes}, set(lots)
    work = Path(mkdtemp(prefix=".judge-", dir=folder))
    try:
        with (work / "events.csv").open("w", encoding="utf-8", newline="") as out:
            write_events(out, [e for e in read_events_file(folder / "events.csv") if e.lot in own])
        with (
            (folder / "readings.csv").open(encoding="utf-8", newline="") as source,
            (work / "readings.csv").open("w", encoding="utf-8", newline="") as out,
        ):
            rows, writer = csv.reader(source), csv.writer(out, lineterminator="\n")
            writer.writerow(next(rows))
            writer.writerows(row for row in rows if row[1] in known)
        return judge(folder / name, work / "readings.csv", work / "events.csv")
    finally:
        shutil.rmtree(work)
