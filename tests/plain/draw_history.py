"""Generated histories of one lot: its course, its probes, its hand checks and measures. All figures are invented."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from rules.limits.spec import Composition, Cooling, DegreeHours, Humidity
from rules.plan import Plan, Probe, Product, Step
from rules.quantity import format_instant
from rules.reading import HOUR, MINUTE, SECOND, Instant, LotEvent, Reading
from rules.science.humidity import relative_humidity
from tests.plain.making import COLD_F, Leg, Making, leg_at, step_of

LENGTHS = {"cook": (10, 24), "chill": (8, 24), "reheat": (8, 16), "ferment": (6, 16)}


def draw_lot(m: Making, plan: Plan, lot: str, cores: Sequence[str], start: Instant) -> list[Leg]:
    """Everything that happens to one lot; returns its true course."""
    c = m.choose
    m.free(start)
    product = plan.products[0]
    legs = _legs(m, product, start)
    m.events.append(LotEvent(start, "start", lot, product.code))
    if legs[0].step != product.steps[0].name:
        m.events.append(LotEvent(start, "step", lot, legs[0].step))
    for before, leg in pairwise(legs):
        advance = step_of(plan, before).advance
        if advance is not None and advance.how == "auto" and c.chance(50):
            continue  # nobody was there
        m.events.append(LotEvent(leg.start, "step", lot, leg.step, entered=leg.start + HOUR if c.chance(10) else None))
    end = legs[-1].end
    for n, probe in enumerate(cores):
        since = start if c.chance(60) else m.beside(c.among(legs).start + m.pace * c.number(0, 3) + c.among([0, 1]) * SECOND)
        until = end if n == 0 or c.chance(70) else m.beside(since + (end - since) * c.number(30, 90) // 100)
        if since >= until:
            continue
        _place(m, lot, probe, since, until, legs)
        _core_readings(m, probe, legs, since - m.pace * c.number(0, 1), until + m.pace * c.number(0, 1))
    _checks(m, lot, plan, legs)
    _measures(m, lot, product, legs)
    if c.chance(10):
        _taken_back(m, lot, plan, c.number(0, len(legs) - 1), legs)
    if c.chance(80):
        m.events.append(LotEvent(end, "end", lot))
    return legs


def _legs(m: Making, product: Product, start: Instant) -> list[Leg]:
    """The true course of a lot: some steps twice, some left out, some missing at the end."""
    c = m.choose
    names: list[str] = []
    for step in product.steps:
        if step.optional and c.chance(50):
            continue
        names.append(step.name)
        if step.name == "grind" and step.repeats and c.chance(40):
            names += ["grind"] if c.chance(30) else (["rest", "grind"] if product.step("rest") else ["grind"])
        elif step.name == "chill" and "cook" in names and c.chance(60 if step.repeats or _repeats(product, "cook") else 4):
            names += ["cook", "chill"] if c.chance(75) else ["chill"]
        elif c.chance(4) and len(names) > 1:
            names += [names[-2], names[-1]]
    if len(names) > 1 and c.chance(8):
        names.pop()
    legs = []
    for name in names:
        low, high = LENGTHS.get(name, (3, 10))
        end = m.free(start + m.pace * c.number(low, high) + c.among([0, SECOND, m.pace // 2]))
        legs.append(Leg(name, start, end))
        start = end
    return legs


def _repeats(product: Product, name: str) -> bool:
    step = product.step(name)
    return step is not None and step.repeats


def temperature_f(m: Making, leg: Leg, at: Instant, warm: int, lag: float) -> float:
    """A core temperature in °F: near or on the limits of its step. `warm`: the probe's leaning; `lag`: how slow it is."""
    c = m.choose
    f = (at - leg.start) / max(1, leg.end - leg.start)
    near = c.among([0, 0, 1, -1, 5, -5, 10, -10, -3, 3]) / 10
    if leg.step in ("cook", "reheat"):
        g = f * lag
        level = 38.0 if g < 0.1 else 50.0 + (g - 0.1) * 270 if g < 0.4 else c.among([145.0, 140.0, 150.0, 150.0])
        return round(level, 1) + near
    if leg.step == "chill":
        level = 146.0 - f * lag * 150
        if c.chance(25):
            level = min((130.0, 80.0, 45.0), key=lambda limit: abs(limit - level))
        return max(33.0, round(level, 1)) + near
    if leg.step == "ferment":
        return min(84.0 + warm, 50.0 + f * lag * 80) + near
    return c.among(COLD_F) + warm + near


def _core_readings(m: Making, probe: str, legs: Sequence[Leg], since: Instant, until: Instant) -> None:
    c = m.choose
    warm, lag = c.among([-4, -2, 0, 2]), c.among([1.2, 0.8, 1.0, 1.6])
    for leg in legs:
        at = max(since, leg.start) + c.among([0, m.pace // 2, m.pace])
        while at <= min(until, leg.end):
            m.read_f(probe, at, temperature_f(m, leg, at, warm, lag))
            at += m.pace * (c.number(2, 5) if c.chance(3) else 1) + c.among([0, 0, 0, SECOND, -SECOND, -m.pace // 3])


def draw_fixed(m: Making, probe: Probe, legs: Sequence[Leg]) -> None:
    """The readings of a fixed probe over a lot's course, and a little before it."""
    c = m.choose
    warm = c.among([-4, -2, 0, 2])
    steady = c.chance(60)
    at = legs[0].start - c.among([0, m.pace, -m.pace])
    while at <= legs[-1].end:
        near = c.among([0, 0, 1, -1, 10, -10, 5, -5]) / 10
        step = leg_at(legs, at).step
        if probe.place == "humidity":
            m.read(probe.id, at, c.among([50.0, 60.0, 75.0, 78.0, 82.0]) + c.among([0.0, 0.0, 2.0, -0.1, -10.0]))
        elif probe.place != "chamber":
            m.read_f(probe.id, at, c.among(COLD_F) + warm + near)
        elif step == "ferment":
            m.read_f(probe.id, at, c.among([80.0, 82.0, 85.0, 84.0 if steady else 90.0, 84.0 if steady else 96.0]) + near)
        else:
            m.read_f(probe.id, at, (c.among([140.0, 150.0, 145.0]) if steady else c.among([130.0, 140.0, 150.0])) + near)
        at += m.pace * (c.number(2, 5) if c.chance(3) else 1) + c.among([0, 0, SECOND, -SECOND])


def draw_wet(m: Making, probe: Probe, dry: str) -> None:
    """Wet-bulb readings beside those of the dry bulb: some too late for it, some that cannot be."""
    c = m.choose
    for beside in [e for e in m.events if isinstance(e, Reading) and e.probe == dry]:
        wanted = c.among([50.0, 60.0, 75.0, 80.0, 80.0]) + c.among([1.0, 4.0, -2.0])
        wet = next((beside.celsius - n / 10 for n in range(0, 400) if _humid(beside.celsius, beside.celsius - n / 10) < wanted), 20.0)
        wet = c.among([wet] * 12 + [beside.celsius, beside.celsius + 1.0, beside.celsius - 60.0, -2.0])
        m.read(probe.id, beside.at + c.among([0, 0, 0, 30, 60, 61]) * SECOND, wet)


def _humid(dry: float, wet: float) -> float:
    return 100.0 if wet >= dry else relative_humidity(dry, wet)


def _place(m: Making, lot: str, probe: str, since: Instant, until: Instant, legs: Sequence[Leg]) -> None:
    """A probe put in, perhaps taken out and put in again, perhaps taken out for good."""
    c = m.choose
    end = legs[-1].end
    m.events.append(LotEvent(since, "place", lot, probe))
    span = until - since
    if c.chance(15) and span > 4 * m.pace:
        turns = [leg.end for leg in legs if since < leg.end < until - 3 * m.pace]
        out = c.among(turns) if turns and c.chance(30) else m.free(since + span // c.number(2, 5))
        back = out if c.chance(10) else m.free(out + m.pace * c.number(1, 4) + SECOND)
        if back < until - m.pace:
            m.events += [LotEvent(out, "remove", lot, probe, c.among(["moved", "slipped"])), LotEvent(back, "place", lot, probe)]
    if until < end and (gone := m.beside(until)) < end:
        m.events.append(LotEvent(gone, "remove", lot, probe, c.among(["done", "failed"])))


def _checks(m: Making, lot: str, plan: Plan, legs: Sequence[Leg]) -> None:
    """Hand checks where a limit is judged on them: of the cold, of the cook, and of what cools after it."""
    c = m.choose
    sampled = {(step.name, limit.place) for step in plan.products[0].steps for limit in step.limits if limit.sampled}
    hot = ("cook", "chill", "reheat", "ferment")
    wanted = sampled | {(name, "core") for name in hot if any(step in hot and place == "core" for step, place in sampled)}
    for leg in legs:
        for place in sorted(place for name, place in wanted if name == leg.step):
            warm, lag = c.among([-4, 0, -2]), c.among([1.0, 1.6])
            at = leg.start + c.among([0, m.pace])
            while at <= leg.end:
                value = COLD_F[0] + c.among([0, 4, 6]) + warm + c.among([0, 1, -1]) / 10
                if leg.step in hot:
                    value = temperature_f(m, leg, at, warm, lag) if place == "core" else c.among([130.0, 140.0, 84.0])
                if (check_at := m.beside(at)) <= leg.end:
                    m.events.append(LotEvent(check_at, "check", lot, place, f"{value:.1f} °F"))
                at += m.pace * c.among([1, 1, 2, 4]) + c.among([0, SECOND])


def _measures(m: Making, lot: str, product: Product, legs: Sequence[Leg]) -> None:
    """Values entered, where a limit asks for any."""
    c = m.choose
    rules = [limit.rule for step in product.steps for limit in step.limits]
    wanted: list[tuple[str, Sequence[float]]] = []
    if any(isinstance(rule, Cooling) and rule.needs for rule in rules) or any(isinstance(rule, Composition) for rule in rules):
        nitrite: list[tuple[str, Sequence[float]]] = [("cure_g", (24.0, 12.0)), ("cure_nitrite_pct", (6.25,)), ("weight_kg", (12.5, 8.0))]
        wanted += c.among([[("nitrite_ppm", (120, 100, 60, 156, 157))], nitrite, [*nitrite, ("nitrite_ppm", (120, 100))], []])
        wanted += c.among([[("salt_pct", (2.0, 3.0, 1.9)), ("moisture_pct", (60.0, 50.0))], [("brine_pct", (3.0, 6.0, 6.1))], []])
        wanted += c.among([[("water_activity", (0.92, 0.9, 0.93))], []])
    if any(isinstance(rule, DegreeHours) for rule in rules) and c.chance(75):
        wanted += [("pH", (5.6, 5.4))] * c.number(0, 1) + [("pH", (5.3, 5.2, 5.31))]
    if any(isinstance(rule, Humidity) and rule.min_rh is None for rule in rules):
        wanted += [("humid_min", (m.pace / MINUTE, 2 * m.pace / MINUTE, 4 * m.pace / MINUTE))] * c.number(0, 3)
    start, end = legs[0].start, legs[-1].end
    for name, values in wanted:
        span = end - start
        ferment = [leg for leg in legs if leg.step in ("ferment", "cook")]
        if name in ("pH", "humid_min") and ferment and c.chance(80):
            leg = c.among(ferment)
            at = leg.start + (leg.end - leg.start) * c.number(0, 100) // 100
        else:
            at = c.among([start, *[leg.start for leg in legs], start + span * c.number(0, 60) // 100])
        at = m.beside(at)
        if at < end:
            m.events.append(LotEvent(at, "measure", lot, name, f"{c.among(values):g}"))


def _taken_back(m: Making, lot: str, plan: Plan, index: int, legs: Sequence[Leg]) -> None:
    """A step entered by mistake and undone."""
    leg, beside = legs[index], {other.step for other in legs[index : index + 2]}
    wrong = m.free(leg.start + (leg.end - leg.start) // 2 + SECOND)
    undone = m.free(wrong + 2 * m.pace)
    names = [step.name for step in plan.products[0].steps if step.name not in beside and step.advance is None]
    here: Step = step_of(plan, leg)
    if names and undone < leg.end and here.advance is None:
        m.events.append(LotEvent(wrong, "step", lot, m.choose.among(names)))
        m.events.append(LotEvent(undone, "undo", lot, "", format_instant(wrong)))
