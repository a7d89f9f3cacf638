"""The forecast of a core: how often its interval holds what comes, when it says nothing, and that no verdict depends on it."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from rules import lot_forecast
from rules.engine import Engine
from rules.errors import LateEvent
from rules.forecast import LEAST, Approach
from rules.history import arrange
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Event, Instant, LotEvent, Reading, Tick
from rules.science.heat import bessel_j, first_term
from tests.plain.scenarios import Scenario, scenarios

START: Instant = 1_772_366_400_000_000
ALPHA = 1.35e-7  # m²/s, of cooked meat; invented for these runs
Curve = Callable[[float], float]
Row = tuple[float, float | None, float | None, float | None]


def _roots(biot: float, terms: int) -> list[float]:
    """The first roots of x J1(x) = Bi J0(x): the first by the module under test, the others between the zeros of J0 and J1."""

    def f(x: float) -> float:
        return x * bessel_j(1, x) - biot * bessel_j(0, x)

    found = [first_term("cylinder", biot).eigenvalue]
    x = found[0] + 0.1
    while len(found) < terms:
        if f(x) * f(x + 0.05) <= 0.0:
            low, high = x, x + 0.05
            for _ in range(50):
                middle = (low + high) / 2
                low, high = (middle, high) if f(middle) * f(high) <= 0.0 else (low, middle)
            found.append((low + high) / 2)
            x = found[-1]
        x += 0.05
    return found


def _cylinder(radius: float, biot: float, terms: int, start_c: float, air_c: float) -> Curve:
    """The exact centre of a cylinder put into other surroundings: the series of which `rules/science/heat.py` holds the first term."""
    series = []
    for root in _roots(biot, terms):
        j0, j1 = bessel_j(0, root), bessel_j(1, root)
        series.append((2.0 * j1 / (root * (j0 * j0 + j1 * j1)), root * root * ALPHA / (radius * radius)))
    return lambda t: air_c + (start_c - air_c) * sum(c * math.exp(-k * t) for c, k in series)


def _reached(curve: Curve, to_c: float) -> float:
    """Seconds until the curve comes to `to_c`."""
    low, high = 0.0, 1e6
    for _ in range(80):
        middle = (low + high) / 2
        if (curve(middle) > to_c) == (curve(0.0) > to_c):
            low = middle
        else:
            high = middle
    return low


def _told(
    seed: int, *, terms: int, air: bool, start_c: float, air_c: float, to_c: float
) -> Iterator[tuple[float, float | None, float | None, float | None]]:
    """What is forecast at half, 0.7 and 0.85 of the way: true instant, and expected, earliest, latest, in seconds."""
    chance = random.Random(seed)
    curve = _cylinder(chance.uniform(0.012, 0.035), round(chance.uniform(0.4, 3.0), 1), terms, start_c, air_c)
    true = _reached(curve, to_c)
    looks = [true * share for share in (0.5, 0.7, 0.85)]
    fit, at = Approach(), 0.0
    while looks:
        core = round((curve(at) + chance.gauss(0.0, 0.15)) * 10) / 10
        fit.add(round(at * SECOND), core, air_c + chance.gauss(0.0, 0.5) if air else None)
        if at >= looks[0]:
            looks.pop(0)
            told = fit.forecast(to_c, cold=start_c > to_c)
            if told is not None:
                yield true, *(None if x is None else x / SECOND for x in (told.at, told.early, told.late))
        at += 30.0  # as often as the engine has a reading fitted


CASES: dict[str, dict[str, Any]] = {
    "first term, air known": {"terms": 1, "air": True, "start_c": 68.0, "air_c": 4.0, "to_c": 26.7},
    "first term, air fitted": {"terms": 1, "air": False, "start_c": 68.0, "air_c": 4.0, "to_c": 26.7},
    "series, cooling to 80 °F": {"terms": 6, "air": True, "start_c": 68.0, "air_c": 4.0, "to_c": 26.7},
    "series, cooling to 40 °F": {"terms": 6, "air": True, "start_c": 68.0, "air_c": 1.0, "to_c": 4.4},
    "series, heating to 145 °F": {"terms": 6, "air": True, "start_c": 5.0, "air_c": 75.0, "to_c": 62.8},
}
#: Of these runs at least so many forecasts have to hold the true instant. 0.90 is what is claimed; over 400 runs (full tier) see below.
LEAST_SHARE = {"series, cooling to 80 °F": 0.80}


def _coverage(name: str, runs: int) -> tuple[int, float, float]:
    """How many forecasts were told, the share that holds the true instant, and the share that lies wholly after it."""
    told = [row for seed in range(runs) for row in _told(seed, **CASES[name])]
    held = sum(early is not None and early <= true and (late is None or late >= true) for true, _, early, late in told)
    after = sum(early is None or early > true for true, _, early, _ in told)
    return len(told), held / len(told), after / len(told)


@pytest.mark.parametrize("name", CASES)
def test_interval_holds_the_true_instant_as_often_as_it_says(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Cylinders of 12 to 35 mm radius, noise of 0.15 °C, a display of a tenth; the exact solution gives the true instant."""
    told, held, after = _coverage(name, 25)
    with capsys.disabled():
        print(f"\n  {name}: {told} forecasts of 75, {held:.0%} hold it, {after:.0%} lie after it", end="")
    assert told >= 30
    assert held >= LEAST_SHARE.get(name, 0.85)


@pytest.mark.full
@pytest.mark.parametrize("name", CASES)
def test_interval_holds_the_true_instant_in_many_runs(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The same over 400 runs, printed."""
    told, held, after = _coverage(name, 400)
    with capsys.disabled():
        print(f"\n  {name}: {told} forecasts of 1200, {held:.1%} hold it, {after:.1%} lie after it", end="")
    assert held >= LEAST_SHARE.get(name, 0.85)


def _approach(readings: int, air: Callable[[int], float | None] = lambda _: 4.0, core: Callable[[int], float] | None = None) -> Approach:
    fit = Approach()
    for n in range(readings):
        fit.add(START + n * 30 * SECOND, core(n) if core else 4.0 + 64.0 * math.exp(-n / 60), air(n))
    return fit


def test_nothing_is_told_from_fewer_than_ten_readings() -> None:
    """Nine of a steep fall, then ten; and ten that came too quickly to show whether the rate changes."""

    def steep(n: float) -> float:
        return 4.0 + 64.0 * math.exp(-n / 15)

    assert LEAST == 10

    def each(count: int, span: int) -> Approach:
        fit = Approach()
        for n in range(count):
            fit.add(START + n * span, steep(n * span / (30 * SECOND)), 4.0)
        return fit

    assert each(9, MINUTE).forecast(15.0, cold=True) is None
    assert each(10, 45 * SECOND).forecast(15.0, cold=True) is None, "ten, but of less than 8 min"
    told = each(10, MINUTE).forecast(15.0, cold=True)
    assert told is not None
    assert told.at is not None
    true = START + 30 * SECOND * 15 * math.log(64.0 / 11.0)
    assert abs(told.at - true) < 30 * SECOND


@pytest.mark.parametrize("what", ["the air steps", "a pause of more than 5 min", "the core jumps", "the air's probe goes"])
def test_nothing_is_told_across_a_disturbance(what: str) -> None:
    """Each begins the fit anew; nine readings after it nothing is told."""
    fit = _approach(60)
    assert fit.forecast(15.0, cold=True) is not None
    at, core = START + 60 * 30 * SECOND, 4.0 + 64.0 * math.exp(-1.0)
    for n in range(9):
        air: float | None = 4.0
        if what == "the air steps":
            air = 14.0
        elif what == "the air's probe goes":
            air = None
        elif what == "a pause of more than 5 min":
            at += 6 * MINUTE if n == 0 else 0
        elif what == "the core jumps":
            core += 5.0 if n == 0 else 0.0
        fit.add(at + n * 30 * SECOND, core, air)
        assert fit.forecast(15.0, cold=True) is None
    assert fit.count == 9


def test_a_mark_beyond_the_surroundings_is_never_reached() -> None:
    """It has no instant, and what would still make it is colder than what is there."""
    fit = _approach(90, lambda _: 10.0, lambda n: 10.0 + 58.0 * math.exp(-n / 60))
    told = fit.forecast(4.4, cold=True)
    assert told is not None
    assert (told.at, told.early, told.late) == (None, None, None)
    assert fit.at is not None
    needed = fit.needed(4.4, fit.at + HOUR)
    assert needed is not None
    assert needed < 4.4
    hour = 30 * 60 * SECOND
    left = math.exp(-HOUR / hour)
    assert needed + (told.core_c - needed) * left == pytest.approx(4.4, abs=0.05)


def test_snapshot_of_a_fit_goes_on_alike() -> None:
    """Through JSON, at every reading."""
    whole, restored = _approach(80), Approach()
    for n in range(80):
        other = Approach()
        other.restore(json.loads(json.dumps(restored.state(), allow_nan=False)))
        restored = other
        restored.add(START + n * 30 * SECOND, 4.0 + 64.0 * math.exp(-n / 60), 4.0)
    assert restored.state() == whole.state()


# --- in the engine ----------------------------------------------------------------------------------------------------

WARM_COOLER = """
[site]
id = "ferncliff"
unit = "F"
timezone = "America/Chicago"
[[room]]
id = "cooler-1"
kind = "cooler"
[[probe]]
id = "core-1"
place = "core"
uncertainty = "0.5 °F"
[[probe]]
id = "core-2"
place = "core"
[[probe]]
id = "cooler-a"
place = "cooler"
room = "cooler-1"
[[product]]
code = "links"
[[product.step]]
name = "chill"
room = "cooler-1"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
start = "130 °F"
windows = [{ to = "80 °F", within = "90 min" }, { to = "40 °F", within = "5 h" }]
"""


@pytest.fixture(scope="module")
def warm_cooler() -> tuple[Plan, list[Event]]:
    """Two cores in a cooler at 60 °F, a reading every 10 s of each probe, all at the same instants (invented)."""
    events: list[Event] = [LotEvent(START, "start", "J-1", "links")]
    events += [LotEvent(START, "place", "J-1", core) for core in ("core-1", "core-2")]
    chance = random.Random(7)
    for n in range(0, 6000, 10):
        at = START + n * SECOND
        for core, slow in (("core-1", 5400.0), ("core-2", 2600.0)):
            events.append(Reading(core, at, fahrenheit(60.0 + 71.0 * math.exp(-n / slow)) + chance.gauss(0.0, 0.05)))
        events.append(Reading("cooler-a", at, fahrenheit(60.0) + chance.gauss(0.0, 0.2)))
    return load_plan(WARM_COOLER), events


def _found(plan: Plan, events: list[Event], *, restoring: int = 0) -> list[tuple[Any, ...]]:
    engine, found = Engine(plan), []
    for number, event in enumerate(events):
        if restoring and number % restoring == 0:
            engine = Engine.restore(plan, json.loads(json.dumps(engine.snapshot(), allow_nan=False)))
        found += engine.feed(event)
    return [(*f[:-1],) for f in found]


def test_too_warm_a_cooler_rings_once_for_the_core_that_will_be_late(warm_cooler: tuple[Plan, list[Event]]) -> None:
    """With the time left, the site's clock and unit, and the surroundings that would still make it; core-2 is in time and silent."""
    found = [f for f in _found(*warm_cooler) if f[1] == "heading-out"]
    assert [(f[2:6], (f[0] - START) // MINUTE) for f in found if f[5] == "core-1"] == [(("J-1", "chill", "stabilization", "core-1"), 36)]
    text = next(f[7] for f in found if f[5] == "core-1")
    assert text.startswith("80 °F expected 07:"), text
    other = [f[7] for f in found if f[5] == "core-2"]
    assert len(other) == 1
    assert other[0].startswith("40 °F is not reached in surroundings of 60.1 °F; it must be by ")
    assert "it must be by 07:30, in 5" in text
    assert "or colder around it from now on would still make it" in text
    report = Engine(warm_cooler[0])
    for event in warm_cooler[1]:
        report.feed(event)
    assert [a["what"] for a in report.report()["alarms"] if a["probe"] == "core-1"] == ["heading-out", "deviated"]


def test_forecast_is_the_same_with_a_restore_anywhere(warm_cooler: tuple[Plan, list[Event]]) -> None:
    """Findings to the letter, with a snapshot through JSON at every 37th event."""
    plan, events = warm_cooler
    assert _found(plan, events, restoring=37) == _found(plan, events)


def test_forecast_does_not_mind_the_order_within_an_instant(warm_cooler: tuple[Plan, list[Event]]) -> None:
    """The air before the core, or after it."""
    plan, events = warm_cooler
    other = sorted(events, key=lambda e: (e.at, isinstance(e, Reading), e.probe if isinstance(e, Reading) else ""))
    turned = sorted(events, key=lambda e: (e.at, isinstance(e, Reading), [-ord(c) for c in e.probe] if isinstance(e, Reading) else []))
    assert sorted(_found(plan, other)) == sorted(_found(plan, turned)) == sorted(_found(plan, events))


def test_air_that_comes_a_minute_late_changes_nothing_and_four_minutes_is_late(warm_cooler: tuple[Plan, list[Event]]) -> None:
    """What would change what a forecast has used is judged again from before it, and nothing else is."""
    plan, events = warm_cooler

    def delayed(by: int) -> list[Event]:
        begins, ends = START + 15 * MINUTE, START + 40 * MINUTE  # later core-2 comes so near the air that `rules/meat.py` minds it too

        def comes(e: Event) -> Instant:
            moved = isinstance(e, Reading) and e.probe == "cooler-a" and e.at > begins
            return e.at + by if moved and e.at < ends else max(e.at, ends + by) if moved else e.at

        return sorted(events, key=comes)

    assert sorted(_found(plan, delayed(MINUTE))) == sorted(_found(plan, events))
    with pytest.raises(LateEvent):
        _found(plan, delayed(4 * MINUTE))


def _verdicts(scenario: Scenario) -> list[Any]:
    engine = Engine(scenario.plan)
    rows = [e for e in scenario.events if scenario.at is None or e.at <= scenario.at]
    for event in arrange(rows):
        engine.feed(event)
    engine.feed(Tick(scenario.at if scenario.at is not None else rows[-1].at))
    report = engine.report()
    return [report["lots"], report["standing"], [a for a in report["alarms"] if a["what"] != "heading-out"]]


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(scenarios())
def test_verdicts_are_equal_with_and_without_forecasts(scenario: Scenario) -> None:
    """Lots, rooms and every other alarm are the same to the letter where nothing is fitted at all."""
    with_forecast = _verdicts(scenario)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lot_forecast, "KINDS", ())
        assert _verdicts(scenario) == with_forecast


def test_the_warm_cooler_is_judged_alike_without_forecasts(warm_cooler: tuple[Plan, list[Event]]) -> None:
    """A history in which it rings, so that the law above cannot hold by silence."""
    plan, events = warm_cooler
    scenario = Scenario(plan, tuple(events))
    with_forecast = _verdicts(scenario)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lot_forecast, "KINDS", ())
        assert _verdicts(scenario) == with_forecast
        assert not any(f[1] == "heading-out" for f in _found(plan, events))
