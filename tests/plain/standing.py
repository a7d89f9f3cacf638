"""Standing limits: a room watched with no lot, per local day (`judging.md` section 2, choice 10)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from rules.finding import Verdict, worst
from rules.limits.spec import Ceiling, Dwell, Exposure, Floor
from rules.plan import Limit, Plan
from rules.quantity import from_datetime, local
from rules.reading import Event, Instant
from tests.plain import kinds
from tests.plain.evidence import Moment, Outcome, Spell, Stretch, Watch, evidence_of, instants_of, settle
from tests.plain.kinds import Base


def standing(plan: Plan, rows: Sequence[Event], now: Instant) -> list[dict[str, Any]]:
    """Each limit of each room and local day, with its verdict and its watches."""
    found = []
    for room in plan.standing:
        for limit in room.limits:
            probes = [p for p in plan.probes if p.place == limit.place and p.room == room.room]
            firsts = {p.id: evidence_of(rows, p.id).seen[0].at for p in probes if evidence_of(rows, p.id).seen}
            day = local(min(firsts.values()), plan.site.zone).date() if firsts else None
            while day is not None:
                start, end = (from_datetime(datetime.combine(d, datetime.min.time(), plan.site.zone)) for d in (day, day + timedelta(1)))
                if start > now:
                    break
                watches = []
                for p in probes:
                    if firsts.get(p.id, end) < end:
                        spell = Spell(Moment(max(start, firsts[p.id]), -1), Moment(end, -1))
                        u = (p.uncertainty_c or 0.0) if limit.guard else 0.0
                        watches.append(Watch(p.id, u, limit.max_gap, evidence_of(rows, p.id), (Stretch(spell, (spell,)),)))
                found.append(_day(room.room, day.isoformat(), limit, watches, now))
                day += timedelta(1)
    return found


def _day(room: str, day: str, limit: Limit, watches: Sequence[Watch], now: Instant) -> dict[str, Any]:
    outcomes = [(watch.probe, settle(lambda at, w=watch: _outcome(limit, w, at), instants_of(watch, now))) for watch in watches]  # type: ignore[misc]
    return {
        "room": room,
        "day": day,
        "limit": limit.name,
        "kind": limit.kind,
        "verdict": str(worst([o.verdict for _, o in outcomes])),
        "watches": [{"probe": probe, "verdict": str(o.verdict), "at": o.at} for probe, o in outcomes],
    }


def _outcome(limit: Limit, watch: Watch, at: Instant) -> Outcome:
    rule = limit.rule
    if at < watch.opened.at:
        return Outcome(Verdict.OPEN, None)
    if isinstance(rule, Ceiling | Floor):
        return kinds.ceiling(rule, watch, at)
    if isinstance(rule, Dwell):
        return kinds.dwell(rule, watch, at)
    assert isinstance(rule, Exposure)
    return kinds.exposure(rule, watch, [Base()] * len(rule.tiers), at)
