"""Generated plans and histories on which the engine and the plain judge must agree.

One builder draws every choice from a `Choose`: a seeded one for counting, one of Hypothesis for shrinking. Limits and
sampling are set against each other (a length is a few sampling periods, a reading is near a limit or on it), so that
verdicts vary. All figures are invented.
"""

from __future__ import annotations

from hypothesis import strategies as st

from rules.plan import Plan
from rules.reading import MINUTE, SECOND
from tests.plain.choose import Choose, Drawn, Seeded
from tests.plain.draw_history import draw_fixed, draw_lot, draw_wet
from tests.plain.draw_plan import draw_plan
from tests.plain.draw_trouble import draw_not_in, draw_pulled, draw_stuck
from tests.plain.making import START, Leg, Making, Scenario

__all__ = ["START", "Scenario", "build", "scenarios", "seeded"]


def build(choose: Choose) -> Scenario:
    """One scenario."""
    m = Making(choose, choose.among([5, 1, 2, 10]) * MINUTE, choose.chance(60))
    plan = draw_plan(m)
    legs = draw_lot(m, plan, "J-1", [f"core-{n}" for n in range(1, choose.number(1, 3) + 1)], START)
    if choose.chance(25):
        other = draw_lot(m, plan, "J-2", ["core-4", "core-5"][: choose.number(1, 2)], START + m.pace * choose.number(0, 6) + SECOND)
        legs = [*legs, other[-1]] if other[-1].end > legs[-1].end else legs
    _fixed(m, plan, legs)
    if choose.chance(15):
        draw_pulled(m, plan)
    if choose.chance(8):
        draw_not_in(m, plan)
    draw_stuck(m, plan)
    end = legs[-1].end
    at = START + (end - START) * choose.number(10, 99) // 100 if choose.chance(33) else None
    return Scenario(plan, tuple(sorted(m.events, key=lambda e: e.at)), at)


def _fixed(m: Making, plan: Plan, legs: list[Leg]) -> None:
    """Readings of the fixed probes that a limit or a rule across probes asks for; at times of all of them."""
    limits = [limit for step in plan.products[0].steps for limit in step.limits]
    places = {limit.place for limit in limits} | {limit.place for room in plan.standing for limit in room.limits}
    places |= {"chamber"} if "wet-bulb" in places else set()
    every = m.choose.chance(40)
    for probe in (p for p in plan.probes if p.place not in ("core", "wet-bulb")):
        if every or probe.place in places:
            draw_fixed(m, probe, legs)
    for probe in (p for p in plan.probes if p.place == "wet-bulb" and "wet-bulb" in places):
        draw_wet(m, probe, probe.dry_bulb or "chamber-1")


@st.composite
def scenarios(draw: st.DrawFn) -> Scenario:
    """Scenarios that Hypothesis can shrink."""
    return build(Drawn(draw))


def seeded(seed: int) -> Scenario:
    """The scenario of a seed."""
    return build(Seeded(seed))
