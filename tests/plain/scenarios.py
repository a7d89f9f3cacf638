"""Generated plans and histories on which the engine and the plain judge must agree.

One builder draws every choice from a `Choose`: a seeded one for counting, one of Hypothesis for shrinking. Limits and
sampling are set against each other (a length is a few sampling periods, a reading is near a limit or on it), so that
verdicts vary. All figures are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from hypothesis import strategies as st

from rules.limits.spec import (
    Ceiling,
    ComeUp,
    Cooling,
    Dwell,
    Exposure,
    Floor,
    HoldLethality,
    IntegratedLethality,
    Need,
    Row,
    Rule,
    Tier,
    Window,
)
from rules.plan import Advance, Limit, Plan, Probe, Product, Room, Site, Step
from rules.quantity import fahrenheit, format_instant
from rules.reading import HOUR, MINUTE, SECOND, Event, Fault, Instant, LotEvent, Reading, Span
from tests.plain.choose import Choose, Drawn, Seeded

START: Instant = 1_772_400_000 * SECOND  # a round instant, 2026-03-01T21:20:00Z


class Scenario(NamedTuple):
    """A plan, what happened, and up to when it is judged (None: to the last event)."""

    plan: Plan
    events: tuple[Event, ...]
    at: Instant | None = None


@dataclass
class Making:
    """What is known while a scenario is being built."""

    choose: Choose
    pace: Span
    rooms: bool
    events: list[Event] = field(default_factory=list)
    taken: set[Instant] = field(default_factory=set)

    def span(self, low: int, high: int) -> Span:
        """A few sampling periods, at times a second more or less."""
        return max(SECOND, self.pace * self.choose.number(low, high) + self.choose.among([0, 0, 0, SECOND, -SECOND, self.pace // 2]))

    def free(self, at: Instant) -> Instant:
        """An instant at which no other lot event stands."""
        while at in self.taken:
            at += SECOND
        self.taken.add(at)
        return at


COLD_F = (34.0, 38.0, 40.0)
STEPS = ("receive", "grind", "rest", "cure", "cook", "chill", "hold")


def _limit(m: Making, name: str, rule: Rule, place: str, **more: object) -> Limit:
    c = m.choose
    gap = m.pace * c.among([2, 1, 3]) + c.among([0, 0, SECOND])
    sampled = more.get("sampled")
    if isinstance(sampled, int):
        gap = sampled * 12 // 10
    return Limit(name, rule, place, gap, critical=c.chance(75), guard=not c.chance(10), **more)  # type: ignore[arg-type]


def _cold_rules(m: Making) -> list[Rule]:
    c = m.choose
    f = c.among(COLD_F)
    deadband = c.among([0.5, 0.0, 0.2])
    return [
        Ceiling(fahrenheit(f), c.among([0, m.span(1, 5)]), deadband),
        Exposure((Tier(fahrenheit(f), m.span(1, 8)), *([Tier(fahrenheit(f + 1), m.span(1, 4))] if c.chance(50) else []))),
        Dwell(m.span(2, 7), max_c=fahrenheit(f), contiguous=c.chance(50)),
        Floor(fahrenheit(f - 2), c.among([0, m.span(1, 5)]), deadband),
        Dwell(m.span(2, 7), min_c=fahrenheit(f - 2), contiguous=c.chance(50)),
    ]


def _cold_limits(m: Making, step: str, place: str) -> list[Limit]:
    c = m.choose
    limits = []
    for n in range(c.number(1, 2)):
        rule = c.among(_cold_rules(m))
        sampled = m.pace * c.number(1, 3) if c.chance(20) else None
        probes = 1 if isinstance(rule, Dwell) and c.chance(30) else None
        limits.append(_limit(m, f"{step} {n}", rule, c.among([place, "core"]), sampled=sampled, probes=probes))
    return limits


def _cook_limits(m: Making) -> list[Limit]:
    c = m.choose
    limits = []
    if c.chance(85):
        rows = [Row(fahrenheit(f), m.span(low, high)) for f, low, high in ((140.0, 3, 7), (145.0, 1, 4)) if c.chance(75)]
        hold = HoldLethality((*(rows or [Row(fahrenheit(142.0), m.span(1, 4))]), *([Row(fahrenheit(150.0), 0)] if c.chance(60) else [])))
        limits.append(_limit(m, "lethality", hold, "core", probes=c.among([None, None, 1, 2])))
    if c.chance(35) or not limits:
        d = m.pace * c.number(1, 3)
        integral = IntegratedLethality(fahrenheit(145.0), d, 5.5, fahrenheit(140.0), c.among([1.0, 2.0, 3.0]), "invented")
        limits.append(_limit(m, "integral", integral, "core", probes=c.among([None, 1])))
    if c.chance(70):
        limits.append(_limit(m, "come-up", ComeUp(fahrenheit(50.0), fahrenheit(130.0), m.span(3, 12)), "core"))
    if c.chance(30):
        limits.append(_limit(m, "air", Floor(fahrenheit(130.0), m.span(0, 4)), "chamber"))
    return limits


def _chill_limits(m: Making) -> list[Limit]:
    c = m.choose
    limits = []
    if c.chance(90):
        windows = [Window(fahrenheit(80.0), within=m.span(3, 9))] if c.chance(75) else []
        last = m.span(4, 20)
        windows.append(Window(fahrenheit(45.0), within=last) if c.chance(50) else Window(fahrenheit(45.0), by=last + m.pace * 5))
        needs = ((Need("nitrite_ppm", 100.0),), (Need("salt_pct", 6.0), Need("nitrite_ppm", 40.0))) if c.chance(15) else ()
        over = ("chill", "hold") if c.chance(40) else ()
        rule = Cooling(fahrenheit(c.among([130.0, 126.0])), tuple(windows), needs)
        limits.append(_limit(m, "stabilization", rule, "core", over=over, probes=c.among([None, None, 1])))
    if c.chance(30) or not limits:
        limits.append(_limit(m, "chill air", Ceiling(fahrenheit(40.0), m.span(1, 5)), "cooler"))
    return limits


def _advance(m: Making, step: str) -> Advance | None:
    c = m.choose
    how = c.among(["auto", "auto", "ask"])
    if step == "cook" and c.chance(40):
        return Advance("lethality met", how)
    if step == "cure" and c.chance(40):
        return Advance("dwell met", how)
    if step in ("receive", "cure") and c.chance(15):
        return Advance("after", how, m.span(2, 6) + 7 * SECOND)
    if step == "cure" and c.chance(15):
        return Advance("core", how, m.span(1, 3), at_most_c=fahrenheit(40.0))
    return None


ROOM_OF = {
    "receive": "cooler-1",
    "grind": "cutting",
    "rest": "cooler-1",
    "cure": "cooler-1",
    "cook": "house-1",
    "chill": "cooler-1",
    "hold": "cooler-1",
}


def _step(m: Making, name: str) -> Step:
    c = m.choose
    place = "room" if name == "grind" else "cooler"
    limits = {"cook": _cook_limits, "chill": _chill_limits}[name](m) if name in ("cook", "chill") else _cold_limits(m, name, place)
    room = ROOM_OF[name] if m.rooms else None
    return Step(name, room, tuple(limits), _advance(m, name), optional=name == "rest", repeats=name == "grind" and c.chance(70))


def _plan(m: Making) -> Plan:
    c = m.choose
    wanted = c.among(
        [
            ("cook", "chill"),
            ("receive",),
            ("cure", "cook", "chill"),
            ("cook", "chill", "hold"),
            STEPS,
            ("grind", "rest", "cure"),
            ("cure", "hold"),
            ("chill",),
        ]
    )
    steps = tuple(_step(m, name) for name in wanted)
    if not any(limit.critical for s in steps if not s.optional for limit in s.limits):
        first = steps[0]
        kept = first.limits[0]
        made = Limit(kept.name, kept.rule, kept.place, kept.max_gap, True, kept.over, kept.sampled, kept.probes, kept.guard)
        steps = (Step(first.name, first.room, (made, *first.limits[1:]), first.advance, first.optional, first.repeats), *steps[1:])
    rooms = (Room("house-1", "chamber"), Room("cooler-1", "cooler"), Room("cutting", "work")) if m.rooms else ()
    probes = [Probe(f"core-{n}", "core", None, c.among([None, 0.2, 0.5 * 5 / 9])) for n in range(1, 6)]
    fixed = [
        ("chamber-1", "chamber", "house-1"),
        ("cooler-a", "cooler", "cooler-1"),
        ("cooler-b", "cooler", "cooler-1"),
        ("room-1", "room", "cutting"),
    ]
    probes += [
        Probe(id_, place, room if m.rooms else None, c.among([None, 0.5 * 5 / 9]))
        for id_, place, room in fixed
        if id_ != "cooler-b" or c.chance(40)
    ]
    return Plan(
        Site("ferncliff", "Ferncliff Yard Smokehouse", unit="F"), (Product("juniper-links", "juniper links", steps),), rooms, tuple(probes)
    )


class Leg(NamedTuple):
    """A stretch of time in a step, as it truly happened."""

    step: str
    start: Instant
    end: Instant


def _legs(m: Making, product: Product, start: Instant) -> list[Leg]:
    """The true course of a lot: some steps twice, some left out, some missing at the end."""
    c = m.choose
    names: list[str] = []
    for step in product.steps:
        if step.optional and c.chance(50):
            continue
        names.append(step.name)
        if step.repeats and c.chance(40):
            names += ["grind"] if c.chance(30) else (["rest", "grind"] if product.step("rest") else ["grind"])
        elif c.chance(4) and len(names) > 1:
            names += [names[-2], names[-1]]
    legs = []
    for name in names:
        low, high = {"cook": (10, 24), "chill": (8, 24)}.get(name, (3, 10))
        end = m.free(start + m.pace * c.number(low, high) + c.among([0, SECOND, m.pace // 2]))
        legs.append(Leg(name, start, end))
        start = end
    return legs


def _temperature_f(m: Making, leg: Leg, at: Instant, warm: int, lag: float) -> float:
    """A core temperature in tenths of °F: near or on the limits of its step. `warm`: the probe's leaning; `lag`: how slow it is."""
    c = m.choose
    f = (at - leg.start) / max(1, leg.end - leg.start)
    near = c.among([0, 0, 1, -1, 5, -5, 10, -10, -3, 3]) / 10
    if leg.step == "cook":
        g = f * lag
        level = 38.0 if g < 0.1 else 50.0 + (g - 0.1) * 270 if g < 0.4 else c.among([145.0, 140.0, 150.0, 150.0])
        return round(level, 1) + near
    if leg.step == "chill":
        level = 146.0 - f * lag * 150
        if c.chance(25):
            level = min((130.0, 80.0, 45.0), key=lambda limit: abs(limit - level))
        return max(33.0, round(level, 1)) + near
    return c.among(COLD_F) + warm + near


def _core_readings(m: Making, probe: str, legs: Sequence[Leg], since: Instant, until: Instant) -> None:
    c = m.choose
    warm, lag = c.among([-4, -2, 0, 2]), c.among([1.2, 0.8, 1.0, 1.6])
    for leg in legs:
        at = max(since, leg.start) + c.among([0, m.pace // 2, m.pace])
        while at <= min(until, leg.end):
            _read(m, probe, at, _temperature_f(m, leg, at, warm, lag))
            at += m.pace * (c.number(2, 5) if c.chance(3) else 1) + c.among([0, 0, 0, SECOND, -SECOND, -m.pace // 3])


def _fixed_readings(m: Making, probe: Probe, start: Instant, end: Instant) -> None:
    c = m.choose
    warm = c.among([-4, -2, 0, 2])
    at = start - c.among([0, m.pace, -m.pace])
    while at <= end:
        near = c.among([0, 0, 1, -1, 10, -10, 5, -5]) / 10
        _read(m, probe.id, at, (c.among([130.0, 140.0, 150.0]) if probe.place == "chamber" else c.among(COLD_F) + warm) + near)
        at += m.pace * (c.number(2, 5) if c.chance(3) else 1) + c.among([0, 0, SECOND, -SECOND])


def _read(m: Making, probe: str, at: Instant, value_f: float) -> None:
    """One sample: mostly a good reading, at times a fault, a suspect one, two of the same, two that differ, none."""
    c = m.choose
    celsius = fahrenheit(round(value_f, 1))
    kind = c.among(["good"] * 40 + ["fault", "suspect", "twice", "conflict", "silent", "offset", "fault beside", "doubted twin"])
    if kind == "silent":
        return
    if kind in ("fault", "fault beside"):
        m.events.append(Fault(probe, at, "open circuit"))
    if kind in ("suspect", "doubted twin"):
        m.events.append(Reading(probe, at, celsius, suspect="source"))
    if kind == "offset":
        m.events.append(Reading(probe, at, celsius - 0.25, 0.25))
    if kind in ("good", "twice", "conflict", "fault beside", "doubted twin"):
        m.events.append(Reading(probe, at, celsius))
    if kind == "twice":
        m.events.append(Reading(probe, at, celsius))
    if kind == "conflict":
        m.events.append(Reading(probe, at, celsius + c.among([0.5, -0.5, 1.0, -1.0])))


def _place(m: Making, lot: str, probe: str, since: Instant, until: Instant, end: Instant) -> None:
    """A probe put in, perhaps taken out and put in again, perhaps taken out for good."""
    c = m.choose
    m.events.append(LotEvent(since, "place", lot, probe))
    span = until - since
    if c.chance(15) and span > 4 * m.pace:
        out = m.free(since + span // c.number(2, 5))
        back = m.free(out + m.pace * c.number(1, 4) + SECOND)
        if back < until - m.pace:
            m.events += [LotEvent(out, "remove", lot, probe, c.among(["moved", "slipped"])), LotEvent(back, "place", lot, probe)]
    if until < end and (gone := m.free(until)) < end:
        m.events.append(LotEvent(gone, "remove", lot, probe, c.among(["done", "failed"])))


def _checks(m: Making, lot: str, plan: Plan, legs: Sequence[Leg]) -> None:
    """Hand checks where a limit is judged on them."""
    c = m.choose
    for leg in legs:
        step = plan.products[0].step(leg.step)
        places = sorted({limit.place for limit in (step.limits if step else ()) if limit.sampled})
        for place in places:
            warm = c.among([-4, 0, -2])
            at = leg.start + c.among([0, m.pace])
            while at <= leg.end:
                value = c.among(COLD_F) + warm + c.among([0, 1, -1]) / 10
                if (check_at := m.free(at)) <= leg.end:
                    m.events.append(LotEvent(check_at, "check", lot, place, f"{value:.1f} °F"))
                at += m.pace * c.among([1, 1, 2, 4]) + c.among([0, SECOND])


def _lot(m: Making, plan: Plan, lot: str, cores: Sequence[str], start: Instant) -> Instant:
    c = m.choose
    m.free(start)
    legs = _legs(m, plan.products[0], start)
    m.events.append(LotEvent(start, "start", lot, plan.products[0].code))
    if legs[0].step != plan.products[0].steps[0].name:
        m.events.append(LotEvent(start, "step", lot, legs[0].step))
    for before, leg in pairwise(legs):
        advance = next(s.advance for s in plan.products[0].steps if s.name == before.step)
        if advance is not None and advance.how == "auto" and c.chance(50):
            continue  # nobody was there
        m.events.append(LotEvent(leg.start, "step", lot, leg.step, entered=leg.start + HOUR if c.chance(10) else None))
    end = legs[-1].end
    for n, probe in enumerate(cores):
        since = start if c.chance(60) else m.free(c.among(legs).start + m.pace * c.number(0, 3) + c.among([0, 1]) * SECOND)
        until = end if n == 0 or c.chance(70) else m.free(since + (end - since) * c.number(30, 90) // 100)
        if since >= until:
            continue
        _place(m, lot, probe, since, until, end)
        _core_readings(m, probe, legs, since - m.pace * c.number(0, 1), until + m.pace * c.number(0, 1))
    _checks(m, lot, plan, legs)
    if any(isinstance(limit.rule, Cooling) and limit.rule.needs for s in plan.products[0].steps for limit in s.limits):
        measured = m.free(start + m.pace * c.number(1, 20))
        if measured < end:
            m.events.append(LotEvent(measured, "measure", lot, "nitrite_ppm", str(c.among([120, 100, 60]))))
    if c.chance(10):
        _taken_back(m, lot, plan, c.number(0, len(legs) - 1), legs)
    if c.chance(80):
        m.events.append(LotEvent(end, "end", lot))
    return end


def _taken_back(m: Making, lot: str, plan: Plan, index: int, legs: Sequence[Leg]) -> None:
    """A step entered by mistake and undone."""
    leg, beside = legs[index], {other.step for other in legs[index : index + 2]}
    wrong = m.free(leg.start + (leg.end - leg.start) // 2 + SECOND)
    undone = m.free(wrong + 2 * m.pace)
    names = [step.name for step in plan.products[0].steps if step.name not in beside and step.advance is None]
    if names and undone < leg.end and step_of(plan, leg).advance is None:
        m.events.append(LotEvent(wrong, "step", lot, m.choose.among(names)))
        m.events.append(LotEvent(undone, "undo", lot, "", format_instant(wrong)))


def step_of(plan: Plan, leg: Leg) -> Step:
    """The step of a leg."""
    return next(step for step in plan.products[0].steps if step.name == leg.step)


def build(choose: Choose) -> Scenario:
    """One scenario."""
    m = Making(choose, choose.among([5, 1, 2, 10]) * MINUTE, choose.chance(60))
    plan = _plan(m)
    end = _lot(m, plan, "J-1", [f"core-{n}" for n in range(1, choose.number(1, 3) + 1)], START)
    if choose.chance(25):
        end = max(end, _lot(m, plan, "J-2", ["core-4", "core-5"][: choose.number(1, 2)], START + m.pace * choose.number(0, 6) + SECOND))
    for probe in (p for p in plan.probes if p.place != "core"):
        if any(limit.place == probe.place for step in plan.products[0].steps for limit in step.limits):
            _fixed_readings(m, probe, START, end)
    at = START + (end - START) * choose.number(10, 99) // 100 if choose.chance(33) else None
    return Scenario(plan, tuple(sorted(m.events, key=lambda e: e.at)), at)


@st.composite
def scenarios(draw: st.DrawFn) -> Scenario:
    """Scenarios that Hypothesis can shrink."""
    return build(Drawn(draw))


def seeded(seed: int) -> Scenario:
    """The scenario of a seed."""
    return build(Seeded(seed))
