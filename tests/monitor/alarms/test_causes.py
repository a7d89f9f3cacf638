"""Causes from findings and troubles, and the message's first 160 characters."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms import causes, message, troubles
from monitor.alarms.causes import Cause
from monitor.alarms.limit_text import limit_text
from rules.finding import WHAT, Finding
from rules.limits import spec
from rules.plan import Limit, Plan, Probe, Product, Site, Standing, Step
from rules.quantity import fahrenheit, parse_instant
from rules.reading import HOUR, MINUTE, LotEvent

SITE = Site("ferncliff", "Ferncliff Yard Smokehouse", "America/Chicago", "F")
GRIND = Limit(
    "grind cold", spec.Ceiling(fahrenheit(34)), "core", 15 * MINUTE, critical=False, do=("Stop. Re-chill the meat.",), on_delay=MINUTE
)
COOLING = Limit(
    "stabilization",
    spec.Cooling(fahrenheit(130), (spec.Window(fahrenheit(80), 5 * HOUR), spec.Window(fahrenheit(45), 10 * HOUR))),
    "core",
    30 * MINUTE,
    do=("Hold the lot.",),
)
AIR = Limit("cooler air", spec.Ceiling(fahrenheit(40), HOUR), "cooler", 30 * MINUTE, critical=False, priority="high", off_delay=5 * MINUTE)
PLAN = Plan(
    SITE,
    (Product("juniper-links", "Juniper venison-and-pork links", (Step("grind", limits=(GRIND,)), Step("chill", limits=(COOLING,)))),),
    probes=(Probe("air-1", "cooler", "cooler-1", 0.5),),
    standing=(Standing("cooler-1", (AIR,)),),
)
AT = parse_instant("2026-03-02T19:04:10Z")


def finding(
    what: str, *, lot: str = "J-0412", step: str = "chill", limit: str = "stabilization", probe: str = "core-1", critical: bool = True
) -> Finding:
    return Finding(AT, what, lot, step, limit, probe, critical, "80 °F was not reached in time.")


def test_critical_deviation_is_latched_critical_and_rings_at_once() -> None:
    """Its words and what to do come from the plan."""
    cause = causes.from_finding(finding("deviated"), PLAN, "juniper-links")
    assert cause is not None
    assert (cause.priority, cause.latched, cause.critical, cause.on_delay) == ("critical", True, True, 0)
    assert (cause.limit, cause.do) == ("130 °F to 80 °F within 5 h to 45 °F within 10 h", ("Hold the lot.",))


def test_operating_deviation_keeps_its_on_delay_and_clears_by_itself() -> None:
    """The plan's on-delay decides when it rings."""
    cause = causes.from_finding(finding("deviated", step="grind", limit="grind cold", critical=False), PLAN, "juniper-links")
    assert cause is not None
    assert (cause.priority, cause.latched, cause.critical, cause.on_delay) == ("medium", False, False, MINUTE)


def test_standing_limit_speaks_of_its_room_with_the_plans_priority() -> None:
    """A room watched with no lot."""
    cause = causes.from_finding(finding("deviated", lot="", step="cooler-1", limit="cooler air", probe="air-1", critical=False), PLAN)
    assert cause is not None
    assert (cause.where, cause.priority, cause.off_delay) == ("room cooler-1, air-1", "high", 5 * MINUTE)
    assert cause.key == "verdict/room/cooler-1/cooler air"


def test_rooms_ceiling_is_followed_by_its_levels_and_other_operating_verdicts_are_settled() -> None:
    """The probe's uncertainty is taken off; a lot's own probe may be elsewhere by then, so its alarm ends when it is seen."""
    room = causes.from_finding(finding("deviated", lot="", step="cooler-1", limit="cooler air", probe="air-1", critical=False), PLAN)
    assert room is not None
    assert (room.above_c, room.back_c, room.again_after) == (pytest.approx(40 / 9 - 0.5), pytest.approx(40 / 9 - 1.0), HOUR)
    assert not room.settled
    for one in (
        finding("deviated", step="grind", limit="grind cold", critical=False),
        finding("unproven", lot="", step="cooler-1", limit="cooler air", probe="air-1", critical=False),
    ):
        cause = causes.from_finding(one, PLAN, "juniper-links")
        assert cause is not None
        assert (cause.settled, cause.back_c) == (True, None)
    critical = causes.from_finding(finding("unproven"), PLAN, "juniper-links")
    assert critical is not None
    assert (critical.settled, critical.latched) == (False, True)


def test_probes_of_one_limit_share_a_key_and_lots_do_not() -> None:
    """One cause, one alarm: the probe is a member."""
    keys = {causes.from_finding(finding("deviated", lot=lot, probe=probe), PLAN).key for lot in ("J-1", "J-2") for probe in ("a", "b")}  # type: ignore[union-attr]
    assert keys == {"verdict/J-1/chill/stabilization", "verdict/J-2/chill/stabilization"}


@pytest.mark.parametrize("what", WHAT)
def test_every_finding_is_either_a_cause_or_asks_nobody(what: str) -> None:
    """A limit met, a step advanced and a chamber that is back are no alarms; everything else the engine can find is one."""
    cause = causes.from_finding(finding(what), PLAN, "juniper-links")
    assert (cause is None) == (what in ("met", "advanced", "back"))


def test_met_clears_what_was_raised_for_the_same_probe() -> None:
    """The keys that a met finding clears are those that the warnings raised."""
    raised = {
        causes.from_finding(finding(what), PLAN, "juniper-links").key for what in ("unproven", "left-short", "warming", "pulled-early")
    }  # type: ignore[union-attr]
    assert raised <= {key for key, member in causes.cleared_by_finding(finding("met")) if member == "core-1"}


SCHEDULE = Limit(
    "schedule",
    spec.Profile((spec.Stage(fahrenheit(150), HOUR), spec.Stage(fahrenheit(170), None, fahrenheit(152))), 5.0),
    "chamber",
    HOUR,
    False,
)
SMOKE = replace(PLAN, products=(Product("links", "Links", (Step("smoke", limits=(SCHEDULE,)),)),))


def _smoke(what: str, text: str = "stage 1 of 2: the chamber reads 120 °F, 30 °F below its set 150 °F") -> Finding:
    return Finding(AT, what, "J-0412", "smoke", "schedule", "chamber-1", False, text)


def test_chamber_off_its_schedule_rings_once_and_ends_when_it_is_back() -> None:
    """The deviation of the same reading is no second alarm; a schedule that was not run is one of its own."""
    off = causes.from_finding(_smoke("off"), SMOKE, "links")
    assert off is not None
    assert (off.what, off.priority, off.settled) == ("schedule off its set temperature", "medium", False)
    assert causes.from_finding(_smoke("deviated"), SMOKE, "links") is None
    assert causes.from_finding(_smoke("deviated", "closed in stage 1 of 2: the schedule was not run"), SMOKE, "links") is not None
    assert causes.cleared_by_finding(_smoke("back")) == ((off.key, "chamber-1"),)
    assert ("off/J-0412/*", "") in causes.cleared_by_event(LotEvent(AT, "step", "J-0412", "chill"))
    assert ("off/J-0412/*", "") in causes.cleared_by_finding(finding("advanced", limit="", probe="")), "nor where it is left by itself"


def test_fire_out_rings_high_until_somebody_has_seen_it() -> None:
    """What it says can be acted on at two in the morning."""
    fire = causes.from_finding(_smoke("fire-out"), SMOKE, "links")
    assert fire is not None
    assert (fire.priority, fire.settled, fire.do) == ("high", True, ("Look at the fire, the gas and the door now.",))


def test_confirmed_step_clears_its_prompt() -> None:
    """A person's step event ends prompts of that lot and no other's."""
    cause = causes.from_finding(finding("unconfirmed", limit=""), PLAN, "juniper-links")
    assert cause is not None
    ((scope, _), *_) = causes.cleared_by_event(LotEvent(AT, "step", "J-0412", "chill"))
    assert cause.key.startswith(scope[:-1])
    ((other, _), *_) = causes.cleared_by_event(LotEvent(AT, "step", "J-041", "chill"))
    assert not cause.key.startswith(other[:-1])


@pytest.mark.parametrize("what", sorted(set(causes._FINDINGS) - {"deviated", "unproven", "fire-out"}))
def test_nothing_that_warned_of_a_lot_outlives_it(what: str) -> None:
    """A lot that has ended is acted on by nobody: only its verdicts stay, until their record or somebody's look ends them."""
    cause = causes.from_finding(finding(what), PLAN, "juniper-links")
    assert cause is not None
    ended = [scope[:-1] for scope, member in causes.cleared_by_event(LotEvent(AT, "end", "J-0412")) if not member]
    assert any(cause.key.startswith(start) for start in ended)


@pytest.mark.parametrize("event", ["place", "remove"])
def test_probe_that_somebody_had_in_hand_is_no_longer_said_to_be_out_of_the_meat(event: str) -> None:
    """That probe and no other: the engine looks at its new placement by itself."""
    cause = causes.from_finding(finding("not-in-the-meat", limit=""), PLAN, "juniper-links")
    assert cause is not None
    ((scope, member),) = causes.cleared_by_event(LotEvent(AT, event, "J-0412", "core-1"))
    assert cause.key.startswith(scope[:-1])
    assert member == cause.member == "core-1"


def test_slash_in_a_name_does_not_reach_another_key() -> None:
    """A lot named like a scope stays itself."""
    assert causes.finding_key(finding("deviated", lot="J/0412")) != causes.finding_key(finding("deviated", lot="J", step="0412/chill"))


def test_first_line_holds_what_where_since_limit_and_what_to_do() -> None:
    """All six within one SMS, in the site's unit and local time with its offset."""
    cause = causes.from_finding(finding("deviated"), PLAN, "juniper-links")
    assert cause is not None
    line = message.headline(cause, 17, SITE)
    assert line == (
        "CRITICAL A17: stabilization limit not met, J-0412 chill, core-1, since Mar 2 13:04-06:00. "
        "Limit: 130 °F to 80 °F within 5 h to 45 °F within… Do: Hold the lot."
    )
    assert len(line) <= 160


words = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=300)


@given(what=words, where=words, limit=words, do=words, text=words)
def test_no_name_however_long_pushes_a_part_out_of_the_first_line(what: str, where: str, limit: str, do: str, text: str) -> None:
    """160 characters hold the id, the instant and a beginning of every part."""
    cause = Cause("k", what or "x", where or "y", AT, text, "critical", limit=limit, do=(do or "z",))
    line = message.headline(cause, 12345, SITE, "AGAIN")
    assert len(line) <= 160
    assert line.startswith("CRITICAL AGAIN A12345: ")
    assert "since Mar 2 13:04-06:00" in line
    assert " Do: " in line


def test_body_names_message_and_alarm_so_that_copies_can_be_told_apart() -> None:
    """Delivery is at least once."""
    cause = replace(troubles.probes_silent(["core-1"], AT, "J-0412 cook"), do=("Check the plug.", "Measure by hand."))
    lines = message.body(cause, 3, SITE, "M41", "https://larder.example/x").splitlines()
    assert lines[-1] == "Ferncliff Yard Smokehouse, alarm A3, message M41"
    assert "1. Check the plug." in lines
    assert "I have seen it: https://larder.example/x" in lines


def test_monitors_own_troubles_have_keys_of_their_own() -> None:
    """Two probes, two bells: different causes; one probe twice: the same."""
    made = [
        troubles.probes_silent(["a"], AT, ""), troubles.probes_silent(["b"], AT, ""), troubles.probes_fault(["a"], AT, "open circuit", ""),
        causes.bell_failing("a", AT, "x"), causes.source_gone("a", AT, "x"), causes.store_trouble(AT, "full"),
        causes.restarted(AT, AT - HOUR), causes.clock_stepped(AT, -HOUR),
    ]  # fmt: skip
    assert len({c.key for c in made}) == len(made)
    assert troubles.probes_silent(["a"], AT + HOUR, "").key == made[0].key
    assert "blind for 1 h" in made[-2].what
    assert made[-1].what == "clock stepped back 1 h"


@pytest.mark.parametrize(
    ("rule", "wanted"),
    [
        (spec.Ceiling(fahrenheit(34)), "at most 34 °F"),
        (spec.Floor(fahrenheit(28), HOUR), "at least 28 °F, 1 h under allowed"),
        (spec.Exposure((spec.Tier(fahrenheit(70), 2 * HOUR),)), "above 70 °F at most 2 h"),
        (spec.Dwell(HOUR, max_c=fahrenheit(40)), "1 h at or below 40 °F"),
        (spec.Dwell(HOUR, min_c=fahrenheit(135)), "1 h at or above 135 °F"),
        (spec.ComeUp(fahrenheit(50), fahrenheit(130), 6 * HOUR), "50 °F to 130 °F within 6 h"),
        (spec.HoldLethality((spec.Row(fahrenheit(145), 4 * MINUTE),)), "145 °F held 4 min"),
        (spec.IntegratedLethality(70.0, MINUTE, 10.0, fahrenheit(130), 6.5, "x"), "6.5 log above 130 °F"),
    ],
)
def test_each_kind_of_limit_has_its_words(rule: spec.Rule, wanted: str) -> None:
    """In the unit that the site reads."""
    assert limit_text(Limit("x", rule, "core", MINUTE), "F") == wanted


@pytest.mark.parametrize(
    ("rule", "wanted"),
    [
        (SCHEDULE.rule, "150 °F for 1 h, then 170 °F until the core is 152 °F, within 9 °F"),
        (spec.Humidity(90.0, 0.25, HOUR), "90 % humidity for 25 % of the cook and at least 1 h"),
        (spec.Humidity(None, 0.5), "steam or a sealed oven for 50 % of the cook"),
        (spec.Humidity(exempt="casing"), "exempt from humidity: casing"),
        (spec.DegreeHours(fahrenheit(60), (spec.Band(None, None, 2000 / 3),), 5.3), "at most 1200 °F h above 60 °F until pH 5.3"),
        (
            spec.DegreeHours(15.6, (spec.Band(None, 33.0, 665.0), spec.Band(33.0, None, 500.0)), 5.3),
            "at most 1197 °F h to 900 °F h by the hottest chamber above 60.1 °F until pH 5.3",
        ),
        (spec.Composition("nitrite_ppm", 120.0, 156.0), "nitrite_ppm 120 to 156"),
        (spec.Composition("water_activity", None, 0.91), "water_activity at most 0.91"),
        (spec.Composition("brine_pct", 3.5), "brine_pct at least 3.5"),
    ],
)
def test_limits_of_a_process_are_said_in_words(rule: spec.Rule, wanted: str) -> None:
    """The kinds that judge a process, as a message's first line has them."""
    assert limit_text(Limit("x", rule, "chamber", MINUTE), "F") == wanted


def test_rack_pulled_before_its_hold_is_one_cause_however_it_shows() -> None:
    """The core that falls and the step that ends short tell of one rack: one alarm until the verdict."""
    fell = causes.from_finding(finding("pulled-early"), PLAN, "juniper-links")
    left = causes.from_finding(finding("left-short"), PLAN, "juniper-links")
    assert fell is not None
    assert left is not None
    assert (fell.key, fell.severity) == (left.key, left.severity)


@pytest.mark.parametrize(
    ("what", "text", "do"),
    [
        (
            "left-short",
            "the step ended before lethality was met; what would still meet it: hold 145 °F or above for another 2 min 10 s",
            "Hold 145 °F or above for another 2 min 10 s.",
        ),
        (
            "heading-out",
            "80 °F expected 14:20 to 14:41; it must be by 14:05, in 38 min; 38 °F or colder around it from now on would still make it",
            "38 °F or colder around it from now on would still make it.",
        ),
    ],
)
def test_what_to_do_now_stands_in_the_first_160_characters_in_numbers(what: str, text: str, do: str) -> None:
    """What, where, since when, the limit, and then the finding's own remedy before the plain advice."""
    cause = causes.from_finding(Finding(AT, what, "J-1", "chill", "stabilization", "core-1", True, text, AT), PLAN, "juniper-links")
    assert cause is not None
    assert cause.do[0] == do
    assert len(cause.do) == 2
    line = message.headline(cause, 7, SITE)
    assert len(line) <= 160
    for part in ("J-1 chill, core-1", "since Mar 2 13:04-06:00", "Limit: 130 °F to 80 °F", f"Do: {do[:24]}"):
        assert part in line, line
