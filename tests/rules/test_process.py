"""Profile, humidity, composition: any order and any break in between gives the same, and a gap never helps."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from itertools import permutations
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules import transcript
from rules.engine import Engine
from rules.errors import LateEvent
from rules.finding import Finding
from rules.history import arrange
from rules.limits.spec import Composition, Humidity, Profile, Stage
from rules.plan import Limit, Plan, Probe, Product, Site, Step
from rules.plan_load import load_plan
from rules.reading import HOUR, MINUTE, SECOND, Event, Fault, Instant, LotEvent, Reading

TRANSCRIPTS = sorted((Path(__file__).parents[1] / "transcripts").glob("*.toml"))
Clock = Callable[[str], Instant]

SMOKE = """
[site]
unit = "C"
[[probe]]
id = "chamber-1"
place = "chamber"
[[probe]]
id = "wet-1"
place = "wet-bulb"
[[probe]]
id = "core-1"
place = "core"
[[probe]]
id = "core-2"
place = "core"
[[product]]
code = "links"
[[product.step]]
name = "smoke"
[[product.step.limit]]
name = "schedule"
kind = "profile"
stages = [{ set = "60 °C", until_core = "45 °C" }, { set = "80 °C", until_core = "65 °C" }, { set = "70 °C", for = "30 min" }]
settle = "2 min"
fire_out = "10 °C in 5 min"
[[product.step.limit]]
name = "humid"
kind = "humidity"
min_rh = "75 %"
share = "50 %"
at_least = "10 min"
max_gap = "15 min"
"""


@pytest.mark.parametrize("path", TRANSCRIPTS, ids=lambda p: p.stem)
def test_transcript_holds_with_a_restore_before_every_event(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The engine is written down and read back through JSON before each event."""
    feed = transcript._Play._feed

    def restored(self: transcript._Play, event: Event) -> None:
        self.engine = Engine.restore(dict(self.engine.plans), json.loads(json.dumps(self.engine.snapshot())))
        feed(self, event)

    monkeypatch.setattr(transcript._Play, "_feed", restored)
    assert transcript.run(path.read_text(encoding="utf-8"), path.name) == []


def _judge(plan: Plan, events: Sequence[Event]) -> tuple[list[tuple[Instant, str, str, str]], str]:
    """Findings, sorted, and the report of events as they come: what is late has the whole judged again, in order."""
    engine, done = Engine(plan), list[Event]()
    found: list[Finding] = []
    for event in events:
        done.append(event)
        try:
            found += engine.feed(event)
        except LateEvent:
            engine = Engine(plan)
            found = [f for e in arrange(done) for f in engine.feed(e)]
    found += engine.settle()
    return sorted((f.at, f.what, f.limit, f.probe) for f in found), json.dumps(engine.report())


def _cook(clock: Clock) -> tuple[list[Event], list[Event]]:
    """Lot events, and the readings of a smoking in which cores end stages at whole minutes."""
    acts: list[Event] = [
        LotEvent(clock("0:00"), "start", "J-1", "links"),
        LotEvent(clock("0:00"), "place", "J-1", "core-1"),
        LotEvent(clock("0:00"), "place", "J-1", "core-2"),
    ]
    rows: list[Event] = []
    for minute in range(0, 70, 5):
        at = clock("0:00") + minute * MINUTE
        chamber = 61.0 if minute <= 20 else 79.0 if minute < 45 else 58.0 if minute == 50 else 71.0
        rows += [Reading("core-1", at, 20.0 + minute), Reading("core-2", at, 22.0 + minute)]
        rows += [Reading("chamber-1", at, chamber), Reading("wet-1", at, chamber - (3 if minute % 20 else 9))]
    return acts, rows


def test_order_of_probes_within_an_instant_does_not_matter(clock: Clock) -> None:
    """Neither for the core that ends a stage beside the chamber, nor for wet and dry bulb."""
    plan = load_plan(SMOKE)
    acts, rows = _cook(clock)
    outcomes = set()
    for order in permutations(range(4)):
        mixed = [rows[i + j] for i in range(0, len(rows), 4) for j in order]
        found, report = _judge(plan, [*acts, *mixed, LotEvent(clock("1:10"), "end", "J-1")])
        outcomes.add((tuple(found), report))
    ((found_at_last, report),) = outcomes
    assert {what for _, what, _, _ in found_at_last} >= {"off", "back", "fire-out", "deviated"}
    (limit,) = [x for x in json.loads(report)["lots"][0]["limits"] if x["limit"] == "schedule"]
    assert [s["began_at"][11:16] for s in limit["watches"][0]["evidence"]["stages"]] == ["12:00", "12:25", "12:45"]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.randoms(use_true_random=False), st.integers(0, 1200))
def test_readings_that_come_late_end_in_the_same(random: object, most: int) -> None:
    """Each reading is held up by up to twenty minutes on its way: what crosses is taken or judged again, never judged otherwise."""
    plan = load_plan(SMOKE)

    def clock(text: str) -> Instant:
        hours, minutes = text.split(":")
        return 1_772_366_400_000_000 + (int(hours) * 60 + int(minutes)) * MINUTE

    acts, rows = _cook(clock)
    end = LotEvent(clock("2:00"), "end", "J-1")
    straight = _judge(plan, [*acts, *rows, end])
    came = sorted(((r.at + random.randint(0, most) * SECOND, i, r) for i, r in enumerate(rows)), key=lambda x: x[:2])  # type: ignore[attr-defined]
    late = _judge(plan, [*acts, *(r for _, _, r in came), end])
    assert late == straight


def test_small_crossings_of_wet_and_dry_bulb_cost_no_replay(clock: Clock) -> None:
    """The dry bulb's readings come half a minute behind the wet one's, and nothing is judged again."""
    engine = Engine(load_plan(SMOKE.replace('until_core = "45 °C"', 'for = "3 h"')))
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    rows = [Reading("wet-1", clock("0:00") + s * SECOND, 55.0) for s in range(0, 3600, 10)]
    behind = [Reading("chamber-1", clock("0:00") + s * SECOND, 60.0) for s in range(0, 3600, 10)]
    for row in sorted([*((r.at, r) for r in rows), *((r.at + 30 * SECOND, r) for r in behind)], key=lambda x: x[0]):
        engine.feed(row[1])
    engine.feed(LotEvent(clock("1:00"), "end", "J-1"))
    (humid,) = [x for x in engine.report()["lots"][0]["limits"] if x["limit"] == "humid"]
    assert humid["watches"][0]["evidence"]["humid_s"] == 3590
    assert humid["watches"][0]["verdict"] == "met"


def test_dry_bulb_that_comes_behind_what_was_judged_is_late(clock: Clock) -> None:
    """More than a minute behind: the pair is to be judged again."""
    engine = Engine(load_plan(SMOKE))
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    for minute in (0, 1, 2, 3):
        engine.feed(Reading("wet-1", clock(f"0:0{minute}"), 55.0))
    with pytest.raises(LateEvent) as caught:
        engine.feed(Reading("chamber-1", clock("0:01"), 60.0))
    assert caught.value.at == clock("0:01")


def _one(limit: Limit, probes: tuple[Probe, ...]) -> Plan:
    return Plan(Site("site", "site"), (Product("links", "links", (Step("cook", None, (limit,)),)),), (), probes)


RULES = [
    (Humidity(60.0, 0.5, 20 * MINUTE), "humidity"),
    (Humidity(60.0, 1.0), "humidity"),
    (Humidity(60.0, None, 30 * MINUTE), "humidity"),
    (Profile((Stage(60.0, HOUR), Stage(70.0, HOUR)), 8.0, 5 * MINUTE), "chamber"),
]


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.sampled_from(RULES),
    st.lists(st.tuples(st.integers(1, 1500), st.sampled_from([50.0, 59.9, 60.0, 62.0, 68.0, 70.0, 79.0])), min_size=1, max_size=12),
    st.integers(0, 11),
    st.integers(0, 11),
    st.integers(0, 3000),
)
def test_gap_never_makes_humidity_or_profile_met(
    kind: tuple[Humidity | Profile, str], rows: list[tuple[int, float]], first: int, last: int, tail: int
) -> None:
    """Readings of more than `max_gap` turned into faults: what was not met is not met then either."""
    rule, place = kind
    limit = Limit("x", rule, place, 10 * MINUTE)
    plan = _one(limit, (Probe("p-1", place),))
    at, readings = 0, list[Reading]()
    for step, value in rows:
        at += step * SECOND
        readings.append(Reading("p-1", at, value))
    first, last = min(first, last), max(first, last)
    bounds = [0, *(r.at for r in readings), at + tail * SECOND]
    gone = range(first, min(last, len(readings) - 1) + 1)
    if not gone or bounds[gone[-1] + 2] - bounds[gone[0]] <= limit.max_gap:
        return
    broken = [Fault("p-1", r.at, "open circuit") if i in gone else r for i, r in enumerate(readings)]

    def verdict(events: Sequence[Event]) -> str:
        engine = Engine(plan)
        for event in arrange([LotEvent(0, "start", "J-1", "links"), *events, LotEvent(bounds[-1], "end", "J-1")]):
            engine.feed(event)
        return str(engine.report()["lots"][0]["limits"][0]["verdict"])

    if verdict(broken) == "met":
        assert verdict(readings) == "met"


def test_unmeasured_kinds_cost_their_lot_no_watch_of_a_probe() -> None:
    """What people enter is judged with no probe in the plan at all."""
    engine = Engine(_one(Limit("nitrite_ppm", Composition("nitrite_ppm", None, 156.0), "lot", HOUR), ()))
    engine.feed(LotEvent(0, "start", "J-1", "links"))
    engine.feed(LotEvent(MINUTE, "measure", "J-1", "nitrite_ppm", "150"))
    engine.feed(LotEvent(HOUR, "end", "J-1"))
    assert engine.report()["lots"][0]["verdict"] == "met"


def test_measures_that_make_no_sense_together_are_told(clock: Clock) -> None:
    """A cure of 625 % is no value, and somebody is told why."""
    engine = Engine(_one(Limit("nitrite_ppm", Composition("nitrite_ppm", None, 156.0), "lot", HOUR), ()))
    engine.feed(LotEvent(0, "start", "J-1", "links"))
    for name, value in (("cure_g", "125"), ("weight_kg", "50"), ("cure_nitrite_pct", "625")):
        engine.feed(LotEvent(MINUTE, "measure", "J-1", name, value))
    (problem,) = engine.report()["problems"]
    assert problem["what"] == "measure"
    assert "lot J-1: nitrite_ppm cannot be computed: nitrite of the curing salt is 6.25" in problem["text"]


def test_dry_wick_is_told_as_a_problem(clock: Clock) -> None:
    """The wet bulb's probe, and what to look at."""
    engine = Engine(load_plan(SMOKE))
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    for row in (Reading("chamber-1", clock("0:01"), 60.0), Reading("wet-1", clock("0:01"), 60.0)):
        engine.feed(row)
    problems = [(p["what"], p["probe"]) for p in engine.report()["problems"]]
    assert problems == [("wick", "wet-1")]


def test_report_tells_the_first_reading_off_once(clock: Clock) -> None:
    """It is a deviation and a change to off: one alarm; the next change to off is one of its own."""
    engine = Engine(_one(Limit("x", Profile((Stage(60.0, HOUR),), 5.0, 0), "chamber", HOUR, False), (Probe("p-1", "chamber"),)))
    engine.feed(LotEvent(0, "start", "J-1", "links"))
    found = [f.what for n, c in enumerate((60.0, 50.0, 60.0, 50.0), 1) for f in engine.feed(Reading("p-1", n * MINUTE, c))]
    assert found == ["deviated", "off", "back", "off"]
    assert [a["what"] for a in engine.report()["alarms"]] == ["deviated", "off"]


def test_altitude_moves_the_humidity_of_two_bulbs(clock: Clock) -> None:
    """The pressure is the standard one at the site: 60 and 55 °C are 77.5 % at the sea and 78.1 % at 3000 m."""

    def humid_s(altitude: str) -> float:
        plan = load_plan(SMOKE.replace('unit = "C"', f'unit = "C"\naltitude = "{altitude}"').replace('min_rh = "75 %"', 'min_rh = "78 %"'))
        engine = Engine(plan)
        engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
        for minute in range(0, 12, 2):
            engine.feed(Reading("chamber-1", clock("0:00") + minute * MINUTE, 60.0))
            engine.feed(Reading("wet-1", clock("0:00") + minute * MINUTE, 55.0))
        (limit,) = [x for x in engine.report()["lots"][0]["limits"] if x["limit"] == "humid"]
        return float(limit["watches"][0]["evidence"]["humid_s"])

    assert (humid_s("0 m"), humid_s("3000 m")) == (0, 600)


COOLED = """
[site]
unit = "F"
[[probe]]
id = "core-1"
place = "core"
[[product]]
code = "links"
cured = CURED
[[product.step]]
name = "chill"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
book = "us-inspected-2021/cooling-option-3"
confirmed = "O. Marsh, invented"
"""


@pytest.mark.parametrize(
    ("entered", "row"),
    [
        ({"nitrite_ppm": 120, "brine_pct": 3.5}, "cooling-option-4"),
        ({"nitrite_ppm": 120, "salt_pct": 3, "moisture_pct": 60}, "cooling-option-4"),
        ({"nitrite_ppm": 99, "erythorbate_ppm": 250}, "cooling-option-1"),
    ],
)
def test_unmet_need_names_the_next_row(clock: Clock, entered: dict[str, float], row: str) -> None:
    """The later one whose conditions the measures meet, computed ones too; else the first that asks for none."""
    engine = Engine(load_plan(COOLED.replace("CURED", "true")))
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    for name, value in entered.items():
        engine.feed(LotEvent(clock("0:00"), "measure", "J-1", name, str(value)))
    engine.feed(LotEvent(clock("0:00"), "place", "J-1", "core-1"))
    found = [f for minute in range(3) for f in engine.feed(Reading("core-1", clock(f"0:0{minute}"), 60.0))]
    (text,) = [f.text for f in found if f.what == "unproven"]
    assert text.endswith(f"the next row that what was entered allows is us-inspected-2021/{row}")
