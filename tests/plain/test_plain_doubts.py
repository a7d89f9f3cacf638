"""The plain judge against cases worked out by hand: readings doubted because of others, standing limits (choices 10, 28 to 30)."""

from __future__ import annotations

from collections.abc import Sequence

from rules.limits.spec import Ceiling, Exposure, HoldLethality, Row, Rule, Tier
from rules.plan import Plan, Probe, Room, Site, Standing, Step
from rules.reading import Event
from tests.plain.cases import acts, limit_of, m, plan_of, readings, watches
from tests.plain.judge import judge

CEILING = Ceiling(70.0)


def _plan(core: Probe, rule: Rule = CEILING) -> Plan:
    probes = (core, Probe("core-2", "core"), Probe("chamber-1", "chamber"))
    return plan_of(Step("step", None, (limit_of(rule, "core", 5),)), probes=probes)


def _core(events: Sequence[Event], probe: Probe, rule: Rule = CEILING) -> str:
    return watches(_plan(probe, rule), [*acts("0 start p; 0 place core-1; 20 end"), *events])[0]


def test_value_outside_the_span_is_no_reading() -> None:
    """The ends belong to it; beyond them there is a gap."""
    probe = Probe("core-1", "core", span_c=(0.0, 60.0))
    assert _core(readings("core-1", "0 5, 4 60, 8 5, 12 5, 16 5, 20 5"), probe) == "core-1 met 20 min"
    assert _core(readings("core-1", "0 5, 4 60.1, 8 5, 12 5, 16 5, 20 5"), probe) == "core-1 unproven 8 min"


def test_change_is_held_against_the_newest_good_reading() -> None:
    """1 °C a minute: 4 °C in 4 min are believed, more not, and the next is held against the one before."""
    probe = Probe("core-1", "core", max_rate_c_s=1 / 60)
    assert _core(readings("core-1", "0 5, 4 9, 8 5, 12 5, 16 5, 20 5"), probe) == "core-1 met 20 min"
    assert _core(readings("core-1", "0 5, 4 9.1, 8 12, 12 8, 16 8, 20 8"), probe) == "core-1 unproven 8 min"


def test_probe_that_repeats_its_value_while_another_moves_is_stuck() -> None:
    """From the reading `stuck_after` after the first on; the other has to have moved before that reading."""
    probe, still = Probe("core-1", "core", stuck_after=m(8)), readings("core-1", "0 5, 4 5, 8 5, 12 5, 16 6, 20 6")
    moved = acts("0 place core-2")
    assert _core([*still, *moved, *readings("core-2", "0 5, 4 6")], probe) == "core-1 unproven 16 min"
    assert _core([*still, *moved, *readings("core-2", "0 5, 4 5.9, 12 6")], probe) == "core-1 met 20 min"
    assert _core(still, probe) == "core-1 met 20 min"


def test_core_that_goes_to_the_air_within_a_minute_is_out_of_the_meat() -> None:
    """It is suspect until it is placed again: without that, what it reads is no evidence of the meat."""
    air = readings("chamber-1", "0 65, 4 65, 8 65, 12 65, 16 65, 20 65")
    hold = HoldLethality((Row(60.0, m(8)),))
    slow = readings("core-1", "0 30, 4 50, 6 64, 10 64, 14 64, 18 64")
    fast = readings("core-1", "0 30, 4 50, 5 64, 9 64, 13 64, 17 64")
    assert _core([*air, *slow], Probe("core-1", "core"), hold) == "core-1 met 14 min"
    assert _core([*air, *fast], Probe("core-1", "core"), hold) == "core-1 deviated 20 min"
    again = acts("5:30 remove core-1 moved; 5:30 place core-1")
    assert _core([*air, *fast, *again], Probe("core-1", "core"), hold) == "core-1 met 17 min"


def test_core_that_lies_cold_beside_a_hot_chamber_is_not_in_the_meat() -> None:
    """Twenty minutes with less than 1 °C of rise; it is said once and changes no verdict."""
    plan = _plan(Probe("core-1", "core"))
    air = readings("chamber-1", "0 65, 10 65, 20 65, 30 65, 40 65, 50 65")
    events = [*acts("0 start p; 0 place core-1; 50 end"), *air]
    told = judge(plan, [*events, *readings("core-1", "1 20, 11 20.9, 21 20.9, 31 20.5")])["lots"][0]["told"]
    assert told == [("not-in-the-meat", "core-1", m(21))]
    assert judge(plan, [*events, *readings("core-1", "1 20, 11 21, 21 22, 31 23")])["lots"][0]["told"] == []


def test_undo_takes_back_the_last_of_two_events_at_one_instant() -> None:
    """The step stands, the removal does not."""
    first, other = Step("step", None, (limit_of(Ceiling(4.0)),)), Step("rest", None, (limit_of(Ceiling(4.0)),))
    events = acts("0 start p; 0 place core-1; 10 step rest; 10 remove core-1 done; 12 undo x; 20 end")
    events = [e._replace(name="", value="600") if e.event == "undo" else e for e in events]  # type: ignore[union-attr,call-arg]
    told = watches(plan_of(first, other), [*events, *readings("core-1", "0 3, 10 3, 20 3")])
    assert told == ["core-1 met 10 min", "core-1 met 20 min"]


def test_standing_limit_is_judged_by_local_day_from_the_first_good_reading() -> None:
    """The time above of one day is no matter of the next, which begins at 1380 min."""
    probes = (Probe("core-1", "core"), Probe("cooler-1", "cooler", "cold"))
    limit = limit_of(Exposure((Tier(5.0, m(40)),)), "cooler", 30)
    plan = Plan(
        Site("ferncliff", "Ferncliff Yard Smokehouse", "Etc/GMT-1"),
        plan_of(Step("step", "cold", (limit_of(CEILING),))).products,
        (Room("cold", "cooler"),),
        probes,
        (Standing("cold", (limit,)),),
    )
    script = readings("cooler-1", "1320 9?, " + ", ".join(f"{t} 6" for t in range(1321, 1500, 20)))
    days = judge(plan, [*acts("1310 start p"), *script], m(1500))["standing"]
    assert [(day["day"], day["verdict"], day["watches"][0]["at"]) for day in days] == [
        ("1970-01-01", "deviated", m(1361)),
        ("1970-01-02", "deviated", m(1420)),
    ]
