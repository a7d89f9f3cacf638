"""What stands judged, as the Judge JSON of `larderer judge --json`. Nothing in it depends on Ticks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rules.limits.watch import Watch
from rules.plan import Site
from rules.quantity import format_instant
from rules.remedy import facts, words
from rules.run import Run
from rules.sources import source_facts

if TYPE_CHECKING:
    from rules.engine import Engine
    from rules.lot import Lot
    from rules.standing import StandingRoom

#: Findings that ask somebody to do something.
ALARMS = (
    "deviated", "unproven", "left-short", "warming", "prompt", "unconfirmed", "pulled-early", "not-in-the-meat",
    "check-due", "heading-out", "off", "fire-out",
)  # fmt: skip


def report(engine: Engine) -> dict[str, Any]:
    """Every lot, alarm and problem so far."""
    lots = [lot_report(lot) for lot in engine.lots.values()]
    said = sorted((f for lot in engine.lots.values() for f in lot.said if f.what in ALARMS), key=lambda f: f.at)
    deviated = {(f.at, f.lot, f.step, f.limit, f.probe) for f in said if f.what == "deviated"}
    said = [f for f in said if f.what != "off" or (f.at, f.lot, f.step, f.limit, f.probe) not in deviated]  # one cause, one alarm
    alarms = [
        {"at": format_instant(f.at), "lot": f.lot, "step": f.step, "limit": f.limit, "probe": f.probe, "what": f.what, "text": f.text}
        for f in said
    ]
    standing = [day for room in engine.standing for day in room.closed]
    standing += [standing_day(room, day, run) for room in engine.standing for day, run in room.closing_run]
    standing += [standing_day(room, room.day, room.run) for room in engine.standing if room.run is not None]
    # Of two of one instant a Tick may have let either out first.
    told = sorted(engine.doubtful.problems, key=lambda p: (p.at, p.probe, p.what))
    problems = [{"at": format_instant(p.at), "what": p.what, "probe": p.probe, "text": p.text} for p in told]
    return {"lots": lots, "alarms": alarms, "standing": standing, "corrections": [], "problems": problems}


def lot_report(lot: Lot) -> dict[str, Any]:
    """One lot: where it is, its verdict, and each limit of each step in the product's order."""
    limits = []
    for run in lot.runs.values():
        verdict, reason = lot.limit_verdict(run)
        limits.append(_limit(run, run.key.split("/", 1)[0], verdict.value, reason, lot.plan.site, going=lot.ended is None))
    where: dict[str, Any] = {
        "lot": lot.id,
        "product": lot.product.code,
        "verdict": lot.verdict().value,
        "started": format_instant(lot.started),
        "ended": None if lot.ended is None else format_instant(lot.ended),
        "steps": list(lot.current),
        "unconfirmed": lot.advance.prompt is not None,
    }
    if lot.advance.prompt is not None:
        where["prompt"] = {
            "at": format_instant(lot.advance.prompt["at"]),
            "from": lot.advance.prompt["from"],
            "to": lot.advance.prompt["to"],
        }
    doubted = {probe: [[format_instant(at) for at in ends] for ends in found] for probe, found in sorted(lot.doubted.items()) if found}
    if doubted:
        where["suspect"] = doubted
    return {**where, "limits": limits}


def _limit(run: Run, step: str, verdict: str, reason: str, site: Site, *, going: bool) -> dict[str, Any]:
    limit = run.limit
    shown: dict[str, Any] = {
        "step": step,
        "limit": limit.name,
        "kind": limit.kind,
        "class": "critical" if limit.critical else "operating",
        "verdict": verdict,
        **source_facts(limit),
    }
    if reason:
        shown["reason"] = reason
    return {**shown, "watches": [_watch(run, w, site, going=going) for w in run.all_watches()]}


def _watch(run: Run, watch: Watch, site: Site, *, going: bool) -> dict[str, Any]:
    as_it_stands = watch.shown()
    shown: dict[str, Any] = {
        "probe": as_it_stands.probe,
        "verdict": as_it_stands.verdict.value,
        "at": None if as_it_stands.at is None else format_instant(as_it_stands.at),
        "margin": as_it_stands.margin,
        "reason": as_it_stands.reason,
        "evidence": _instants(as_it_stands.evidence),
    }
    remedy = watch.remedy() if going else None
    if remedy is not None and (told := _remedy(watch, facts(remedy, site.unit), site)):
        shown["evidence"]["remedy"] = told
    if not run.counted(watch):
        shown["counted"] = False
    return shown


def _remedy(watch: Watch, found: dict[str, Any], site: Site) -> dict[str, Any]:
    """What would still meet it, in numbers and in words, as of the newest reading (so that Ticks change nothing)."""
    text = words(found, site.unit, site.zone, watch.last_at if watch.last_at is not None else watch.opened)
    return {"text": text, **_instants(found)} if text else {}


def _instants(value: Any, key: str = "") -> Any:
    """Evidence with every `…_at` as text."""
    if isinstance(value, dict):
        return {k: _instants(v, k) for k, v in value.items()}
    if isinstance(value, list):
        return [_instants(v) for v in value]
    if key.endswith("_at") and isinstance(value, int):
        return format_instant(value)
    return value


def standing_day(room: StandingRoom, day: str, run: Run) -> dict[str, Any]:
    """One standing limit on one local day."""
    verdict, reason = run.verdict()
    return {"room": room.room, "day": day, **_limit(run, "", verdict.value, reason, room.plan.site, going=False)}
