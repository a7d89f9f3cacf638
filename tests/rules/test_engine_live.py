"""What a running service asks of the engine: whom a probe serves, what may be forgotten, a look that changes nothing."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from rules.engine import Engine
from rules.errors import EventError
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import format_instant
from rules.reading import Fault, Instant, LotEvent, Reading, Tick
from tests.rules.conftest import LINKS

Core = Callable[..., list[Reading]]
Clock = Callable[[str], Instant]


def _started(plan: Plan, clock: Clock) -> Engine:
    engine = Engine(plan)
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    engine.feed(LotEvent(clock("0:00"), "place", "J-1", "core-1"))
    return engine


def test_heard_is_the_instant_of_the_newest_row(links: Plan, clock: Clock, core: Core) -> None:
    """A fault is a row too; a probe that never gave one, or that nobody knows, was never heard."""
    engine = _started(links, clock)
    assert engine.heard("core-1") is None
    assert engine.heard("no such probe") is None
    engine.feed(*core("0:01 90"))
    engine.feed(Fault("core-1", clock("0:02"), "open circuit"))
    assert engine.heard("core-1") == clock("0:02")


def test_serving_names_lots_and_rooms_that_depend_on_a_probe(links: Plan, clock: Clock) -> None:
    """A placed core probe serves its lot, a cooler probe its room; a probe in a drawer and one of an ended lot serve nobody."""
    engine = _started(links, clock)
    assert engine.serving("core-1") == ["lot J-1"]
    assert engine.serving("core-2") == []
    assert engine.serving("cooler-a") == ["room cooler-1"]
    engine.feed(LotEvent(clock("1:00"), "end", "J-1"))
    assert engine.serving("core-1") == []


def test_forgotten_lot_leaves_the_state_but_keeps_its_name(links: Plan, clock: Clock, core: Core) -> None:
    """Lots that ended before an instant go; their readings feed nothing, and their name is not given again."""
    engine = _started(links, clock)
    for row in core("0:01 150, 0:03 150, 0:05 150"):
        engine.feed(row)
    engine.feed(LotEvent(clock("1:00"), "end", "J-1"))
    engine.feed(Tick(clock("1:01")))
    full = len(json.dumps(engine.snapshot()))
    assert engine.forget(clock("1:00")) == []
    assert engine.forget(clock("1:01")) == ["J-1"]
    assert len(json.dumps(engine.snapshot())) < full / 2
    assert engine.report()["lots"] == []
    engine = Engine.restore(links, json.loads(json.dumps(engine.snapshot())))
    assert engine.feed(*core("1:02 40")) == []
    with pytest.raises(EventError, match="lot J-1 was started before"):
        engine.feed(LotEvent(clock("1:03"), "start", "J-1", "links"))


def test_report_without_settling_changes_nothing(links: Plan, clock: Clock, core: Core) -> None:
    """A page may look at the very instant of an end; a reading of that instant still counts afterwards."""
    engine = _started(links, clock)
    for row in core("0:01 150, 0:03 150"):
        engine.feed(row)
    engine.feed(LotEvent(clock("0:05"), "end", "J-1"))
    before = json.dumps(engine.snapshot())
    watch = engine.report(settle=False)["lots"][0]["limits"][0]["watches"][0]
    assert watch["verdict"] == "open"
    assert json.dumps(engine.snapshot()) == before
    engine.feed(*core("0:05 150"))
    assert engine.report()["lots"][0]["limits"][0]["watches"][0]["verdict"] == "met"


def test_value_that_the_sensor_cannot_give_is_a_fault(links: Plan, clock: Clock, core: Core) -> None:
    """Out of its span a probe is silent: a problem is told, no verdict suffers; the other value of that instant counts."""
    engine = Engine(links)
    for row in core("0:00 38, 0:10 257, 0:20 38", "cooler-a"):
        engine.feed(row)
    good, wrong = core("0:30 38, 0:30 257", "cooler-a")
    engine.feed(good._replace(high_c=wrong.celsius))
    report = engine.report()
    assert [p["what"] for p in report["problems"]] == ["fault"]
    assert "out of the sensor's span" in report["problems"][0]["text"]
    engine.feed(Tick(clock("19:00")))
    assert engine.report()["standing"][0]["watches"][0]["evidence"]["worst_c"] == pytest.approx(3.333, abs=1e-3)


def test_limit_without_any_watch_is_told_as_a_finding(links: Plan, clock: Clock) -> None:
    """A limit that no probe served is unproven as a whole, and says so, so that somebody acts."""
    engine = Engine(links)
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    engine.feed(LotEvent(clock("1:00"), "end", "J-1"))
    found = engine.settle()
    assert [(f.what, f.limit, f.probe, format_instant(f.at)) for f in found] == [
        ("unproven", "lethality", "", "2026-03-01T13:00:00Z"),
        ("unproven", "stabilization", "", "2026-03-01T13:00:00Z"),
    ]
    assert all(f.critical for f in found)


def test_probe_that_has_not_read_yet_does_not_ring(links: Plan, clock: Clock, core: Core) -> None:
    """A probe placed as the chill begins is not called cold before it has said anything."""
    engine = Engine(links)
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    engine.feed(LotEvent(clock("0:00"), "step", "J-1", "chill"))
    assert engine.feed(LotEvent(clock("0:00"), "place", "J-1", "core-1")) == []
    assert [f.what for f in engine.feed(*core("0:01 140"))] == []


def test_new_plan_is_for_the_rooms_next_day(clock: Clock, core: Core) -> None:
    """A day of a room is judged by the plan in force when it began; the next by the one in force then, be it without the limit."""
    old = load_plan(LINKS)
    new = load_plan(LINKS.replace('max = "40 °F"\nallowed', 'max = "50 °F"\nallowed'))
    before, after = LINKS.split("[[standing]]")
    none = load_plan(before + "[[product]]" + after.split("[[product]]", 1)[1])
    engine = Engine(old)
    for row in core("0:00 45", "cooler-a"):
        engine.feed(row)
    engine.use(new)
    engine = Engine.restore({p.sha256: p for p in (old, new)}, json.loads(json.dumps(engine.snapshot())))
    for row in core("0:20 45, 0:40 45, 18:00 45, 18:30 45, 19:00 45", "cooler-a"):
        engine.feed(row)
    engine.use(none)
    for row in core("42:00 60, 42:30 60, 43:00 60, 50:00 60", "cooler-a"):
        engine.feed(row)
    days = {day["day"]: day["verdict"] for day in engine.report()["standing"]}
    assert days == {"2026-03-01": "deviated", "2026-03-02": "unproven"}
