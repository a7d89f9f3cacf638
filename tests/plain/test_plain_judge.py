"""The plain judge against cases worked out by hand from the page, sentence by sentence. Temperatures in °C, times in minutes."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

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
from rules.quantity import fahrenheit, format_span
from rules.reading import MINUTE, Event, Fault, LotEvent, Reading, Span
from tests.plain.judge import judge


def minutes(text: str) -> Span:
    """Microseconds of "12" or "12:30"."""
    whole, _, seconds = text.partition(":")
    return int(whole) * MINUTE + int(seconds or 0) * MINUTE // 60


def readings(probe: str, script: str) -> list[Event]:
    """Readings of "0 33, 5:30 34.5, 6 fault, 7 35?": a value with ? is suspect."""
    found: list[Event] = []
    for item in filter(None, script.split(", ")):
        time, value = item.split(" ")
        at = minutes(time)
        if value == "fault":
            found.append(Fault(probe, at, "open circuit"))
        else:
            found.append(Reading(probe, at, float(value.rstrip("?")), suspect="source" if value.endswith("?") else ""))
    return found


def acts(script: str, lot: str = "J-1") -> list[Event]:
    """Lot events of "0 start p; 0 place core-1; 30 remove core-1 moved; 60 end"."""
    found: list[Event] = []
    for item in filter(None, script.split("; ")):
        time, event, *rest = item.split(" ")
        found.append(LotEvent(minutes(time), event, lot, rest[0] if rest else "", " ".join(rest[1:])))
    return found


PROBES = (Probe("core-1", "core"), Probe("core-2", "core"), Probe("core-3", "core"), Probe("chamber-1", "chamber", "house"))


def plan_of(*steps: Step, probes: Sequence[Probe] = PROBES, rooms: bool = False) -> Plan:
    """A plan of one product `p`; without rooms the fixed probe serves everywhere."""
    fixed = probes if rooms else [Probe(p.id, p.place, None, p.uncertainty_c) for p in probes]
    named = (Room("house", "chamber"), Room("cooler", "cooler")) if rooms else ()
    return Plan(Site("ferncliff", "Ferncliff Yard Smokehouse"), (Product("p", "p", steps),), named, tuple(fixed))


def watches(plan: Plan, events: Sequence[Event], limit: str = "limit", at: Span | None = None) -> list[str]:
    """Each watch as "probe verdict time"."""
    limits = [found for lot in judge(plan, events, at)["lots"] for found in lot["limits"] if found["limit"] == limit]
    told = [(w["probe"], w["verdict"], "" if w["at"] is None else " " + format_span(w["at"])) for found in limits for w in found["watches"]]
    return [f"{probe} {verdict}{time}" for probe, verdict, time in told]


def verdict_of(plan: Plan, events: Sequence[Event], limit: str = "limit", at: Span | None = None) -> str:
    """A limit's verdict."""
    return next(str(found["verdict"]) for lot in judge(plan, events, at)["lots"] for found in lot["limits"] if found["limit"] == limit)


def one(
    rule: Rule, script: str, gap: str = "15", end: str = "60", u: float = 0.0, placed: str = "0 place core-1", guard: bool = True
) -> str:
    """One core probe under one limit from 0 to `end`."""
    plan = plan_of(
        Step("step", None, (Limit("limit", rule, "core", minutes(gap), guard=guard),)), probes=(Probe("core-1", "core", None, u),)
    )
    events = [*acts(f"0 start p; {placed}; {end} end" if end else f"0 start p; {placed}"), *readings("core-1", script)]
    [told] = watches(plan, events)
    return told.removeprefix("core-1 ")


def m(n: float) -> Span:
    """Minutes."""
    return round(n * MINUTE)


CEILING, FORGIVING = Ceiling(4.0), Ceiling(4.0, m(10), 0.5)
STEADY = "0 3, 10 3, 20 3, 30 3, 40 3, 50 3, 60 3"
CEILINGS = {
    "kept throughout": (CEILING, STEADY, {}, "met 1 h"),
    "exactly at max is not above": (CEILING, "0 4, 10 4, 20 4, 30 4, 40 4, 50 4, 60 4", {}, "met 1 h"),
    "a limit in °F is met by exactly that value in °C": (Ceiling(fahrenheit(34)), "0 1.1111, 10 1.1114, 20 1", {"end": "20"}, "met 20 min"),
    "a thousandth above is above": (CEILING, "0 3, 10 4.001, 20 3", {"end": "20"}, "deviated 10 min"),
    "allowed 0 deviates at the first reading above": (CEILING, "0 3, 10 5, 20 3", {"end": "20"}, "deviated 10 min"),
    "uncertainty is added": (CEILING, "0 3, 10 3.8, 20 3", {"end": "20", "u": 0.3}, "deviated 10 min"),
    "guard none takes the reading as it is": (CEILING, "0 3, 10 3.8, 20 3", {"end": "20", "u": 0.3, "guard": False}, "met 20 min"),
    "the interval before the opening reading is not time over": (FORGIVING, "0 3, 10 5, 20 3, 30 3", {"end": "30"}, "met 30 min"),
    "time over passes allowed inside an interval": (FORGIVING, "0 3, 10 5, 18 5, 24 3, 30 3", {"end": "30"}, "deviated 20 min"),
    "time over of exactly allowed is allowed": (FORGIVING, "0 3, 10 5, 15 5, 20 3, 30 3", {"end": "30"}, "met 30 min"),
    "a second excursion counts from nothing": (FORGIVING, "0 3, 5 5, 13 3, 20 5, 28 3, 30 3", {"end": "30"}, "met 30 min"),
    "within the deadband the excursion goes on": (FORGIVING, "0 3, 5 5, 11 3.8, 15 5, 22 3, 30 3", {"end": "30"}, "deviated 15 min"),
    "below max inside the deadband is not time over": (FORGIVING, "0 3, 5 5, 10 3.8, 20 3.8, 30 3.8", {"end": "30"}, "met 30 min"),
    "leading edge above counts": (FORGIVING, "6 5, 11 3, 20 3, 30 3", {"end": "30"}, "deviated 10 min"),
    "trailing edge above counts": (FORGIVING, "0 3, 10 3, 18 5", {"end": "30"}, "deviated 28 min"),
    "gap with both ends above counts in full": (FORGIVING, "0 3, 10 5, 30 5, 35 3", {"end": "40"}, "deviated 20 min"),
    "gap with one end above leaves unproven": (FORGIVING, "0 3, 10 5, 30 3, 40 3", {"end": "40"}, "unproven 30 min"),
    "gap with both ends below leaves unproven": (CEILING, "0 3, 20 3, 30 3", {"end": "30"}, "unproven 20 min"),
    "an interval of exactly max_gap is no gap": (CEILING, "0 3, 15 3, 30 3", {"end": "30"}, "met 30 min"),
    "long leading edge leaves unproven": (CEILING, "16 3, 30 3", {"end": "30"}, "unproven 16 min"),
    "long trailing edge leaves unproven": (CEILING, "0 3, 13 3", {"end": "30"}, "unproven 30 min"),
    "deviated outranks unproven": (CEILING, "16 3, 20 5, 30 3", {"end": "30"}, "deviated 20 min"),
    "no reading at all": (CEILING, "", {"end": "30"}, "unproven 30 min"),
    "a fault is no evidence": (CEILING, "0 3, 10 fault, 20 3", {"end": "20"}, "unproven 20 min"),
    "a suspect reading above keeps it from met": (CEILING, "0 3, 10 9?, 15 3", {"end": "20"}, "unproven 10 min"),
    "a suspect reading below changes nothing": (CEILING, "0 3, 10 2?, 15 3", {"end": "20"}, "met 20 min"),
    "of equal values the suspect one stands": (CEILING, "0 3, 10 9?, 10 9, 15 3", {"end": "20"}, "unproven 10 min"),
    "of two values the worse": (CEILING, "0 3, 10 3, 10 5, 20 3", {"end": "20"}, "deviated 10 min"),
    "a fault beside a value is ignored": (CEILING, "0 3, 10 fault, 10 3, 20 3", {"end": "20"}, "met 20 min"),
    "a reading at the closing belongs to it": (CEILING, "0 3, 10 3, 20 5", {"end": "20"}, "deviated 20 min"),
    "a reading before placement does not": (CEILING, "0 9, 10 3, 20 3", {"end": "20", "placed": "5 place core-1"}, "met 20 min"),
    "open while the lot is open": (CEILING, "0 3, 10 3", {"end": ""}, "open"),
    "floor is the mirror": (Floor(4.0), "0 5, 10 4, 20 3.9", {"end": "20"}, "deviated 20 min"),
    "floor takes uncertainty off": (Floor(4.0), "0 5, 10 4.2, 20 5", {"end": "20", "u": 0.3}, "deviated 10 min"),
    "floor forgives": (Floor(4.0, m(10)), "0 5, 10 3, 20 5, 30 5", {"end": "30"}, "met 30 min"),
}


@pytest.mark.parametrize("case", CEILINGS)
def test_ceiling_and_floor(case: str) -> None:
    """Each name is the fact."""
    rule, script, how, expected = CEILINGS[case]
    assert one(rule, script, **how) == expected  # type: ignore[arg-type]


TIER = Exposure((Tier(10.0, m(20)),))
TIERS = Exposure((Tier(10.0, m(20)), Tier(20.0, m(5))))
EXPOSURES = {
    "an interval counts whole if either end is above": (TIER, "0 9, 10 11, 20 9, 30 9", {"end": "30"}, "met 30 min"),
    "sum passes within an interval": (TIER, "0 9, 10 11, 21 9, 30 9", {"end": "30"}, "deviated 20 min"),
    "sums of separate stretches add up": (TIER, "0 11, 10 9, 20 9, 30 11, 41 9", {"end": "45"}, "deviated 30 min"),
    "a gap with both ends above is certain": (TIER, "0 9, 10 11, 30 11, 35 9", {"end": "35"}, "deviated 20 min"),
    "a gap with one end above is possible": (TIER, "0 9, 10 11, 30 9, 35 9", {"end": "35"}, "unproven 35 min"),
    "a gap below is possible too": (TIER, "0 9, 21 9, 30 9", {"end": "30"}, "unproven 30 min"),
    "a possible sum that stays within is met": (TIER, "0 9, 18 9, 30 9", {"end": "30"}, "met 30 min"),
    "any tier deviates": (TIERS, "0 9, 2 21, 6 9, 10 9", {"end": "10"}, "deviated 5 min"),
    "long leading edge is possible": (TIER, "21 9, 30 9", {"end": "30"}, "unproven 30 min"),
    "short edges count at the known end": (TIER, "10 11, 15 9, 20 9, 30 11", {"end": "40"}, "deviated 25 min"),
    "open until closing": (TIER, "0 9, 21 9", {"end": ""}, "open"),
}


@pytest.mark.parametrize("case", EXPOSURES)
def test_exposure(case: str) -> None:
    """Each name is the fact."""
    rule, script, how, expected = EXPOSURES[case]
    assert one(rule, script, **how) == expected  # type: ignore[arg-type]


COLD, WARM, UNBROKEN = Dwell(m(20), max_c=4.0), Dwell(m(20), min_c=60.0), Dwell(m(20), max_c=4.0, contiguous=True)
DWELLS = {
    "met at the reading that completes it": (COLD, "0 4, 10 4, 20 4, 30 9", {"end": "30"}, "met 20 min"),
    "met is final": (COLD, "0 4, 10 4, 20 4, 30 9", {"end": ""}, "met 20 min"),
    "stretches add up": (COLD, "0 4, 10 4, 20 9, 30 4, 40 4", {"end": "40"}, "met 40 min"),
    "contiguous starts again": (UNBROKEN, "0 4, 10 4, 20 9, 30 4, 40 4", {"end": "40"}, "deviated 40 min"),
    "a gap earns nothing": (COLD, "0 4, 20 4, 30 4", {"end": "30"}, "deviated 30 min"),
    "edges earn nothing": (COLD, "5 4, 15 4, 24 4", {"end": "30"}, "deviated 30 min"),
    "at or above min": (WARM, "0 60, 10 60, 20 60", {"end": "30"}, "met 20 min"),
    "uncertainty is used against it": (COLD, "0 3.9, 10 3.9, 20 3.9", {"end": "20", "u": 0.2}, "deviated 20 min"),
    "no reading is unproven, not deviated": (COLD, "", {"end": "20"}, "unproven 20 min"),
    "a reading at the closing completes it": (COLD, "0 4, 10 4, 20 4", {"end": "20"}, "met 20 min"),
    "withdrawn while short": (COLD, "0 4, 10 4", {"placed": "0 place core-1; 15 remove core-1 done"}, "unproven 15 min"),
    "placed again it starts from nothing": (
        COLD,
        "0 4, 10 4, 16 4, 30 4, 35 4",
        {"placed": "0 place core-1; 12 remove core-1 moved; 14 place core-1", "end": "40"},
        "deviated 40 min",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", DWELLS)
def test_dwell(case: str) -> None:
    """Each name is the fact."""
    rule, script, how, expected = DWELLS[case]
    assert one(rule, script, **how) == expected  # type: ignore[arg-type]


HOLD = HoldLethality((Row(60.0, m(10)), Row(65.0, m(4)), Row(70.0, 0)))
INTEGRAL = IntegratedLethality(60.0, m(2), 10.0, 58.0, 5.0, "invented")
LETHALITIES = {
    "a row held": (HOLD, "0 60, 2 60, 4 60, 6 60, 8 60, 10 60", {"gap": "2"}, "met 10 min"),
    "a touch is not a hold": (HOLD, "0 20, 2 60, 4 20", {"gap": "2", "end": "4"}, "deviated 4 min"),
    "a row of 0 s needs two successive readings": (HOLD, "0 69, 2 70, 4 70", {"gap": "2"}, "met 4 min"),
    "one reading at 0 s is not enough": (HOLD, "0 59, 2 75, 4 59", {"gap": "2", "end": "4"}, "deviated 4 min"),
    "a dip restarts its row and leaves lower rows": (HOLD, "0 65, 2 65, 4 64.9, 6 65, 8 65, 10 60", {"gap": "2"}, "met 10 min"),
    "a gap restarts every row": (HOLD, "0 66, 2 66, 5 66, 7 66, 9 66", {"gap": "2"}, "met 9 min"),
    "uncertainty is taken off": (
        HOLD,
        "0 60.1, 2 60.1, 4 60.1, 6 60.1, 8 60.1, 10 60.1",
        {"gap": "2", "u": 0.2, "end": "10"},
        "deviated 10 min",
    ),
    "of two values the colder": (HOLD, "0 70, 2 70, 2 59, 4 70, 6 70", {"gap": "2"}, "met 6 min"),
    "still open while the lot is": (HOLD, "0 60, 2 60", {"gap": "2", "end": ""}, "open"),
    "no reading is unproven": (HOLD, "", {"gap": "2", "end": "9"}, "unproven 9 min"),
    "withdrawn before the end of the step": (
        HOLD,
        "0 60",
        {"gap": "2", "placed": "0 place core-1; 3 remove core-1 slipped"},
        "unproven 3 min",
    ),
    "integral adds up": (INTEGRAL, "0 60, 2 60, 4 60, 6 60, 8 60, 10 60", {"gap": "2"}, "met 10 min"),
    "integral takes the lower end": (INTEGRAL, "0 60, 2 70, 4 60, 6 60, 8 60, 10 60", {"gap": "2"}, "met 10 min"),
    "integral is ten times as fast 10 °C above": (INTEGRAL, "0 70, 1 70, 2 70", {"gap": "2"}, "met 1 min"),
    "integral earns nothing below its floor": (INTEGRAL, "0 57.9, 30 57.9, 60 57.9", {"gap": "30"}, "deviated 1 h"),
    "integral earns nothing in a gap": (INTEGRAL, "0 60, 10 60", {"gap": "2", "end": "10"}, "deviated 10 min"),
}


@pytest.mark.parametrize("case", LETHALITIES)
def test_lethality(case: str) -> None:
    """Each name is the fact."""
    rule, script, how, expected = LETHALITIES[case]
    assert one(rule, script, **how) == expected  # type: ignore[arg-type]


COME_UP = ComeUp(10.0, 54.0, m(30))
COME_UPS = {
    "met at the first of two hot readings": (COME_UP, "0 5, 10 30, 20 50, 25 54, 30 54", {"end": "30"}, "met 25 min"),
    "met is provisional before closing": (COME_UP, "0 5, 10 30, 20 50, 25 54, 30 54", {"end": ""}, "met 25 min"),
    "an interval counts unless both ends are low or both hot": (COME_UP, "0 5, 10 55, 20 5, 30 55, 40 55", {"end": "40"}, "met 30 min"),
    "passing is dated within the interval": (COME_UP, "0 5, 10 30, 20 40, 31 50", {"end": "40"}, "deviated 30 min"),
    "never hot twice is unproven": (COME_UP, "0 5, 10 30, 20 55", {"end": "25"}, "unproven 25 min"),
    "two hot readings across a gap are no pair": (COME_UP, "0 5, 10 55, 26 55", {"end": "30"}, "unproven 30 min"),
    "never seen at or below low is unproven": (COME_UP, "0 11, 10 55, 20 55", {"end": "20"}, "unproven 20 min"),
    "a gap between is certain": (COME_UP, "0 5, 5 30, 35 30", {"end": "40"}, "deviated 30 min"),
    "a gap from low to hot is possible": (COME_UP, "0 5, 31 55, 40 55", {"end": "40"}, "unproven 40 min"),
    "at low is low and at high is hot": (COME_UP, "0 10, 10 10, 20 54, 30 54", {"end": "30"}, "met 20 min"),
    "uncertainty makes neither": (COME_UP, "0 10, 10 10, 20 54, 31 54", {"end": "31", "u": 0.1}, "deviated 30 min"),
}


@pytest.mark.parametrize("case", COME_UPS)
def test_come_up(case: str) -> None:
    """Each name is the fact."""
    rule, script, how, expected = COME_UPS[case]
    assert one(rule, script, **how) == expected  # type: ignore[arg-type]


BY = Cooling(54.0, (Window(27.0, within=m(60)), Window(4.0, by=m(180))))
FAST = Cooling(54.0, (Window(27.0, within=m(30)), Window(4.0, within=m(40))))
COOLINGS = {
    "met at the last mark": (FAST, "0 55, 10 40, 20 27, 30 15, 40 4, 50 4, 60 4, 70 4", {"end": "200"}, "met 40 min"),
    "met is final after 30 min": (FAST, "0 55, 10 40, 20 27, 30 15, 40 4, 50 4, 60 4, 70 4, 80 20", {"end": "90"}, "met 40 min"),
    "warming before that withdraws the mark": (FAST, "0 55, 10 40, 20 27, 30 15, 40 4, 50 5, 60 4, 65 4", {"end": "70"}, "met 1 h"),
    "a withdrawn mark is outstanding again": (FAST, "0 55, 10 40, 20 27, 30 15, 40 4, 50 5, 61 4, 65 4", {"end": "70"}, "deviated 1 h"),
    "the clock starts at the reading before the crossing": (FAST, "0 55, 10 53, 20 40, 29 28, 31 26", {"end": ""}, "deviated 30 min"),
    "while the newest is at or above start it waits": (FAST, "0 55, 15 55, 30 54, 45 54", {"end": ""}, "open"),
    "a mark at the deadline is in time": (FAST, "0 55, 10 40, 20 30, 30 27, 45 10, 60 4, 70 4", {"end": "70"}, "met 1 h"),
    "above at the deadline is late": (FAST, "0 55, 10 40, 20 30, 30 28, 31 26", {"end": ""}, "deviated 30 min"),
    "a deadline in a gap, mark after it": (FAST, "0 55, 10 40, 26 27.5, 42 20", {"end": ""}, "unproven 26 min"),
    "a deadline in a gap is unproven at it": (FAST, "0 55, 10 40, 20 35, 36 20", {"end": ""}, "unproven 30 min"),
    "a deadline in a gap and still above is deviated at the reading": (FAST, "0 55, 10 40, 20 35, 36 28", {"end": ""}, "deviated 36 min"),
    "past a deadline in silence it stays open": (FAST, "0 55, 10 40, 20 35", {"end": ""}, "open"),
    "closed after a deadline outside a gap": (FAST, "0 55, 10 40, 20 35", {"end": "32"}, "deviated 30 min"),
    "closed before a deadline": (FAST, "0 55, 10 40, 20 35", {"end": "25"}, "unproven 25 min"),
    "closed long after the last reading": (FAST, "0 55, 10 40, 20 35", {"end": "50"}, "unproven 30 min"),
    "windows count from the marks": (FAST, "0 55, 10 20, 20 15, 30 10, 40 6, 52 3", {"end": ""}, "deviated 50 min"),
    "by counts from the start": (Cooling(54.0, (Window(4.0, by=m(30)),)), "0 55, 10 30, 20 10, 31 4", {"end": ""}, "deviated 30 min"),
    "a rise after 2 °C below does not restart": (FAST, "0 55, 10 52, 20 55, 29 40, 31 26", {"end": ""}, "deviated 30 min"),
    "a rise from less than 2 °C below does": (FAST, "0 55, 10 53, 20 55, 30 40, 40 27, 50 4", {"end": "55"}, "met 50 min"),
    "a gap before the last mark leaves unproven": (FAST, "0 55, 10 40, 26 20, 36 4, 46 4", {"end": "50"}, "unproven 26 min"),
    "uncertainty against start and to": (FAST, "0 54.1, 10 53.9, 20 40, 30 26.9, 41 4", {"end": "", "u": 0.2}, "deviated 30 min"),
    "never hot starts at the opening, unproven": (FAST, "0 30, 10 20, 20 4, 30 4, 40 4, 50 4", {"end": "60"}, "unproven 0 s"),
    "withdrawn while short": (FAST, "0 55, 10 40", {"placed": "0 place core-1; 15 remove core-1 slipped"}, "unproven 15 min"),
    "a withdrawn mark past its deadline": (FAST, "0 55, 10 40, 20 26, 31 28", {"end": ""}, "deviated 31 min"),
    "a withdrawn mark before its deadline": (FAST, "0 55, 10 26, 20 28, 29 26, 40 3, 50 3", {"end": "50"}, "met 40 min"),
}  # fmt: skip


@pytest.mark.parametrize("case", COOLINGS)
def test_cooling(case: str) -> None:
    """Each name is the fact."""
    rule, script, how, expected = COOLINGS[case]
    assert one(rule, script, **how) == expected  # type: ignore[arg-type]


def limit_of(rule: Rule, place: str = "core", gap: float = 15, **more: object) -> Limit:
    """A limit named `limit`."""
    return Limit("limit", rule, place, m(gap), **more)  # type: ignore[arg-type]


COOK = Step("cook", None, (Limit("lethality", HOLD, "core", m(2)),))
CHILL = Step("chill", None, (limit_of(FAST),))
HOT = "0 60, 2 70, 4 70, 6 56, 16 40, 26 27, 36 15, 46 4, 56 4, 66 4, 76 4"


def test_cooling_opens_when_lethality_is_met_and_starts_in_the_earlier_step() -> None:
    """Nobody entered the cooling's step in time; the clock started in the cook all the same."""
    events = [*acts("0 start p; 0 place core-1; 40 step chill; 80 end"), *readings("core-1", HOT)]
    assert watches(plan_of(COOK, CHILL), events) == ["core-1 met 46 min"]


def test_cooling_takes_the_start_of_another_core_probe() -> None:
    """A probe put in when it was cool already has the other's start, and a stretch longer than the gap before its first reading."""
    events = [*acts("0 start p; 0 place core-1; 20 step chill; 25 place core-2; 80 end"), *readings("core-1", HOT)]
    near = [*events, *readings("core-2", "25 30, 30 26, 40 12, 46 4, 56 4, 66 4, 76 4")]
    assert watches(plan_of(COOK, CHILL), near) == ["core-1 met 46 min", "core-2 unproven 25 min"]
    wide = plan_of(COOK, Step("chill", None, (limit_of(FAST, gap=20),)))
    assert watches(wide, near) == ["core-1 met 46 min", "core-2 met 46 min"]


def test_needs_not_entered_leave_cooling_unproven() -> None:
    """The measure must be entered before the cooling opens, and reach its least value."""
    rule = Cooling(54.0, FAST.windows, ((Need("nitrite_ppm", 100.0),),))
    plan = plan_of(COOK, Step("chill", None, (limit_of(rule),)))
    events = [*acts("0 start p; 0 place core-1; 40 step chill; 80 end"), *readings("core-1", HOT)]
    assert watches(plan, events) == ["core-1 unproven 4 min"]
    assert watches(plan, [*events, *acts("1 measure nitrite_ppm 120")]) == ["core-1 met 46 min"]
    assert watches(plan, [*events, *acts("1 measure nitrite_ppm 99")]) == ["core-1 unproven 4 min"]
    assert watches(plan, [*events, *acts("5 measure nitrite_ppm 120")]) == ["core-1 unproven 4 min"]


def test_lethality_travels_beyond_its_step_until_the_core_is_cold() -> None:
    """Short at the step's end it can still be met; 2 °C below the lowest row it is deviated at the step's end."""
    plan = plan_of(COOK, CHILL)
    start = acts("0 start p; 0 place core-1; 5 step chill; 30 end")
    assert watches(plan, [*start, *readings("core-1", "2 60, 4 60, 6 60, 8 60, 10 60, 12 60")], "lethality") == ["core-1 met 12 min"]
    assert watches(plan, [*start, *readings("core-1", "2 60, 4 60, 6 58.1, 8 58")], "lethality", m(8)) == ["core-1 deviated 5 min"]
    assert watches(plan, [*start, *readings("core-1", "2 60, 4 60, 6 58.1")], "lethality", m(8)) == ["core-1 open"]
    assert watches(plan, [*start, *readings("core-1", "2 60, 4 60, 6 58.1")], "lethality") == ["core-1 deviated 5 min"]
    out = [*acts("0 start p; 0 place core-1; 5 step chill; 7 remove core-1 done; 30 end"), *readings("core-1", "2 60, 4 60, 6 60")]
    assert watches(plan, out, "lethality") == ["core-1 deviated 5 min"]


def test_come_up_ends_when_the_probes_lethality_is_met() -> None:
    """After that the core may fall as it likes."""
    step = Step("cook", None, (Limit("lethality", HOLD, "core", m(2)), limit_of(COME_UP)))
    hot = "0 5, 10 30, 20 54, 22 70, 24 70, 30 40, 40 40, 50 40"
    assert watches(plan_of(step), [*acts("0 start p; 0 place core-1; 50 end"), *readings("core-1", hot)]) == ["core-1 met 20 min"]


def test_limit_is_as_bad_as_its_worst_watch_and_lot_as_its_worst_critical_limit() -> None:
    """An operating limit does not count for the lot; a lot is met only once it has ended."""
    plan = plan_of(Step("step", None, (limit_of(CEILING), Limit("air", Ceiling(1.0), "chamber", m(15), critical=False))))
    events = [
        *acts("0 start p; 0 place core-1; 0 place core-2; 20 end"),
        *readings("core-1", "0 3, 10 3, 20 3"),
        *readings("chamber-1", "0 9, 10 9, 20 9"),
    ]
    good = [*events, *readings("core-2", "0 3, 10 3, 20 3")]
    assert judge(plan, good)["lots"][0]["verdict"] == "met"
    assert judge(plan, good, m(19))["lots"][0]["verdict"] == "open"
    assert verdict_of(plan, good, "air") == "deviated"
    assert judge(plan, [*events, *readings("core-2", "0 3, 10 5, 20 3")])["lots"][0]["verdict"] == "deviated"


def test_uncovered_time_leaves_a_ceiling_unproven() -> None:
    """Longer than the gap; each watch keeps its own verdict."""
    plan = plan_of(Step("step", None, (limit_of(CEILING),)))
    cover = readings("core-1", "0 3, 10 3, 20 3") + readings("core-2", "36 3, 40 3")
    events = [*acts("0 start p; 0 place core-1; 20 remove core-1 done; 36 place core-2; 40 end"), *cover]
    assert (watches(plan, events), verdict_of(plan, events)) == (["core-1 met 20 min", "core-2 met 40 min"], "unproven")
    sooner = [*acts("0 start p; 0 place core-1; 20 remove core-1 done; 35 place core-2; 40 end"), *cover]
    assert verdict_of(plan, sooner) == "met"


def test_uncovered_time_is_possible_for_a_sum_and_later_watches_go_on_from_it() -> None:
    """The second probe starts from the first one's sums, and the time between counts as possible."""
    plan = plan_of(Step("step", None, (limit_of(TIER),)))
    probes = acts("0 start p; 0 place core-1; 10 remove core-1 done; 12 place core-2; 30 end")
    certain = [*probes, *readings("core-1", "0 11, 10 11"), *readings("core-2", "12 11, 21 11, 23 9, 30 9")]
    assert watches(plan, certain) == ["core-1 met 10 min", "core-2 deviated 22 min"]
    apart = acts("0 start p; 0 place core-1; 10 remove core-1 done; 26 place core-2; 40 end")
    possible = [*apart, *readings("core-1", "0 11, 5 9, 10 9"), *readings("core-2", "26 9, 40 9")]
    assert watches(plan, possible) == ["core-1 met 10 min", "core-2 unproven 40 min"]
    after = [*acts("0 start p; 0 place core-1; 10 remove core-1 done; 40 end"), *readings("core-1", "0 9, 10 9")]
    assert (watches(plan, after), verdict_of(plan, after)) == (["core-1 met 10 min"], "unproven")


def test_limit_that_no_watch_served_is_unproven() -> None:
    """Also that of a step never entered, unless the step is optional."""
    ceiling = limit_of(CEILING)
    events = acts("0 start p; 20 end")
    assert verdict_of(plan_of(Step("step", None, (ceiling,))), events) == "unproven"
    first = Step("first", None, (Limit("other", CEILING, "core", m(15)),))
    assert verdict_of(plan_of(first, Step("second", None, (ceiling,))), events) == "unproven"
    assert verdict_of(plan_of(first, Step("second", None, (ceiling,), optional=True)), events) == "met"


def test_enough_other_probes_leave_a_withdrawn_one_out() -> None:
    """`probes = 1`: the withdrawn watch is shown, but not counted."""
    readings_ = [*readings("core-1", "0 4, 10 4, 20 4"), *readings("core-2", "0 4, 5 4")]
    events = [*acts("0 start p; 0 place core-1; 0 place core-2; 6 remove core-2 failed; 20 end"), *readings_]
    wanted = plan_of(Step("step", None, (limit_of(COLD, probes=1),)))
    assert (watches(wanted, events), verdict_of(wanted, events)) == (["core-1 met 20 min", "core-2 unproven 6 min"], "met")
    assert verdict_of(plan_of(Step("step", None, (limit_of(COLD),))), events) == "unproven"


def test_sampled_limit_is_judged_on_hand_checks_alone() -> None:
    """Streams do not count; the gap is 1.2 times the sampling."""
    plan = plan_of(Step("step", None, (limit_of(CEILING, sampled=m(10)),)))
    stream = readings("core-1", "0 9, 10 9, 20 9")
    kept = [*acts("0 start p; 0 place core-1; 0 check core 3 °C; 12 check core 3 °C; 24 end"), *stream]
    assert watches(plan, kept) == ["check met 24 min"]
    missed = [*acts("0 start p; 0 check core 3 °C; 12:01 check core 3 °C; 24 end"), *stream]
    assert watches(plan, missed) == ["check unproven 12 min 1 s"]


def test_repeated_step_opens_new_watches() -> None:
    """One of them may deviate and the other be met; without `repeats` the old watch goes on."""
    other = Step("rest", None, (Limit("other", CEILING, "core", m(15)),))
    script = acts("0 start p; 0 place core-1; 10 step rest; 20 step step; 30 end")
    events = [*script, *readings("core-1", "0 5, 10 3, 20 3, 30 3")]
    assert watches(plan_of(Step("step", None, (limit_of(CEILING),), repeats=True), other), events) == [
        "core-1 deviated 0 s",
        "core-1 met 30 min",
    ]
    assert watches(plan_of(Step("step", None, (limit_of(CEILING),)), other), events) == ["core-1 deviated 0 s"]


def test_limit_over_steps_goes_on_through_them() -> None:
    """One watch, not one for each step."""
    first = Step("step", None, (limit_of(TIER, over=("step", "rest")),))
    other = Step("rest", None, (Limit("other", CEILING, "core", m(15)),))
    events = [*acts("0 start p; 0 place core-1; 10 step rest; 30 end"), *readings("core-1", "0 11, 10 11, 20 11, 30 11")]
    assert watches(plan_of(first, other), events) == ["core-1 deviated 20 min"]


def test_automatic_advance_within_a_room_enters_the_next_step() -> None:
    """At the reading that met the lethality, which belongs to both steps."""
    cook = Step("cook", None, COOK.limits, Advance("lethality met", "auto"))
    after = Step("rest", None, (limit_of(CEILING),))
    events = [*acts("0 start p; 0 place core-1; 10 end"), *readings("core-1", "0 60, 2 70, 4 70, 6 3, 10 3")]
    assert watches(plan_of(cook, after), events) == ["core-1 deviated 4 min"]


def test_automatic_advance_into_another_room_straddles_until_a_person_confirms() -> None:
    """Limits of both steps are judged meanwhile."""
    air = Limit("air", Floor(50.0), "chamber", m(15), critical=False)
    cook = Step("cook", "house", (*COOK.limits, air), Advance("lethality met", "auto"))
    chill = Step("chill", "cooler", (Limit("limit", Ceiling(80.0), "core", m(15)),))
    script = [*readings("core-1", "0 60, 2 70, 4 70, 6 69, 10 69, 20 50"), *readings("chamber-1", "0 60, 4 60, 10 40, 20 30")]
    confirmed = [*acts("0 start p; 0 place core-1; 8 step chill; 20 end"), *script]
    plan = plan_of(cook, chill, rooms=True)
    assert watches(plan, confirmed, "air") == ["chamber-1 met 8 min"]
    assert watches(plan, confirmed) == ["core-1 met 20 min"]
    nobody = [*acts("0 start p; 0 place core-1; 20 end"), *script]
    assert watches(plan, nobody, "air") == ["chamber-1 deviated 10 min"]
    assert watches(plan, nobody) == ["core-1 met 20 min"]


def test_after_alone_does_not_leave_an_open_critical_limit_or_a_room() -> None:
    """It asks, so the lot stays in its step."""
    timer = Advance("after", "auto", m(10))
    next_step = Step("rest", None, (Limit("limit", CEILING, "core", m(15)),))
    events = [*acts("0 start p; 0 place core-1; 20 end"), *readings("core-1", "0 3, 10 3, 20 3")]
    operating = Step("step", None, (Limit("other", CEILING, "core", m(15), critical=False),), timer)
    assert watches(plan_of(operating, next_step), events) == ["core-1 met 20 min"]
    critical = Step("step", None, (Limit("other", CEILING, "core", m(15)),), timer)
    assert watches(plan_of(critical, next_step), events) == []
    away = Step("step", "house", operating.limits, timer)
    assert watches(plan_of(away, Step("rest", "cooler", next_step.limits), rooms=True), events) == []


def test_undone_event_never_happened_and_back_dated_one_did_at_its_time() -> None:
    """The order in which they were written down does not matter."""
    plan = plan_of(Step("step", None, (limit_of(CEILING),)), Step("rest", None, (Limit("other", Ceiling(9.0), "core", m(15)),)))
    script = readings("core-1", "0 3, 10 3, 20 5, 25 5, 30 5")
    back = [*script, *acts("30 end; 15 step rest; 0 place core-1; 0 start p")]
    assert watches(plan, back) == ["core-1 met 15 min"]
    undone = [*back, LotEvent(m(29), "undo", "J-1", "", "900")]
    assert watches(plan, undone) == ["core-1 deviated 20 min"]
    assert watches(plan, undone, at=m(28)) == ["core-1 met 15 min"]


def test_two_lots_share_a_fixed_probe_and_not_their_core_probes() -> None:
    """Each lot has its own watch of the chamber."""
    plan = plan_of(Step("step", None, (limit_of(CEILING, place="chamber"),)))
    events = [*acts("0 start p; 20 end"), *acts("10 start p; 30 end", "J-2"), *readings("chamber-1", "0 5, 10 3, 20 3, 30 3")]
    assert watches(plan, events) == ["chamber-1 deviated 0 s", "chamber-1 met 30 min"]
