"""The facts of a deviation, filled in from what was judged and measured: from when to when, what was read, which lots it touches.

A record of a deviation holds the actual values and times (9 CFR 417.5(a)(3)), and all product that may be affected is held (417.3(b)(1)).
They are gathered a moment after the record was opened, so that no bell waits for them.
"""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Connection, and_, func, select

from monitor.store.schema import probe_name, reading
from rules.engine import Engine
from rules.limits import spec
from rules.plan import Limit
from rules.quantity import format_instant
from rules.reading import HOUR, Instant, Span
from rules.run import Run

#: Nothing further back is looked through for the extremes of a limit that was watched for days.
LONGEST: Span = 48 * HOUR
#: Kinds of which the highest reading is the worst; of the others it is the lowest, and of a hold the highest that was reached.
_HOT: Final = (spec.Ceiling, spec.Exposure, spec.Cooling, spec.ComeUp, spec.DegreeHours)


def observed(conn: Connection, engine: Engine, lot: str, step: str, limit: str, probe: str, at: Instant) -> dict[str, Any]:
    """What is known of one probe's verdict: `from`, `to`, `readings`, `lowest_c`, `highest_c`, `worst_c`, each with its instant, `margin`.

    A probe of "" (nobody read it) gives the times alone.
    """
    run = _run(engine, lot, step, limit)
    watch = None if run is None else next((w for w in reversed(run.all_watches()) if w.probe == probe), None)
    since = watch.opened if watch is not None else at
    known: dict[str, Any] = {"from": format_instant(since), "to": format_instant(at)}
    if watch is not None:
        known["margin"] = dict(watch.shown().margin)
    if not probe:
        return known
    table = reading
    celsius = table.c.celsius + table.c.offset_c
    number = select(probe_name.c.id).where(probe_name.c.name == probe).scalar_subquery()
    inside = and_(table.c.at >= max(since, at - LONGEST), table.c.at <= at, table.c.probe == number)
    row = conn.execute(select(func.count(), func.min(celsius), func.max(celsius)).where(inside)).one()
    known["readings"] = row[0]
    if row[0]:
        for name, value in (("lowest", row[1]), ("highest", row[2])):
            when = conn.execute(select(func.min(table.c.at)).where(inside, celsius == value)).scalar_one()
            known |= {f"{name}_c": round(value, 3), f"{name}_at": format_instant(when)}
        worst = "highest" if run is None or _hot(run.limit) else "lowest"
        known |= {"worst_c": known[f"{worst}_c"], "worst_at": known[f"{worst}_at"]}
    return known


def _hot(limit: Limit) -> bool:
    """Whether the highest reading says how bad it was: too warm, or as far as a hold came."""
    rule = limit.rule
    if isinstance(rule, spec.Dwell):
        return True
    return isinstance(rule, _HOT) or limit.kind == "lethality"


def affected(engine: Engine, lot: str, room: str, since: Instant, until: Instant) -> list[str]:
    """The lots that a deviation touches: its own, or those that were in the room while it lasted."""
    if lot:
        return [lot]
    found = []
    for one in engine.lots.values():
        steps = [name for name, at in one.entered.items() if at <= until]
        inside = any(one.step(name).room == room for name in steps)
        if inside and one.started <= until and (one.ended is None or one.ended >= since):
            found.append(one.id)
    return sorted(found)


def _run(engine: Engine, lot: str, step: str, limit: str) -> Run | None:
    if lot:
        held = engine.lots.get(lot)
        return None if held is None else held.runs.get(f"{step}/{limit}")
    for room in engine.standing:
        if room.room == step and room.limit.name == limit:
            return room.run or (room.closing_run[-1][1] if room.closing_run else None)
    return None
