"""The plain judge against cases worked out by hand from the page: the kinds that judge a process (choices 24 to 27)."""

from __future__ import annotations

from collections.abc import Sequence

from rules.limits.spec import Band, Composition, DegreeHours, Humidity, Profile, Rule, Stage
from rules.plan import Plan, Probe, Step
from rules.reading import Event
from tests.plain.cases import acts, limit_of, m, plan_of, readings, watches
from tests.plain.judge import judge

CHAMBER = (Probe("core-1", "core"), Probe("core-2", "core"), Probe("chamber-1", "chamber"))
COURSE = Profile((Stage(60.0, m(30)), Stage(70.0, None, 65.0)), 5.0, m(10), (10.0, m(10)))


def _plan(rule: Rule, place: str, probes: Sequence[Probe] = CHAMBER, gap: float = 15) -> Plan:
    return plan_of(Step("step", None, (limit_of(rule, place, gap),)), probes=probes)


def _told(plan: Plan, events: Sequence[Event]) -> list[str]:
    return [f"{what} {at // m(1)}" for what, _, at in sorted(judge(plan, events)["lots"][0]["told"], key=lambda told: told[2])]


def test_profile_asks_for_each_stage_after_it_has_settled() -> None:
    """Ten minutes after a stage began its temperature is asked for; after the core reached the last one, nothing."""
    start = acts("0 start p; 0 place core-1; 80 end")
    course = "0 20, 10 20, 11 60, 20 64, 29 65, 30 60, 40 62, 41 70, 50 75"
    core = readings("core-1", "0 5, 40 50, 55 65, 60 60")
    assert watches(_plan(COURSE, "chamber"), [*start, *readings("chamber-1", course + ", 60 20, 70 20, 80 20"), *core]) == [
        "chamber-1 met 1 h 20 min"
    ]
    assert watches(_plan(COURSE, "chamber"), [*start, *readings("chamber-1", course + ", 54 64.9, 80 20"), *core]) == [
        "chamber-1 deviated 54 min"
    ]


def test_profile_that_never_began_its_last_stage_is_deviated_and_a_gap_is_unproven() -> None:
    """The schedule was not run; what was not measured was not controlled."""
    plan, course = _plan(COURSE, "chamber"), "0 60, 11 60, 20 60"
    assert watches(plan, [*acts("0 start p; 25 end"), *readings("chamber-1", course)]) == ["chamber-1 deviated 25 min"]
    assert watches(plan, [*acts("0 start p"), *readings("chamber-1", course + ", 36 62")], at=m(36)) == ["chamber-1 unproven 36 min"]


def test_profile_tells_when_it_is_off_and_back_and_when_the_fire_goes_out() -> None:
    """Off at 20 and back at 24; ten degrees in ten minutes are a fire that goes out."""
    events = [*acts("0 start p; 29 end"), *readings("chamber-1", "0 60, 11 60, 20 49, 22 48, 24 57")]
    assert _told(_plan(COURSE, "chamber"), events) == ["fire-out 20", "off 20", "back 24"]


def test_humidity_counts_as_a_dwell_against_a_share_of_the_cook() -> None:
    """Half of an hour; its edges earn nothing, but no more is asked than could be shown beside them."""
    plan = _plan(Humidity(90.0, 0.5), "humidity", (*CHAMBER, Probe("rh-1", "humidity", None, 1.0)))
    start = acts("0 start p; 60 end")
    assert watches(plan, [*start, *readings("rh-1", "0 91, 10 91, 20 91, 30 91, 40 90, 50 80, 60 80")]) == ["rh-1 met 1 h"]
    assert watches(plan, [*start, *readings("rh-1", "0 91, 10 91, 20 91, 30 90.9, 40 91, 50 80, 60 80")]) == ["rh-1 deviated 1 h"]
    assert watches(plan, [*start, *readings("rh-1", "0 91, 10 91, 20 91, 40 91, 50 80, 60 80")]) == ["rh-1 unproven 1 h"]


def test_humidity_of_two_bulbs_needs_a_dry_reading_at_most_a_minute_old() -> None:
    """60 and 55 °C are 77 % relative humidity; without its dry bulb, or as warm as it, a wet one is no evidence."""
    plan = _plan(Humidity(75.0, None, m(20)), "wet-bulb", (*CHAMBER, Probe("wet-1", "wet-bulb")))
    start, dry = acts("0 start p; 40 end"), readings("chamber-1", "0 60, 10 60, 20 60, 30 60")
    assert watches(plan, [*start, *dry, *readings("wet-1", "0 55, 10 55, 21 55, 30 55")]) == ["wet-1 met 21 min"]
    assert watches(plan, [*start, *dry, *readings("wet-1", "0 55, 10 55, 21:01 55, 30 55")]) == ["wet-1 unproven 40 min"]
    assert watches(plan, [*start, *dry, *readings("wet-1", "0 55, 10 52, 20 55, 30 55")]) == ["wet-1 deviated 40 min"]
    assert watches(plan, [*start, *dry, *readings("wet-1", "0 60, 10 60, 20 61, 30 60")]) == ["wet-1 unproven 40 min"]


def test_humidity_that_no_probe_measures_is_judged_on_the_minutes_entered() -> None:
    """Entered in time they are summed; exempt, nothing is measured."""
    plan, start = _plan(Humidity(None, None, m(20)), "humidity"), acts("0 start p; 40 end")
    assert watches(plan, start) == ["measure unproven 40 min"]
    assert watches(plan, [*start, *acts("10 measure humid_min 12")]) == ["measure deviated 40 min"]
    assert watches(plan, [*start, *acts("10 measure humid_min 12; 30 measure humid_min 8")]) == ["measure met 30 min"]
    exempt = _plan(Humidity(None, None, m(20), "casing", "invented"), "humidity")
    limit = judge(exempt, start)["lots"][0]["limits"][0]
    assert (limit["verdict"], limit["watches"]) == ("met", [])


def test_degree_hours_pass_within_an_interval_and_a_low_ph_ends_them() -> None:
    """20 °C over the base for half an hour are 10 °C h."""
    plan = _plan(DegreeHours(15.0, (Band(None, None, 10.0),), 5.3), "chamber")
    warm = readings("chamber-1", "0 35, 15 35, 30 35, 35 20, 50 20")
    start = acts("0 start p; 60 end")
    assert watches(plan, [*start, *warm]) == ["chamber-1 deviated 30 min"]
    assert watches(plan, [*start, *warm, *acts("30 measure pH 5.3")]) == ["chamber-1 met 30 min"]
    assert watches(plan, [*start, *warm, *acts("30 measure pH 5.31")]) == ["chamber-1 deviated 30 min"]
    assert watches(plan, [*start, *readings("chamber-1", "0 35, 10 16, 20 16")]) == ["chamber-1 unproven 1 h"]


def test_degree_hours_take_the_row_of_the_hottest_chamber() -> None:
    """A reading past 32 °C lowers the limit from 10 to 6 °C h for what was summed before it, too."""
    plan = _plan(DegreeHours(15.0, (Band(None, 32.0, 10.0), Band(32.0, 40.0, 6.0)), 5.3), "chamber")
    start = acts("0 start p; 60 end")
    assert watches(plan, [*start, *readings("chamber-1", "0 31, 15 31, 30 31, 31 32")]) == ["chamber-1 deviated 31 min"]
    assert watches(plan, [*start, *readings("chamber-1", "0 31, 15 31, 30 31, 31 31"), *acts("31 measure pH 5")]) == [
        "chamber-1 met 31 min"
    ]
    assert watches(plan, [*start, *readings("chamber-1", "0 31, 10 41"), *acts("15 measure pH 5")]) == ["chamber-1 unproven 10 min"]


def test_composition_is_judged_on_every_value_entered_up_to_the_end() -> None:
    """Also one entered before the limit began; a value outside condemns at its entry."""
    plan, start = _plan(Composition("nitrite_ppm", 100.0, 156.0), ""), acts("0 start p; 60 end")
    assert watches(plan, start) == ["measure unproven 1 h"]
    assert watches(plan, [*start, *acts("10 measure nitrite_ppm 100; 20 measure nitrite_ppm 156")]) == ["measure met 20 min"]
    assert watches(plan, [*start, *acts("10 measure nitrite_ppm 100; 20 measure nitrite_ppm 156.1")]) == ["measure deviated 20 min"]


def test_ingoing_nitrite_is_computed_from_its_parts_until_it_is_entered_itself() -> None:
    """24 g of 6.25 % curing salt in 12.5 kg are 120 ppm."""
    plan, start = _plan(Composition("nitrite_ppm", 120.0, 120.0), ""), acts("0 start p; 60 end")
    parts = acts("10 measure cure_g 24; 20 measure cure_nitrite_pct 6.25; 30 measure weight_kg 12.5")
    assert watches(plan, [*start, *parts]) == ["measure met 30 min"]
    assert watches(plan, [*start, *parts, *acts("40 measure weight_kg 12")]) == ["measure deviated 40 min"]
    assert watches(plan, [*start, *parts, *acts("35 measure nitrite_ppm 120; 40 measure weight_kg 12")]) == ["measure met 35 min"]
