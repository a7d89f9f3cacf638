"""Carrying a recall out: the record, the corrections with both verdicts, deviations and alarms, and how it is told.

Lots that the engine holds are judged again by `Pipeline.rejudge`; what it has let go of, and the days of rooms, are taken from what
`recall_effect.py` judged from the store. All in the one transaction that records the recall.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, select

from monitor import ledger, lot_results, recalls
from monitor.alarms import causes
from monitor.days import day_of, day_span
from monitor.errors import RefusedError
from monitor.judging import CORRECTION, FINDING
from monitor.recall_effect import VERDICTS, Change, Effect
from monitor.recalls import NOBODY_KNOWS
from monitor.store.schema import ledger as ledger_table
from rules.finding import Finding
from rules.plan import Plan
from rules.quantity import format_instant, parse_instant
from rules.reading import Instant
from rules.wording import difference

if TYPE_CHECKING:
    from monitor.pipeline import Pipeline

RECALL = "recall"


def carry_out(conn: Connection, pipeline: Pipeline, effect: Effect, check: Mapping[str, Any], now: Instant, by: str) -> int:
    """Record the recall and everything that follows from it; its number. Raises RefusedError where it was carried out already."""
    pipeline.ready(conn)
    if recalls.stretch_of(conn, check) != effect.stretch:
        raise RefusedError(f"{effect.stretch.probe} was checked or recalled meanwhile; look at what a recall would change once more")
    number = recalls.add(conn, effect.stretch, int(check["id"]), now, by)
    why = recalls.words(effect.stretch, check, number)
    turned = [_told(c) for c in effect.turned]
    body = {
        "recall": number, "probe": effect.stretch.probe, "calibration": check["id"], "after": _text(effect.stretch.after),
        "until": format_instant(effect.stretch.until), "added_c": effect.stretch.added_c, "lots": effect.served, "changes": turned,
        "days": effect.days, "text": why,
    }  # fmt: skip
    ledger.append(conn, RECALL, body, now, by, entered_at=now)
    held = set(pipeline.judging.engine.lots)
    for lot in [name for name in effect.served if name not in held] + [""]:
        _tell(conn, pipeline, effect, lot, why, number, now)
        if lot in effect.reports and effect.reports[lot].get("ended"):
            lot_results.keep(conn, effect.reports[lot], now)
    pipeline.alarms.clear(conn, causes.recall_wanted(check, pipeline.plan.site.unit, now).key, now)
    since = _since(pipeline, effect, held, now)
    if since is not None:
        pipeline.rejudge(conn, since, why)
    return number


def _since(pipeline: Pipeline, effect: Effect, held: set[str], now: Instant) -> Instant | None:
    """From when on the engine is to judge again what it holds; None where nothing of that is touched."""
    first = 0 if effect.stretch.after is None else effect.stretch.after + 1
    starts = [pipeline.judging.engine.lots[lot].started for lot in effect.served if lot in held]
    plan = pipeline.plan
    probe = plan.probe_by_id.get(effect.stretch.probe)
    midnight, _ = day_span(day_of(now, plan.site.zone), plan.site.zone)
    if probe is not None and probe.place != "core" and plan.standing and effect.stretch.until > midnight:
        starts.append(midnight)
    return max(first, min(starts)) if starts else None


def _tell(conn: Connection, pipeline: Pipeline, effect: Effect, lot: str, why: str, number: int, now: Instant) -> None:
    """Corrections and findings of a lot that the engine has let go of, or of the rooms where `lot` is blank."""
    plan = effect.plans.get(lot, pipeline.plan)
    product = next((c.product for c in effect.changes if c.lot == lot), "")
    told = _on_record(conn, effect.findings.get(lot, []))
    for finding in effect.findings.get(lot, []):
        if finding[:-1] in told:
            continue
        ledger.append(conn, FINDING, finding._asdict(), finding.at, entered_at=now)
        pipeline.deviations.open(conn, finding, plan, now, product)
        cause = causes.from_finding(finding, plan, product)
        if cause is not None and finding.what in VERDICTS:  # what warned before a verdict is overtaken: the lot is over
            pipeline.alarms.raise_(conn, cause, now)
    for change in effect.changes:
        if change.lot != lot:
            continue
        ledger.append(conn, CORRECTION, _correction(change) | {"why": why, "recall": number}, now, entered_at=now)
        if change.now == "met" and change.critical:
            at = parse_instant(change.now_at) if change.now_at else now
            finding = Finding(at, "met", lot, change.step, change.limit, change.probe, True, f"was {change.was}; {why}", now)
            pipeline.deviations.correct(conn, finding, now)


def _on_record(conn: Connection, findings: list[Finding]) -> set[tuple[Any, ...]]:
    """Which of these the ledger holds already."""
    if not findings:
        return set()
    names = Finding._fields[:-1]
    query = select(ledger_table.c.body).where(ledger_table.c.kind == FINDING, ledger_table.c.at >= min(f.at for f in findings))
    return {tuple(json.loads(row.body)[name] for name in names) for row in conn.execute(query)}


def _correction(change: Change) -> dict[str, Any]:
    at = change.was_at or change.now_at
    day = {"day": change.day} if change.day else {}
    return {"lot": change.lot, "step": change.step, "limit": change.limit, "probe": change.probe, "was": change.was, "now": change.now,
            "at": at, **day}  # fmt: skip


def _told(change: Change) -> dict[str, Any]:
    return change._asdict() | {"better": change.better, "note": NOBODY_KNOWS if change.better else ""}


def shown(effect: Effect, check: Mapping[str, Any], *, plan: Plan) -> dict[str, Any]:
    """What a recall changes, for people and programs.

    `probe, check, after` (None: since its first reading), `until, added_c, lots` (those looked into), `changes` (each with both verdicts,
    `was` and `now`; `better` ones with a `note`), `days` (whose export is then another), `text`.
    """
    stretch, unit = effect.stretch, plan.site.unit
    error, turned = float(check["error_c"]), effect.turned
    count = len({c.lot or f"{c.step} {c.day}" for c in turned})
    since = "its first reading" if stretch.after is None else "its last good check"
    lots = "1 lot was" if len(effect.served) == 1 else f"{len(effect.served)} lots were"
    text = (
        f"{stretch.probe} read {difference(abs(error), unit)} too {'high' if error > 0 else 'low'}. With that taken off since {since}, "
        f"{lots} judged again: {count or 'no'} {'stands' if count == 1 else 'stand'} otherwise."
    )
    return {
        "probe": stretch.probe, "check": dict(check), "after": _text(stretch.after), "until": format_instant(stretch.until),
        "added_c": stretch.added_c, "lots": effect.served, "changes": [_told(c) for c in turned], "days": effect.days, "text": text,
    }  # fmt: skip


def plain(one: Mapping[str, Any]) -> dict[str, Any]:
    """A recall of `recalls.listed` with its instants as text."""
    return {**one, "after": _text(one["after"]), "until": format_instant(one["until"]), "at": format_instant(one["at"])}


def _text(at: Instant | None) -> str | None:
    return None if at is None else format_instant(at)
