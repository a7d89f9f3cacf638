"""A snapshot and a restore between any two events change nothing (`judging.md` section 8)."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from rules import snapshot
from rules.engine import Engine
from rules.errors import RulesError
from rules.finding import Finding
from rules.history import arrange
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.reading import HOUR, Event, Instant, LotEvent, Reading, Tick
from tests.plain.scenarios import seeded
from tests.rules.conftest import LINKS


def _judge(plan: Plan, events: Sequence[Event], *, restoring: bool) -> tuple[list[Finding], dict[str, Any]]:
    engine, found = Engine(plan), []
    for event in events:
        if restoring:
            engine = Engine.restore(plan, json.loads(json.dumps(engine.snapshot())))
        found += engine.feed(event)
    if restoring:
        engine = Engine.restore(plan, json.loads(json.dumps(engine.snapshot())))
    return found, engine.report()


@pytest.mark.parametrize("seed", [3, 6, 17, 42, 111, 141, 283, 307, 743])
def test_snapshot_between_any_two_events_changes_nothing(seed: int) -> None:
    """Findings and report are the same to the letter, with a restore through JSON before every single event."""
    scenario = seeded(seed)
    rows = [e for e in scenario.events if scenario.at is None or e.at <= scenario.at]
    events = [*arrange(rows), Tick(scenario.at if scenario.at is not None else rows[-1].at)]
    assert _judge(scenario.plan, events, restoring=True) == _judge(scenario.plan, events, restoring=False)


def test_snapshot_can_be_taken_when_a_core_comes_out_as_its_lot_leaves_a_profile() -> None:
    """What followed the core for the profile is gone at once, and so is the closing that its step's end had asked for."""
    scenario = seeded(127)
    engine = Engine(scenario.plan)
    for event in arrange(scenario.events):
        engine.feed(event)
        engine.snapshot()


@pytest.mark.full
@pytest.mark.parametrize("first", range(0, 200, 20))
def test_snapshot_between_any_two_events_changes_nothing_in_many(first: int) -> None:
    """The same on two hundred scenarios."""
    for seed in range(first, first + 20):
        test_snapshot_between_any_two_events_changes_nothing(seed)


def test_snapshot_keeps_a_straddle_and_its_room(links: Plan, clock: Callable[[str], Instant], core: Callable[..., list[Reading]]) -> None:
    """A lot that straddles two rooms, a watched room and a night between are the same after a restore."""
    events = arrange(
        [
            LotEvent(clock("0:00"), "start", "J-1", "links"),
            LotEvent(clock("0:00"), "place", "J-1", "core-1"),
            *core("0:01 150, 0:03 150, 0:05 150, 0:20 131, 0:40 100, 1:00 79, 1:20 70, 1:40 60"),
            *core("0:00 38, 0:30 39, 1:00 45, 1:29 45, 1:50 38, 18:30 38, 19:00 38", "cooler-a"),
            LotEvent(clock("1:30"), "step", "J-1", "chill"),
            Tick(clock("20:00")),
        ]
    )
    found, report = _judge(links, events, restoring=True)
    assert (found, report) == _judge(links, events, restoring=False)
    assert [f.what for f in found if f.lot] == ["met", "prompt", "unconfirmed", "met"]
    assert [day["day"] for day in report["standing"]] == ["2026-03-01", "2026-03-02"]


def test_state_does_not_grow_with_readings(links: Plan, clock: Callable[[str], Instant]) -> None:
    """A day of readings every second leaves a snapshot no longer than an hour of them, but for digits."""

    def size(seconds: int) -> int:
        engine = Engine(links)
        engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
        engine.feed(LotEvent(clock("0:00"), "place", "J-1", "core-1"))
        for n in range(seconds):
            engine.feed(Reading("core-1", clock("0:00") + n * 1_000_000, 20.0 + (n % 7) * 0.1))
        return len(json.dumps(engine.snapshot()))

    assert abs(size(36_000) - size(3_600)) < 100


def test_snapshot_of_another_format_is_refused(links: Plan) -> None:
    """What another version wrote is not guessed at."""
    data = Engine(links).snapshot()
    with pytest.raises(RulesError, match="snapshot format is 0, this version reads"):
        Engine.restore(links, {**data, "format": 0})


def test_lot_goes_on_under_the_plan_it_started_with(clock: Callable[[str], Instant], core: Callable[..., list[Reading]]) -> None:
    """A plan put in force later, with a longer hold and without core-2, is for lots to come; also after a restore."""
    old = load_plan(LINKS)
    new = load_plan(LINKS.replace('for = "4 min"', 'for = "9 min"').replace('[[probe]]\nid = "core-2"\nplace = "core"\n', ""))
    engine = Engine(old)
    engine.feed(LotEvent(clock("0:00"), "start", "J-1", "links"))
    engine.feed(LotEvent(clock("0:00"), "place", "J-1", "core-2"))
    engine.use(new)
    engine = Engine.restore({old.sha256: old, new.sha256: new}, json.loads(json.dumps(engine.snapshot())))
    found = [f.what for r in core("0:01 150, 0:03 150, 0:05 150", "core-2") for f in engine.feed(r)]
    assert found == ["met", "prompt"]
    engine.feed(LotEvent(clock("0:06"), "start", "J-2", "links"))
    engine.feed(LotEvent(clock("0:06"), "place", "J-2", "core-1"))
    assert [f.what for r in core("0:07 150, 0:09 150, 0:11 150, 0:13 150, 0:15 150") for f in engine.feed(r)] == []
    assert [f.what for r in core("0:16 150") for f in engine.feed(r)] == ["met", "prompt"]


@pytest.mark.parametrize("seed", [3, 6, 17, 42])
def test_a_lot_that_is_over_is_written_once_and_is_what_writing_it_again_would_give(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """After every event, with lots sealed as soon as they can be; and the engine that was given such a state goes on alike."""
    monkeypatch.setattr(snapshot, "SEALED_AFTER", 0)
    scenario = seeded(seed)
    rows = arrange([e for e in scenario.events if scenario.at is None or e.at <= scenario.at])
    lots, end = {e.lot for e in rows if isinstance(e, LotEvent)}, rows[-1].at + HOUR
    ends = [LotEvent(end, "end", lot) for lot in lots - {e.lot for e in rows if isinstance(e, LotEvent) and e.event == "end"}]
    after = [e._replace(at=end + n * HOUR) for n, e in enumerate([e for e in rows if isinstance(e, Reading)][-20:], 1)]
    engine = Engine(scenario.plan)
    over = 0
    for n, event in enumerate([*rows, *ends, *after]):
        engine.feed(event)
        if n % 10 and event.at <= end:
            continue
        kept, whole = engine.snapshot(packed=True), json.loads(json.dumps(engine.snapshot()))
        over += sum(isinstance(lot, bytes) for lot in kept["lots"])
        opened = [json.loads(zlib.decompress(lot)) if isinstance(lot, bytes) else lot for lot in kept["lots"]]
        assert json.loads(json.dumps({**kept, "lots": opened})) == whole
        again = Engine.restore(scenario.plan, kept)
        assert json.loads(json.dumps(again.snapshot())) == whole
        assert again.snapshot(packed=True) == kept
    assert over >= 2


def test_a_lot_that_is_over_is_the_same_object_in_each_snapshot(links: Plan) -> None:
    """So that nobody writes it out again; while it goes on, and for an hour, it is taken anew."""
    engine = Engine(links)
    for event in (LotEvent(0, "start", "J-1", "links"), LotEvent(HOUR, "end", "J-1"), Tick(2 * HOUR)):
        engine.feed(event)
        assert isinstance(engine.snapshot(packed=True)["lots"][0], dict)
    engine.feed(Tick(2 * HOUR + 1))
    first = engine.snapshot(packed=True)
    engine.feed(Tick(4 * HOUR))
    assert engine.snapshot(packed=True)["lots"][0] is first["lots"][0]
    assert Engine.restore(links, first).snapshot(packed=True)["lots"][0] is first["lots"][0]
