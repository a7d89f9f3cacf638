"""Doubts across probes and the row of the hottest chamber: any order, any crossing and late delivery give the same."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.engine import Engine
from rules.errors import LateEvent
from rules.history import arrange
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.reading import HOUR, MINUTE, SECOND, Event, Instant, LotEvent, Reading, Tick

START: Instant = 1_772_366_400 * SECOND  # a whole half minute

HOUSE = """
[site]
unit = "C"
[[room]]
id = "house-1"
kind = "chamber"
[[probe]]
id = "core-1"
place = "core"
stuck_after = "5 min"
[[probe]]
id = "core-2"
place = "core"
[[probe]]
id = "house-a"
place = "chamber"
room = "house-1"
stuck_after = "5 min"
[[probe]]
id = "house-b"
place = "chamber"
room = "house-1"
[[product]]
code = "links"
[[product.step]]
name = "cook"
room = "house-1"
[[product.step.limit]]
name = "hold"
kind = "dwell"
place = "core"
min = "50 °C"
for = "20 min"
max_gap = "3 min"
[[product.step.limit]]
name = "acid"
kind = "degree-hours"
base = "15 °C"
place = "core"
book = "canada/degree-hours"
confirmed = "the test, which needs no copy"
max_gap = "10 min"
"""
NAMES = ("core-1", "core-2", "house-a", "house-b")


@pytest.fixture(scope="module")
def house() -> Plan:
    """Two cores and two chamber probes in one room."""
    return load_plan(HOUSE.replace('base = "15 °C"\n', ""))


def _cook(seed: int, minutes: int = 60) -> list[Event]:
    """A cook in which probes stick, slip out, hang in the air and read by turns, more or less at once."""
    draw = random.Random(seed)
    air, cores = draw.uniform(20.0, 80.0), [draw.uniform(5.0, 30.0), draw.uniform(5.0, 30.0)]
    stuck = {name: draw.randrange(minutes) for name in NAMES if draw.random() < 0.6}
    slips = {name: draw.randrange(10, minutes) for name in NAMES[:2] if draw.random() < 0.5}
    lazy = draw.random() < 0.3
    held: dict[str, float] = {}
    events: list[Event] = [LotEvent(START, "start", "J-1", "links")]
    events += [LotEvent(START, "place", "J-1", name) for name in NAMES[:2]]
    for half in range(minutes * 2):
        air += draw.gauss(0.3, 1.0)
        for n, name in enumerate(NAMES):
            at = START + half * 30 * SECOND + draw.choice((0, 0, 3, 11, 29)) * SECOND
            if n < 2:
                cores[n] += (air - cores[n]) * (0.0001 if lazy else 0.02)
            value = air - 0.2 * n if n >= 2 or half // 2 >= slips.get(name, minutes) else cores[n]
            value = round(value * 8) / 8
            if name in stuck and stuck[name] <= half // 2 < stuck[name] + 15:
                value = held.setdefault(name, value)
            if draw.random() < 0.9:
                events.append(Reading(name, at, value))
    for name in draw.sample(NAMES[:2], draw.randrange(3)):
        at = START + draw.randrange(10, minutes) * MINUTE + 1
        events += [LotEvent(at, "remove", "J-1", name, "slipped"), LotEvent(at + draw.choice((0, 90)) * SECOND, "place", "J-1", name)]
    if draw.random() < 0.5:
        events.append(LotEvent(START + minutes * MINUTE - 7 * SECOND, "measure", "J-1", "pH", "5.2"))
    if draw.random() < 0.5:
        events.append(LotEvent(START + minutes * MINUTE, "end", "J-1"))
    return events


def _told(engine: Engine) -> dict[str, Any]:
    report = engine.report()
    return {**report, "problems": sorted(map(str, report["problems"]))}


def _judge(plan: Plan, events: Sequence[Event]) -> dict[str, Any]:
    engine = Engine(plan)
    for event in events:
        engine.feed(event)
    engine.feed(Tick(max(e.at for e in events)))
    return _told(engine)


def _deliver(plan: Plan, events: Sequence[Event]) -> tuple[dict[str, Any], int]:
    """As they come; what is late has everything so far judged again in order. Also how often."""
    engine, done, replays = Engine(plan), list[Event](), 0
    for event in events:
        done.append(event)
        try:
            engine.feed(event)
        except LateEvent:
            replays += 1
            engine = Engine(plan)
            for e in arrange(done):
                engine.feed(e)
    engine.feed(Tick(max(e.at for e in events)))
    return _told(engine), replays


def _shuffled_instants(events: Sequence[Event], seed: int) -> list[Event]:
    draw = random.Random(seed)
    keyed = [(e.at, 0 if isinstance(e, LotEvent) else 1, 0.0 if isinstance(e, LotEvent) else draw.random(), e) for e in events]
    return [e for *_, e in sorted(keyed, key=lambda k: k[:3])]


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.integers(0, 10_000))
def test_order_within_one_instant_does_not_matter(house: Plan, seed: int, order: int) -> None:
    """Readings of different probes at one instant, in any order, give the same report to the letter."""
    events = arrange(_cook(seed))
    assert _judge(house, _shuffled_instants(events, order)) == _judge(house, events)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.integers(0, 10_000), st.sampled_from([2, 40, 300]))
def test_late_delivery_ends_like_delivery_in_order(house: Plan, seed: int, order: int, seconds: int) -> None:
    """Whatever comes up to some seconds, or minutes, late ends in the report of readings that all came in time."""
    draw = random.Random(order)
    events = arrange(_cook(seed, 40))
    late = sorted(events, key=lambda e: e.at if isinstance(e, LotEvent) else e.at + draw.randrange(seconds) * SECOND)
    assert _deliver(house, late)[0] == _judge(house, events)


@pytest.mark.full
def test_order_and_late_delivery_on_many_cooks(house: Plan) -> None:
    """The same two laws by seed."""
    for seed in range(20_000, 20_150):
        events = arrange(_cook(seed))
        expected = _judge(house, events)
        assert _judge(house, _shuffled_instants(events, seed)) == expected, seed
        draw = random.Random(seed)
        late = sorted(events, key=lambda e: e.at if isinstance(e, LotEvent) else e.at + draw.randrange(90) * SECOND)
        assert _deliver(house, late)[0] == expected, seed


@settings(max_examples=3, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_restore_between_any_two_events_changes_nothing(house: Plan, seed: int) -> None:
    """Findings and report are the same with the state written down and read back before each event."""
    straight, broken = Engine(house), Engine(house)
    for event in arrange(_cook(seed, 40)):
        broken = Engine.restore(house, json.loads(json.dumps(broken.snapshot())))
        assert broken.feed(event) == straight.feed(event)
    assert _told(broken) == _told(straight)


def test_drawn_cooks_reach_every_doubt(house: Plan) -> None:
    """The laws above would prove little on cooks in which nobody doubts anything."""
    found: set[str] = set()
    for seed in range(60):
        report = _judge(house, arrange(_cook(seed)))
        found |= {a["what"] for a in report["alarms"]}
        found |= {word for p in report["problems"] for word in ("has not moved", "out of the meat") if word in p}
    assert found >= {"has not moved", "out of the meat", "not-in-the-meat", "deviated", "unproven"}


def _minute(name: str, minute: float, value: float) -> Reading:
    return Reading(name, START + round(minute * MINUTE), value)


def _placed(plan: Plan) -> Engine:
    engine = Engine(plan)
    engine.feed(LotEvent(START, "start", "J-1", "links"))
    for name in NAMES[:2]:
        engine.feed(LotEvent(START, "place", "J-1", name))
    return engine


def test_air_that_comes_a_second_late_is_taken_as_it_comes(house: Plan) -> None:
    """Two hours in which every chamber reading crosses those of the cores by some seconds replay no more than a few times."""
    events: list[Event] = arrange([LotEvent(START, "start", "J-1", "links"), LotEvent(START, "place", "J-1", "core-1")])
    for second in range(0, 2 * 3600, 10):
        events.append(Reading("core-1", START + second * SECOND, 10.0 + second / 150))
        events.append(Reading("house-a", START + (second - 3) * SECOND, 70.0 + (second % 70) / 100))
    engine, late = Engine(house), 0
    for event in events:
        try:
            engine.feed(event)
        except LateEvent:
            late += 1
    assert late <= 6, "of 240 half minutes"


def test_air_that_would_take_back_a_doubt_is_late(house: Plan) -> None:
    """Air told late that was 30 °C elsewhere changes whether the core is in it."""
    engine = _placed(house)
    for minute in range(4):
        engine.feed(_minute("house-a", minute, 60.0))
        engine.feed(_minute("core-1", minute + 0.1, 20.0))
    engine.feed(_minute("core-1", 3.9, 59.5))
    assert [p.text for p in engine.doubtful.problems] == ["59.5 °C is not used: out of the meat"]
    with pytest.raises(LateEvent) as caught:
        engine.feed(_minute("house-a", 3.4, 30.0))
    assert caught.value.at == START + round(3.4 * MINUTE)


def test_movement_told_late_takes_back_what_was_trusted(house: Plan) -> None:
    """A repeated value was believed because nothing else moved; another probe did, before it, and says so late."""
    engine = _placed(house)
    for minute in range(8):
        engine.feed(_minute("house-a", minute, 20.0))
        engine.feed(_minute("core-1", minute + 0.5, 19.0))
    assert engine.doubtful.problems == []
    with pytest.raises(LateEvent):
        engine.feed(_minute("house-a", 7.25, 22.0))


def test_readings_of_a_stuck_probe_at_the_movers_instant_do_not_count_yet(house: Plan) -> None:
    """Only what others read before the instant makes a repeated value suspect."""
    engine = _placed(house)
    for minute in range(6):
        engine.feed(_minute("house-a", minute, 20.0 if minute < 5 else 25.0))
        engine.feed(_minute("core-1", minute, 19.0))
    assert engine.doubtful.problems == []
    engine.feed(_minute("core-1", 6, 19.0))
    assert [(p.what, p.probe, p.text) for p in engine.doubtful.problems] == [
        ("suspect", "core-1", "19 °C is not used: has not moved for 6 min while house-a moved")
    ]


@pytest.mark.parametrize("rise", [0.001, 0.01, 0.37])
def test_state_of_the_doubts_does_not_grow(house: Plan, rise: float) -> None:
    """Hours of slow drift leave a snapshot no longer than an hour of it."""

    def size(hours: int) -> int:
        engine = _placed(house)
        for n in range(hours * 360):
            engine.feed(Reading("house-a", START + n * 10 * SECOND, 20.0 + (n % 3600) * rise % 40.0))
            engine.feed(Reading("core-1", START + n * 10 * SECOND, 10.0 + (n % 3600) * rise % 30.0))
        return len(json.dumps(engine.snapshot()["evidence"]))

    assert size(12) < 1.2 * size(4) + 500


def test_hotter_chamber_told_late_is_judged_again(house: Plan) -> None:
    """A chamber reading that lowers the row lies behind what the core has been judged by since."""
    engine = _placed(house)
    for hour in range(3):
        engine.feed(_minute("house-a", 60 * hour, 20.0))
        engine.feed(_minute("core-1", 60 * hour + 1, 18.0))
    with pytest.raises(LateEvent):
        engine.feed(Reading("house-b", START + HOUR, 40.0))


def test_suspect_instant_with_two_values_keeps_a_ceiling_from_being_met_by_either() -> None:
    """Of two values that came too fast at one instant the higher lies beyond the ceiling: it is not met."""
    plan = load_plan(
        """
[[probe]]
id = "core-1"
place = "core"
max_rate = "0.6 °C/min"
[[product]]
code = "links"
[[product.step]]
name = "hold"
[[product.step.limit]]
name = "cold"
kind = "ceiling"
place = "core"
max = "4 °C"
"""
    )
    acts = [LotEvent(START, "start", "J-1", "links"), LotEvent(START, "place", "J-1", "core-1")]
    reads = [Reading("core-1", START + n * 10 * MINUTE, 3.0) for n in range(4)]
    both = [Reading("core-1", START + 11 * MINUTE, value) for value in (0.0, 20.0)]
    engine = Engine(plan)
    for event in arrange([*acts, *reads, *both, LotEvent(START + 30 * MINUTE, "end", "J-1")]):
        engine.feed(event)
    [limit] = engine.report()["lots"][0]["limits"]
    assert limit["verdict"] == "unproven"


def test_suspect_reading_at_the_instant_of_an_automatic_step_keeps_its_ceiling_from_being_met() -> None:
    """A step that is entered by itself comes after the readings of its instant, which belong to it too, the suspect ones also."""
    plan = load_plan(
        """
[[probe]]
id = "core-1"
place = "core"
[[probe]]
id = "cooler-a"
place = "cooler"
[[product]]
code = "links"
[[product.step]]
name = "cook"
advance = { when = "lethality met", how = "auto" }
[[product.step.limit]]
name = "hold"
kind = "lethality"
rows = [{ at = "63 °C", for = "4 min" }]
[[product.step]]
name = "chill"
[[product.step.limit]]
name = "air"
kind = "ceiling"
place = "cooler"
max = "4 °C"
"""
    )
    acts = [LotEvent(START, "start", "J-1", "links"), LotEvent(START, "place", "J-1", "core-1")]
    hot = [Reading("core-1", START + n * 2 * MINUTE, 66.0) for n in range(3)]
    cold = [Reading("cooler-a", START + n * MINUTE, 3.0) for n in (3, 5, 9, 12)]
    doubted = Reading("cooler-a", START + 4 * MINUTE, 20.0, suspect="source")
    engine = Engine(plan)
    for event in arrange([*acts, *hot, *cold, doubted, LotEvent(START + 12 * MINUTE, "end", "J-1")]):
        engine.feed(event)
    [_, air] = engine.report()["lots"][0]["limits"]
    assert (air["limit"], air["verdict"]) == ("air", "unproven")
