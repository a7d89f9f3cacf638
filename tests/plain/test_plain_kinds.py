"""The plain judge against cases worked out by hand from the page, kind by kind (`judging.md` section 5)."""

from __future__ import annotations

import pytest

from rules.limits.spec import Ceiling, ComeUp, Cooling, Dwell, Exposure, Floor, HoldLethality, IntegratedLethality, Row, Tier, Window
from rules.quantity import fahrenheit
from tests.plain.cases import m, one

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
