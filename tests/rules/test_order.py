"""What arrives out of order: late where it changes what was judged, taken as it comes where it does not."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rules.engine import Engine
from rules.errors import EventError, LateEvent
from rules.history import arrange
from rules.plan import Plan
from rules.reading import Event, Fault, Instant, LotEvent, Reading, Tick
from tests.plain.scenarios import Scenario, scenarios

Core = Callable[..., list[Reading]]
Clock = Callable[[str], Instant]


def _started(plan: Plan, clock: Clock) -> Engine:
    engine = Engine(plan)
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    for probe in ("core-1", "core-2"):
        engine.feed(LotEvent(clock("0:00"), "place", "J-1", probe))
    return engine


def _late(engine: Engine, event: Event) -> Instant:
    with pytest.raises(LateEvent) as caught:
        engine.feed(event)
    return caught.value.at


def test_reading_older_than_its_probes_newest_is_late(links: Plan, clock: Clock, core: Core) -> None:
    """One probe's readings are judged in rising order."""
    engine = _started(links, clock)
    engine.feed(*core("0:02 100"))
    assert _late(engine, *core("0:01 90")) == clock("0:01")


def test_readings_of_two_probes_may_cross(links: Plan, clock: Clock, core: Core) -> None:
    """A probe whose readings come a minute behind another's is taken as it comes."""
    engine = _started(links, clock)
    for row in (*core("0:01 90, 0:02 91, 0:03 92"), *core("0:01 80, 0:02 81", "core-2")):
        engine.feed(row)
    assert engine.heard("core-2") == clock("0:02")


def test_reading_before_an_instant_that_others_depend_on_is_late(links: Plan, clock: Clock, core: Core) -> None:
    """Once lethality met has opened the cooling, a reading of any probe from before is late."""
    engine = _started(links, clock)
    for row in (*core("0:01 150, 0:03 150", "core-2"), *core("0:01 150, 0:03 150, 0:05 150"), *core("0:05 150", "core-2")):
        engine.feed(row)
    assert _late(engine, *core("0:04 150", "core-2")) == clock("0:04")


def test_meeting_lethality_behind_another_probes_reading_is_late_whole(links: Plan, clock: Clock, core: Core) -> None:
    """Where the last lethality is met behind what another probe has said since, that is to be judged again."""
    engine = _started(links, clock)
    for row in (*core("0:01 150, 0:03 150, 0:05 150, 0:06 150"), *core("0:01 150, 0:03 150", "core-2")):
        engine.feed(row)
    assert _late(engine, *core("0:05 150", "core-2")) == clock("0:05")


def test_equal_row_is_a_duplicate_and_another_value_is_late(links: Plan, clock: Clock, core: Core) -> None:
    """The same row again is counted and ignored; another value at its instant changes what was judged."""
    engine = _started(links, clock)
    engine.feed(*core("0:02 100"))
    assert engine.feed(*core("0:02 100")) == []
    assert engine.doubtful.duplicates == 1
    assert _late(engine, *core("0:02 101")) == clock("0:02")


def test_doubt_about_a_row_already_judged_is_late(links: Plan, clock: Clock, core: Core) -> None:
    """Of equal values the suspect one stands, so that it takes back the good one."""
    engine = _started(links, clock)
    (row,) = core("0:02 100")
    engine.feed(row)
    assert _late(engine, row._replace(suspect="source")) == clock("0:02")


def test_late_fault_changes_nothing(links: Plan, clock: Clock, core: Core) -> None:
    """A fault is evidence of nothing, whenever it arrives; a value at its instant counts."""
    engine = _started(links, clock)
    engine.feed(*core("0:02 100"))
    assert engine.feed(Fault("core-1", clock("0:01"), "open circuit")) == []
    engine.feed(Fault("core-1", clock("0:03"), "open circuit"))
    assert engine.feed(*core("0:03 100")) == []
    assert engine.heard("core-1") == clock("0:03")


def test_event_behind_a_reading_or_at_its_instant_is_late(links: Plan, clock: Clock, core: Core) -> None:
    """At one instant events come before readings."""
    engine = _started(links, clock)
    engine.feed(*core("0:02 100"))
    assert _late(engine, LotEvent(clock("0:02"), "step", "J-1", "chill")) == clock("0:02")
    assert _late(engine, LotEvent(clock("0:01"), "remove", "J-1", "core-1", "done")) == clock("0:01")


def test_undo_is_always_a_replay(links: Plan, clock: Clock) -> None:
    """What is taken back was judged."""
    engine = _started(links, clock)
    assert _late(engine, LotEvent(clock("0:05"), "undo", "J-1", "", "2026-03-01T12:00:00Z")) == clock("0:05")


def test_refused_event_changes_nothing(links: Plan, clock: Clock) -> None:
    """A refusal leaves the whole state as it was."""
    engine = _started(links, clock)
    before = json.dumps(engine.snapshot())
    refused = [
        LotEvent(clock("0:01"), "start", "J-1", "links"),
        LotEvent(clock("0:01"), "start", "J-2", "no such product"),
        LotEvent(clock("0:01"), "step", "J-1", "no such step"),
        LotEvent(clock("0:01"), "step", "J-9", "chill"),
        LotEvent(clock("0:01"), "place", "J-1", "cooler-a"),
        LotEvent(clock("0:01"), "remove", "J-1", "core-1", "fell out"),
        LotEvent(clock("0:01"), "check", "J-1", "core", "41"),
        LotEvent(clock("0:01"), "measure", "J-1", "pH", "nan"),
        LotEvent(clock("0:01"), "dance", "J-1"),
    ]
    for event in refused:
        with pytest.raises(EventError):
            engine.feed(event)
    assert json.dumps(engine.snapshot()) == before


def test_silence_that_a_tick_has_judged_makes_an_older_reading_late(links: Plan, clock: Clock, core: Core) -> None:
    """A deadline decided in silence would be decided otherwise by a reading that was only under way."""
    engine = _started(links, clock)
    for row in core("0:01 150, 0:03 150, 0:05 150, 0:10 131, 0:30 110"):
        engine.feed(row)
    engine.feed(LotEvent(clock("0:31"), "step", "J-1", "chill"))
    for row in core("0:55 95, 1:20 85"):
        engine.feed(row)
    found = engine.feed(Tick(clock("2:10")))
    assert [(f.what, f.at) for f in found if f.limit == "stabilization"] == [("unproven", clock("1:40"))]
    assert _late(engine, *core("1:39 79")) == clock("1:39")


def _report(plan: Plan, events: Sequence[Event]) -> dict[str, Any]:
    engine = Engine(plan)
    for event in arrange(events):
        engine.feed(event)
    engine.feed(Tick(max(e.at for e in events)))
    return engine.report()


def _deliver(plan: Plan, events: Sequence[Event], batch: int) -> dict[str, Any]:
    """As the service does: batches as they arrive; what is late replays all that has arrived from a snapshot before it."""
    engine, arrived = Engine(plan), 0
    snapshots: list[tuple[Instant, dict[str, Any], int]] = [(-(1 << 62), json.loads(json.dumps(engine.snapshot())), 0)]
    for first in range(0, len(events), batch):
        arrived = min(first + batch, len(events))
        pending, rewinding = arrange(events[first:arrived]), False
        while True:
            try:
                for event in pending:
                    engine.feed(event)
                break
            except LateEvent as late:
                at = min(late.at, snapshots[-1][0]) if rewinding else late.at
                rewinding = True
                while snapshots[-1][0] >= at:
                    snapshots.pop()
                _, data, seen = snapshots[-1]
                engine = Engine.restore(plan, data)
                pending = arrange(events[seen:arrived])
        snapshots.append((engine.now, json.loads(json.dumps(engine.snapshot())), arrived))
    engine.feed(Tick(max(e.at for e in events)))
    return engine.report()


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(scenarios(), st.randoms(use_true_random=False), st.integers(1, 30))
def test_late_delivery_ends_in_the_report_of_delivery_in_order(scenario: Scenario, chance: Any, batch: int) -> None:
    """Readings and faults that come late, one by one or a dozen at once, end as if they had come in time."""
    events = [e for e in scenario.events if not (isinstance(e, LotEvent) and e.event == "undo")]
    if not events:
        return
    late = sorted(
        range(len(events)),
        key=lambda i: (i if isinstance(events[i], LotEvent) else i + (chance.randint(2, 60) if chance.random() < 0.1 else 0), i),
    )
    shuffled = [events[i] for i in late]
    try:
        expected = _report(scenario.plan, shuffled)
    except EventError:
        return
    told = _deliver(scenario.plan, shuffled, batch)
    assert told["lots"] == expected["lots"]
    assert told["standing"] == expected["standing"]
    assert told["alarms"] == expected["alarms"]
