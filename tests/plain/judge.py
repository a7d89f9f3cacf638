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
from tests.plain.evidence import arranged
from tests.plain.lots import Lot


def judge(plan: Plan, events: Sequence[Event], at: Instant | None = None) -> dict[str, Any]:
    """Every lot with its verdict, and every limit with its verdict and its watches' verdicts and instants."""
    rows = arranged(events, at)
    now = at if at is not None else rows[-1].at
    started = [e.lot for e in rows if isinstance(e, LotEvent) and e.event == "start"]
    return {"lots": [_reported(judged(plan, lot, rows, now)) for lot in started]}


def judged(plan: Plan, name: str, rows: Sequence[Event], now: Instant) -> Lot:
    """A lot with every automatic advance found, earliest first."""
    lot = Lot(plan, name, rows, now)
    while (jump := next_jump(lot)) is not None:
        lot = Lot(plan, name, rows, now, [*lot.jumps, jump])
    return lot


def _reported(lot: Lot) -> dict[str, Any]:
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
    return {"lot": lot.lot, "product": lot.product.code, "verdict": str(lot.verdict()), "limits": limits}
