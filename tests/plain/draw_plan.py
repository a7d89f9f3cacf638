"""Generated plans: every kind of limit, set against the sampling so that verdicts vary. All figures are invented."""

from __future__ import annotations

from dataclasses import replace

from rules.limits.spec import (
    Band,
    Ceiling,
    ComeUp,
    Composition,
    Cooling,
    DegreeHours,
    Dwell,
    Exposure,
    Floor,
    HoldLethality,
    Humidity,
    IntegratedLethality,
    Need,
    Profile,
    Row,
    Rule,
    Stage,
    Tier,
    Window,
)
from rules.plan import Advance, Limit, Plan, Probe, Product, Room, Site, Standing, Step
from rules.quantity import fahrenheit
from rules.reading import SECOND
from tests.plain.making import COLD_F, Making

COURSES = (
    ("cook", "chill"),
    ("receive",),
    ("cure", "cook", "chill"),
    ("cook", "chill", "hold"),
    ("receive", "grind", "rest", "cure", "ferment", "cook", "chill", "hold"),
    ("grind", "rest", "cure"),
    ("cure", "hold"),
    ("chill",),
    ("ferment", "cook"),
    ("cook", "chill", "reheat", "hold"),
    ("grind", "ferment"),
    ("ferment",),
)
ROOM_OF = {"grind": "cutting", "cook": "house-1", "ferment": "house-1", "reheat": "house-1"}
BANDS = (
    (Band(None, fahrenheit(90.0), 1200 / 1.8), Band(fahrenheit(90.0), fahrenheit(100.0), 1000 / 1.8)),
    (Band(None, None, 1200 / 1.8),),
    (Band(None, fahrenheit(85.0), 900 / 1.8), Band(fahrenheit(85.0), fahrenheit(95.0), 600 / 1.8), Band(fahrenheit(95.0), None, 300 / 1.8)),
)


def draw_plan(m: Making) -> Plan:
    """A product of some steps, its rooms and probes."""
    c = m.choose
    steps = tuple(_step(m, name) for name in c.among(COURSES))
    if not any(limit.critical for s in steps if not s.optional for limit in s.limits):
        at = next((n for n, s in enumerate(steps) if not s.optional and not isinstance(s.limits[0].rule, Profile)), None)
        made = _limit(m, "kept", Ceiling(fahrenheit(160.0)), "core") if at is None else steps[at].limits[0]
        first = steps[at or 0]
        limits = (replace(made, critical=True), *(first.limits if at is None else first.limits[1:]))
        steps = tuple(replace(first, limits=limits) if s is first else s for s in steps)
    rooms = (Room("house-1", "chamber"), Room("cooler-1", "cooler"), Room("cutting", "work")) if m.rooms else ()
    altitude = c.among([None, 180.0])
    site = Site("ferncliff", "Ferncliff Yard Smokehouse", c.among(["UTC", "America/Chicago"]), unit="F", altitude_m=altitude)
    return Plan(site, (Product("juniper-links", "juniper links", steps),), rooms, _probes(m), _standing(m))


def _probes(m: Making) -> tuple[Probe, ...]:
    c = m.choose
    probes = [Probe(f"core-{n}", "core", None, c.among([None, 0.2, 0.5 * 5 / 9])) for n in range(1, 6)]
    fixed = [
        ("chamber-1", "chamber", "house-1", 100),
        ("chamber-2", "chamber", "house-1", 15),
        ("cooler-a", "cooler", "cooler-1", 100),
        ("cooler-b", "cooler", "cooler-1", 40),
        ("room-1", "room", "cutting", 100),
        ("rh-1", "humidity", "house-1", 100),
        ("wet-1", "wet-bulb", "house-1", 100),
    ]
    for id_, place, room, often in fixed:
        if c.chance(often):
            u = c.among([None, 2.0] if place == "humidity" else [None, 0.5 * 5 / 9])
            probes.append(Probe(id_, place, room if m.rooms else None, u))
    probes = [replace(p, dry_bulb="chamber-1") if p.place == "wet-bulb" and c.chance(60) else p for p in probes]
    if c.chance(25):
        probes = [replace(p, stuck_after=m.pace * c.number(2, 4)) if c.chance(60) else p for p in probes]
    if c.chance(15):
        rate = c.among([5.0, 2.0, 10.0]) / (m.pace / SECOND)  # so many °C in one sampling period
        probes = [replace(p, max_rate_c_s=rate) if c.chance(60) else p for p in probes]
    if c.chance(10):
        span = (fahrenheit(33.5), fahrenheit(c.among([149.0, 150.5, 145.0])))
        probes = [replace(p, span_c=span) if p.place != "humidity" and c.chance(60) else p for p in probes]
    return tuple(probes)


def _standing(m: Making) -> tuple[Standing, ...]:
    c = m.choose
    if not m.rooms or not c.chance(20):
        return ()
    rules: list[Rule] = [
        Ceiling(fahrenheit(c.among(COLD_F)), c.among([0, m.span(1, 5)])),
        Floor(fahrenheit(34.0), m.span(0, 4)),
        Exposure((Tier(fahrenheit(38.0), m.span(2, 9)),)),
        Dwell(m.span(4, 9), max_c=fahrenheit(38.0)),
    ]
    return (Standing("cooler-1", (_limit(m, "cooler air", c.among(rules), "cooler"),)),)


def _limit(m: Making, name: str, rule: Rule, place: str, **more: object) -> Limit:
    c = m.choose
    gap = m.pace * c.among([2, 1, 3]) + c.among([0, 0, SECOND])
    sampled = more.get("sampled")
    if isinstance(sampled, int):
        gap = sampled * 12 // 10
    critical = c.chance(75) and not isinstance(rule, Profile)
    return Limit(name, rule, place, gap, critical=critical, guard=not c.chance(10), **more)  # type: ignore[arg-type]


def _sampled(m: Making, often: int) -> int | None:
    return m.pace * m.choose.number(1, 3) if m.choose.chance(often) else None


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


def _cold_limits(m: Making, step: str) -> list[Limit]:
    c = m.choose
    place = "room" if step == "grind" else "cooler"
    limits = []
    for n in range(c.number(1, 2)):
        rule = c.among(_cold_rules(m))
        sampled = _sampled(m, 20)
        probes = 1 if isinstance(rule, Dwell) and c.chance(30) else None
        over = ("receive", "grind") if step == "receive" and c.chance(10) else ()
        limits.append(_limit(m, f"{step} {n}", rule, c.among([place, "core"]), sampled=sampled, probes=probes, over=over))
    if step in ("grind", "cure") and c.chance(35):
        limits.append(_limit(m, "mixed", _composition(m), ""))
    return limits


def _composition(m: Making) -> Rule:
    c = m.choose
    return c.among(
        [
            Composition("nitrite_ppm", 100.0, 156.0),
            Composition("salt_pct", 2.0),
            Composition("brine_pct", 3.0, 6.0),
            Composition("water_activity", most=0.92),
            Composition("nitrite_ppm", most=100.0),
        ]
    )


def _humidity(m: Making) -> Limit:
    c = m.choose
    share, least = c.among([(0.5, None), (None, m.span(2, 6)), (0.25, m.span(2, 5)), (0.5, m.span(1, 3))])
    kind = c.among(["humidity", "wet-bulb", "wet-bulb", "record", "exempt"])
    if kind == "exempt":
        return _limit(m, "humidity", Humidity(None, share, least, "casing", "invented"), "humidity")
    min_rh = None if kind == "record" else c.among([50.0, 60.0, 75.0])
    return _limit(m, "humidity", Humidity(min_rh, share, least), "wet-bulb" if kind == "wet-bulb" else "humidity")


def _profile(m: Making) -> Limit:
    c = m.choose
    last = Stage(fahrenheit(150.0), *c.among([(m.span(2, 6), None), (None, fahrenheit(145.0))]))
    first = c.among(
        [Stage(fahrenheit(140.0), m.span(3, 8)), Stage(fahrenheit(140.0), None, fahrenheit(120.0)), Stage(fahrenheit(130.0), m.span(2, 5))]
    )
    tolerance = c.among([15.0, 10.0, 10.5, 21.0]) * 5 / 9
    fire_out = c.among([None, (20 * 5 / 9, m.pace * 2), (10 * 5 / 9, m.pace)])
    return _limit(m, "course", Profile((first, last), tolerance, m.pace * c.number(0, 3), fire_out), "chamber")


def _cook_limits(m: Making) -> list[Limit]:
    c = m.choose
    limits = []
    sampled = _sampled(m, 8)
    if c.chance(85):
        rows = [Row(fahrenheit(f), m.span(low, high)) for f, low, high in ((140.0, 3, 7), (145.0, 1, 4)) if c.chance(75)]
        hold = HoldLethality((*(rows or [Row(fahrenheit(142.0), m.span(1, 4))]), *([Row(fahrenheit(150.0), 0)] if c.chance(60) else [])))
        limits.append(_limit(m, "lethality", hold, "core", probes=c.among([None, None, 1, 2]), sampled=sampled))
    if c.chance(35) or not limits:
        d = m.pace * c.number(1, 3)
        integral = IntegratedLethality(fahrenheit(145.0), d, 5.5, fahrenheit(140.0), c.among([1.0, 2.0, 3.0]), "invented")
        limits.append(_limit(m, "integral", integral, "core", probes=c.among([None, 1])))
    if c.chance(70):
        rule = ComeUp(fahrenheit(50.0), fahrenheit(130.0), m.span(3, 12))
        limits.append(_limit(m, "come-up", rule, "core", sampled=_sampled(m, 60 if sampled else 8)))
    if c.chance(30):
        limits.append(_limit(m, "air", Floor(fahrenheit(130.0), m.span(0, 4)), c.among(["chamber", "core"]), sampled=_sampled(m, 30)))
    limits += [_humidity(m)] if c.chance(25) else []
    limits += [_profile(m)] if c.chance(25) else []
    return limits


def _ferment_limits(m: Making) -> list[Limit]:
    c = m.choose
    limits = []
    if c.chance(90):
        bands = c.among(BANDS)
        scale = m.pace / SECOND / 3600 * c.among([3, 5, 8]) / 40  # the bands' figures are for days, a scenario lasts hours
        scaled = tuple(Band(b.from_c, b.to_c, b.limit * scale) for b in bands)
        rule = DegreeHours(fahrenheit(60.0), scaled, 5.3)
        limits.append(_limit(m, "warmth", rule, c.among(["chamber", "core"]), sampled=_sampled(m, 5)))
    if c.chance(30) or not limits:
        limits.append(_humidity(m))
    limits += [_limit(m, "measured", _composition(m), "")] if c.chance(25) else []
    return limits


def _chill_limits(m: Making, step: str) -> list[Limit]:
    c = m.choose
    limits = []
    if c.chance(90):
        windows = [Window(fahrenheit(80.0), within=m.span(3, 9))] if c.chance(75) else []
        last = m.span(4, 20)
        windows.append(Window(fahrenheit(45.0), within=last) if c.chance(50) else Window(fahrenheit(45.0), by=last + m.pace * 5))
        needs = ((Need("nitrite_ppm", 100.0),), (Need("brine_pct", 3.0), Need("nitrite_ppm", 40.0))) if c.chance(15) else ()
        over = ("chill", "hold") if c.chance(40) else ()
        begin = m.span(1, 6) if c.chance(20) else None
        rule = Cooling(fahrenheit(c.among([130.0, 126.0])), tuple(windows), needs, begin)
        more = {"over": over, "probes": c.among([None, None, 1]), "sampled": _sampled(m, 8)}
        limits.append(_limit(m, "stabilization", rule, "core", **more))
    if c.chance(30) or not limits:
        limits.append(_limit(m, f"{step} air", Ceiling(fahrenheit(40.0), m.span(1, 5)), "cooler"))
    return limits


def _advance(m: Making, step: str) -> Advance | None:
    c = m.choose
    how = c.among(["auto", "auto", "ask"])
    if step in ("cook", "reheat") and c.chance(40):
        return Advance("lethality met", how)
    if step == "cure" and c.chance(40):
        return Advance("dwell met", how)
    if step in ("receive", "cure", "ferment") and c.chance(15):
        return Advance("after", how, m.span(2, 6) + 7 * SECOND)
    if step == "cure" and c.chance(15):
        return Advance("core", how, m.span(1, 3), at_most_c=fahrenheit(40.0))
    if step == "cook" and c.chance(10):
        return Advance("core", how, m.span(1, 3), at_least_c=fahrenheit(140.0))
    return None


def _step(m: Making, name: str) -> Step:
    c = m.choose
    if name in ("cook", "reheat"):
        limits = _cook_limits(m)
    elif name == "chill":
        limits = _chill_limits(m, name)
    else:
        limits = _ferment_limits(m) if name == "ferment" else _cold_limits(m, name)
    room = ROOM_OF.get(name, "cooler-1") if m.rooms else None
    repeats = c.chance({"grind": 70, "cook": 20, "chill": 20}.get(name, 0))
    return Step(name, room, tuple(limits), _advance(m, name), optional=name == "rest", repeats=repeats)
