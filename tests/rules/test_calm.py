"""A reading that no watch has to read is not read, and nothing comes out differently for it (`rules/track.py: Track.calm_down`)."""

from __future__ import annotations

import itertools
import random
from collections import Counter
from typing import Any

import pytest

from rules.engine import Engine
from rules.errors import RulesError
from rules.finding import Finding
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import MINUTE, SECOND, Event, Fault, Instant, LotEvent, Reading, Tick
from rules.track import Track

#: The figures are invented; those of the second product are near each other, so that noise crosses them.
PLAN = """
[site]
id = "calm"
name = "Calm, an invented site"
timezone = "UTC"
unit = "F"
[[probe]]
id = "core-1"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "core-2"
place = "core"
[[probe]]
id = "core-3"
place = "core"
uncertainty = "0.2 °F"
[[product]]
code = "links"
[[product.step]]
name = "cook"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
rows = [{ at = "130 °F", for = "12 min" }, { at = "131 °F", for = "8 min" }, { at = "133 °F", for = "4 min" }]
max_gap = "2 min"
[[product.step]]
name = "chill"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
start = "129 °F"
begin_within = "10 min"
windows = [{ to = "80 °F", within = "30 min" }, { to = "60 °F", within = "70 min" }]
max_gap = "3 min"
"""
AIR = """
[[room]]
id = "house"
kind = "chamber"
[[probe]]
id = "air-1"
place = "chamber"
room = "house"
[[product]]"""
CORES = ("core-1", "core-2", "core-3")


class Wakeful(Engine):
    """Reads every reading with every watch."""

    def _calm_down(self, track: Track, at: Instant) -> None:
        """Never."""


def turns(draw: random.Random) -> list[tuple[int, float]]:
    """(minute, °F) between which a core moves straight on: a cook and a chill, with turns that cross the limits again."""
    hot = draw.choice((127.0, 130.0, 131.5, 134.0))
    path = [(0, draw.choice((36.0, 90.0, 128.0))), (draw.randint(10, 30), hot)]
    path += [(path[-1][0] + draw.randint(3, 10), hot + draw.choice((-3.0, -1.0, 0.0, 1.0)))]
    for _ in range(draw.randint(1, 5)):
        path.append((path[-1][0] + draw.randint(3, 30), draw.choice((132.0, 127.0, 95.0, 81.0, 79.0, 61.0, 58.0, 40.0))))
    return path


def plans() -> list[Plan]:
    """The plan; without its cooling limit, beside which a hot core is never calm; and with a chamber, whose air cores are held to."""
    alone = PLAN[: PLAN.index('[[product.step.limit]]\nname = "stabilization')]
    aired = PLAN.replace("[[product]]", AIR.strip(), 1)
    for step in ("cook", "chill"):
        aired = aired.replace(f'name = "{step}"', f'name = "{step}"\nroom = "house"')
    return [load_plan(text, "calm") for text in (PLAN, alone, aired)]


def air(draw: random.Random, until: Instant) -> list[Event]:
    """The chamber's readings: now far from the cores, now near."""
    found: list[Event] = []
    warm = 150.0
    for second in range(0, until // SECOND, 5):
        warm = draw.choice((34.0, 95.0, 131.0, 150.0)) if draw.random() < 0.003 else warm
        found.append(Reading("air-1", second * SECOND, fahrenheit(round(warm + draw.gauss(0.0, 0.3), 1))))
    return found


def history(seed: int, *, aired: bool) -> list[Event]:
    """Three cores of a lot, a reading every few seconds of each, with gaps, faults, removals, entries of steps, and ticks."""
    draw = random.Random(seed)
    every, noise = draw.choice((1, 3, 7, 20)), draw.choice((0.0, 0.05, 0.3))
    events: list[Event] = [LotEvent(0, "start", "J-1", "links")]
    ends = []
    for core in CORES[: draw.randint(1, 3)]:
        path = turns(draw)
        events.append(LotEvent(0, "place", "J-1", core))
        gaps = [(draw.randint(0, path[-1][0]) * 60, draw.choice((100, 130, 200, 900))) for _ in range(draw.randint(0, 3))]
        for (begin, low), (end, high) in itertools.pairwise(path):
            for second in range(begin * 60, end * 60, every):
                if any(at <= second < at + length for at, length in gaps):
                    continue
                value = low + (high - low) * (second - begin * 60) / (end * 60 - begin * 60) + draw.gauss(0.0, noise)
                row = draw.random()
                at = second * SECOND
                events.append(Fault(core, at, "open circuit") if row < 0.001 else Reading(core, at, fahrenheit(round(value, 1))))
        if draw.random() < 0.4:
            out = draw.randint(5, path[-1][0]) * MINUTE + 1
            events += [LotEvent(out, "remove", "J-1", core, "slipped"), LotEvent(out + draw.randint(1, 9) * MINUTE, "place", "J-1", core)]
        ends.append(path[-1][0])
    longest = max(ends)
    events.append(LotEvent(draw.randint(longest // 3, longest) * MINUTE + 2, "step", "J-1", "chill"))
    if draw.random() < 0.3:
        events.append(LotEvent(draw.randint(40, longest + 40) * MINUTE + 3, "step", "J-1", "cook"))
    events += [Tick(draw.randint(0, longest) * MINUTE + SECOND // 2) for _ in range(draw.randint(0, 4))]
    if aired:
        events += air(draw, longest * MINUTE)
    behind = {core: draw.choice((0, 0, 7, 45)) * SECOND for core in (*CORES, "air-1")}  # readings of different probes may cross a little

    def told(event: Event) -> tuple[Instant, bool]:
        return event.at + (behind[event.probe] if isinstance(event, Reading | Fault) else 0), isinstance(event, Reading | Fault)

    return sorted(events, key=told)


def lived(engine: Engine, events: list[Event]) -> tuple[list[list[Finding] | str], dict[str, Any], dict[str, Any]]:
    """What is said at each event, the state in the end, and the report."""
    said: list[list[Finding] | str] = []
    for event in events:
        try:
            said.append(list(engine.feed(event)))
        except RulesError as exc:
            said.append(str(exc))
    state = engine.snapshot()
    return said, state, engine.report()


@pytest.mark.parametrize("first", [0, 25, pytest.param(50, marks=pytest.mark.full), pytest.param(450, marks=pytest.mark.full)])
def test_calm_readings_change_nothing_that_is_said(first: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same findings at the same events, the same state and report as where every watch reads each reading; and there is calm."""
    real, calm, verdicts = Track.calm_down, Counter[bool](), Counter[str]()

    def counted(track: Track, at: Instant) -> bool:
        found = real(track, at)
        calm[found] += 1
        return found

    monkeypatch.setattr(Track, "calm_down", counted)
    for seed in range(first, first + (400 if first >= 50 else 25)):
        events, plan = history(seed, aired=seed % 3 == 2), plans()[seed % 3]
        ours, theirs = lived(Engine(plan), events), lived(Wakeful(plan), events)
        for event, one, other in zip(events, ours[0], theirs[0], strict=True):
            assert one == other, (seed, event)
        assert ours[1:] == theirs[1:], seed
        verdicts.update(watch["verdict"] for lot in ours[2]["lots"] for limit in lot["limits"] for watch in limit["watches"])
    assert calm[True] > 100
    assert set(verdicts) >= {"met", "deviated", "unproven"}
