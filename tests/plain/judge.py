"""The plain judge: the verdicts of `judging.md`, computed from the complete history each time.

It shares nothing with the engine but the plan, the readings and the words; where the page can be read in two ways
it follows `docs/judging-choices.md`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rules.plan import Plan
from rules.reading import Event, Instant, LotEvent
from tests.plain.advance import next_jump
from tests.plain.doubts import Doubts, Told
from tests.plain.evidence import arranged
from tests.plain.lots import Jump, Lot
from tests.plain.standing import standing
from tests.plain.surroundings import told_of_profiles


def judge(plan: Plan, events: Sequence[Event], at: Instant | None = None) -> dict[str, Any]:
    """Every lot with its verdict, and every limit with its verdict and its watches' verdicts and instants."""
    rows = arranged(events, at)
    now = at if at is not None else rows[-1].at
    doubts, lots = judged(plan, rows, now)
    return {"lots": [_reported(lot, doubts.told[lot.lot]) for lot in lots], "standing": standing(plan, doubts.rows, now)}


def judged(plan: Plan, rows: Sequence[Event], now: Instant) -> tuple[Doubts, list[Lot]]:
    """The lots with every automatic advance found, earliest first, and the doubts of their readings.

    An advance moves a lot to another room, beside other probes, which changes what is suspect from then on.
    """
    names = [e.lot for e in rows if isinstance(e, LotEvent) and e.event == "start"]
    jumps: dict[str, list[Jump]] = {name: [] for name in names}
    lots: list[Lot] = []
    while True:
        doubts = Doubts(plan, rows, [Lot(plan, name, rows, now, jumps[name]) for name in names])
        same = {lot.lot: lot for lot in lots if lot.jumps == jumps[lot.lot] and lot.events == doubts.rows}
        lots = [same.get(name) or Lot(plan, name, doubts.rows, now, jumps[name]) for name in names]
        found = [(jump, lot) for lot in lots for jump in [next_jump(lot)] if jump is not None]
        if not found:
            return doubts, lots
        jump, lot = min(found, key=lambda one: one[0].moment)
        jumps[lot.lot] = [*jumps[lot.lot], jump]


def _reported(lot: Lot, told: Sequence[Told]) -> dict[str, Any]:
    limits = []
    for step, limit in lot.limits:
        watches = []
        for r, run in enumerate(lot.runs(step, limit)):
            for w, watch in enumerate(run.watches):
                outcome = lot.outcome(step, limit, r, w, lot.now)
                watches.append({"probe": watch.probe, "verdict": str(outcome.verdict), "at": outcome.at})
        limits.append(
            {
                "step": step.name,
                "limit": limit.name,
                "kind": limit.kind,
                "class": "critical" if limit.critical else "operating",
                "verdict": str(lot.limit_verdict(step, limit, lot.now)),
                "watches": watches,
            }
        )
    said = sorted((what, probe, at) for what, probe, at in [*told, *told_of_profiles(lot)])
    return {"lot": lot.lot, "product": lot.product.code, "verdict": str(lot.verdict()), "limits": limits, "told": said}
