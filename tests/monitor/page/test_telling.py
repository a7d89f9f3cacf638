"""What is told of a decided limit: in which order, and with which margin."""

from __future__ import annotations

import html
import re
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.page.margins import late_words, margin_words
from monitor.page.telling import tell_limits
from monitor.page.words import Words
from rules.limits import spec
from rules.plan import Limit, Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit, format_instant, parse_instant
from rules.reading import MINUTE, SECOND

NOW = parse_instant("2026-03-02T09:55:00-06:00")
WORDS = Words(ZoneInfo("America/Chicago"), "F", NOW)
PLAN_TEXT = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"

[[probe]]
id = "core-1"
place = "core"

[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
cured = true
"""
_LIMIT = """
[[product.step.limit]]
name = "{name}"
class = "{kind_of}"
place = "core"
source = "invented for this test"
{rest}
"""


def limit_of(rest: str) -> Limit:
    """A limit as a plan writes it."""
    return plan_of(("rest", (("a limit", "critical", rest),))).products[0].steps[0].limits[0]


def plan_of(*steps: tuple[str, tuple[tuple[str, str, str], ...]]) -> Plan:
    """A plan of steps with limits, each `(name, class, its keys)`."""
    text = PLAN_TEXT
    for step, limits in steps:
        text += f'[[product.step]]\nname = "{step}"\n'
        text += "".join(_LIMIT.format(name=name, kind_of=kind_of, rest=rest) for name, kind_of, rest in limits)
    return load_plan(text, "plan.toml")


CEILING = 'kind = "ceiling"\nmax = "34 °F"'
SPARING = 'kind = "ceiling"\nmax = "34 °F"\nallowed = "60 min"'
FLOOR = 'kind = "floor"\nmin = "140 °F"'
COME_UP = 'kind = "come-up"\nlow = "50 °F"\nhigh = "130 °F"\nwithin = "6 h"'
DWELL = 'kind = "dwell"\nmax = "40 °F"\nfor = "12 h"'
HOLD = 'kind = "lethality"\nrows = [{ at = "145 °F", for = "4 min" }]'
COOLING = 'kind = "cooling"\nstart = "130 °F"\nwindows = [{ to = "80 °F", within = "90 min" }, { to = "40 °F", within = "5 h" }]'


@pytest.mark.parametrize(
    ("rest", "verdict", "margin", "text"),
    [
        (CEILING, "deviated", {"seconds": -240, "temperature_c": -1.0}, "at its worst 1.8 °F above it"),
        (CEILING, "met", {"seconds": 0, "temperature_c": 0.5}, "0.9 °F to spare"),
        (FLOOR, "deviated", {"seconds": 0, "temperature_c": -1.0}, "at its worst 1.8 °F below it"),
        (SPARING, "met", {"seconds": 2880, "temperature_c": -1.0}, "12 min of the 1 h allowed over it used, at its worst 1.8 °F above it"),
        (SPARING, "met", {"seconds": 3600, "temperature_c": 1.0}, "0 s of the 1 h allowed over it used, 1.8 °F to spare"),
        (SPARING, "deviated", {"seconds": -600, "temperature_c": -1.0}, "1 h 10 min over it, 1 h allowed, at its worst 1.8 °F above it"),
        (COME_UP, "deviated", {"seconds": -60}, "1 min too long"),
        (COME_UP, "met", {"seconds": 3600}, "1 h to spare"),
        (DWELL, "deviated", {"seconds": -3600}, "1 h short"),
        (DWELL, "met", {"seconds": 3600}, "1 h beyond the need"),
        (HOLD, "met", {"seconds": 95}, "1 min 35 s beyond the need"),
        (HOLD, "deviated", {"seconds": -10}, ""),
        (COOLING, "deviated", {"seconds": -10}, ""),
        (COOLING, "met", {"seconds": 600}, "10 min to spare"),
        (COOLING, "unproven", {"seconds": 600}, ""),
        (CEILING, "open", {"seconds": 0, "temperature_c": 0.5}, ""),
    ],
)  # fmt: skip
def test_margin_is_told_in_the_words_of_its_kind(rest: str, verdict: str, margin: dict[str, float], text: str) -> None:
    """Degrees where no time is allowed, too long where time is capped, short where it must be shown; nothing where it says nothing."""
    assert margin_words({"verdict": verdict, "margin": margin}, limit_of(rest), WORDS) == text


def test_margin_without_its_limit_is_told_plainly() -> None:
    """A limit that the plan has no more still has its verdict's margin told."""
    assert margin_words({"verdict": "met", "margin": {"seconds": 95}}, None, WORDS) == "1 min 35 s to spare"
    assert margin_words({"verdict": "deviated", "margin": {"log10": -0.5}}, None, WORDS) == "0.50 log10 short"


def cooled(**windows: Any) -> dict[str, Any]:
    """A cooling that deviated at 09:43, its 80 °F outstanding."""
    due = parse_instant("2026-03-02T09:43:00-06:00")
    first = {"to_c": fahrenheit(80), "mark_at": None, "deadline_at": format_instant(due)} | windows
    rows = [first, {"to_c": fahrenheit(40), "mark_at": None, "deadline_at": None}]
    return {
        "probe": "core-1", "verdict": "deviated", "at": format_instant(due), "reason": "80 °F not reached by its deadline",
        "margin": {"seconds": -10}, "evidence": {"windows": rows},
    }  # fmt: skip


def reading(fahrenheits: float) -> dict[str, Any]:
    return {"probe": "core-1", "celsius_c": fahrenheit(fahrenheits), "at": format_instant(NOW - 8 * SECOND), "lot": "J-1", "health": "good"}


def plainly(text: str) -> str:
    return html.unescape(re.sub(r"<[^>]+>", "", text))


def test_late_cooling_says_since_when_and_how_far_above() -> None:
    """The seconds between the deadline and the reading after it say nothing; the core does, and the clock while it is late."""
    limit = limit_of(COOLING)
    told = plainly(late_words(cooled(), limit, reading(82.4), WORDS))
    assert told == "it was due at 09:43, 12 min ago; core-1 reads 82.4 °F, 2.4 °F above it, 8 s ago"
    told = plainly(late_words(cooled(), limit, reading(79.1), WORDS))
    assert told == "it was due at 09:43; now core-1 reads 79.1 °F, 8 s ago"


def test_cooling_whose_probe_is_out_says_when_it_was_due() -> None:
    """What a probe reads after it left the lot is told of no lot."""
    assert plainly(late_words(cooled(), limit_of(COOLING), None, WORDS)) == "it was due at 09:43"


def test_mark_reached_late_is_told_as_reached() -> None:
    """Where the first reading after the deadline is below the mark, both instants are told."""
    reached = cooled(mark_at=format_instant(parse_instant("2026-03-02T09:44:00-06:00")))
    assert plainly(late_words(reached, limit_of(COOLING), reading(60), WORDS)) == "it was due at 09:43, and reached at 09:44"


def test_cooling_that_never_began_is_not_called_late_for_a_mark() -> None:
    """No deadline stood yet, so none was missed."""
    assert late_words(cooled(deadline_at=None), limit_of(COOLING), reading(150), WORDS) == ""


STEPS = (
    ("grind", (("grind cold", "operating", CEILING), ("grind core", "critical", CEILING))),
    ("cook", (("lethality", "critical", HOLD),)),
    ("chill", (("stabilization", "critical", COOLING), ("chill cold", "operating", CEILING), ("chill dwell", "operating", DWELL))),
)


def judged(step: str, name: str, verdict: str, minutes_ago: int = 0) -> dict[str, Any]:
    """One limit of the Judge JSON."""
    limits = {n: c for s, given in STEPS for n, c, _ in given if s == step}
    watch = {"probe": "core-1", "verdict": verdict, "at": format_instant(NOW - minutes_ago * MINUTE), "reason": f"{name} was", "margin": {}}
    return {"step": step, "limit": name, "kind": "", "class": limits[name], "verdict": verdict, "watches": [watch]}


def told_order(*limits: dict[str, Any]) -> list[str]:
    lot = {"lot": "J-1", "product": "juniper-links", "steps_now": ["chill"], "ended": None}
    return [one.name for one in tell_limits(lot, limits, plan_of(*STEPS), [reading(82.4)], WORDS)]


def test_critical_and_newest_come_before_old_operating_deviations() -> None:
    """What an operator must know now is not read behind what went wrong in the grinder this morning."""
    told = told_order(
        judged("grind", "grind cold", "deviated", 300),
        judged("grind", "grind core", "deviated", 290),
        judged("cook", "lethality", "met", 90),
        judged("chill", "chill dwell", "open"),
        judged("chill", "chill cold", "deviated", 5),
        judged("chill", "stabilization", "deviated", 12),
    )
    assert told == ["stabilization", "grind core", "chill cold", "chill dwell", "grind cold", "lethality"]


def test_open_critical_limit_comes_before_old_operating_deviations() -> None:
    """The cooling that still runs is told first."""
    told = told_order(
        judged("grind", "grind cold", "deviated", 300), judged("chill", "chill dwell", "open"), judged("chill", "stabilization", "open")
    )
    assert told == ["stabilization", "chill dwell", "grind cold"]


def test_plan_of_this_file_is_read() -> None:
    """The kinds above are those they are meant to be."""
    kinds = [type(limit_of(rest).rule) for rest in (CEILING, FLOOR, COME_UP, DWELL, HOLD, COOLING)]
    assert kinds == [spec.Ceiling, spec.Floor, spec.ComeUp, spec.Dwell, spec.HoldLethality, spec.Cooling]
