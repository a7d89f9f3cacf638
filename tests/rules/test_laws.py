"""Laws that hold for every history (`judging.md` section 8), on drawn ones."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rules.engine import Engine
from rules.history import arrange
from rules.limits.spec import Ceiling, ComeUp, Cooling, Dwell, Exposure, Floor, HoldLethality, IntegratedLethality, Row, Rule, Tier, Window
from rules.plan import Limit, Plan, Probe, Product, Site, Step
from rules.quantity import fahrenheit, to_fahrenheit
from rules.reading import MINUTE, SECOND, Event, Fault, LotEvent, Reading, Tick
from tests.plain.scenarios import Scenario, scenarios, seeded
from tests.plain.telling import engine_report, tell, verdicts

RANK = {"deviated": 0, "unproven": 1, "open": 2, "met": 3}
drawn = settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
SEEDS = range(5000, 5030)


def _same(scenario: Scenario, events: Sequence[Event]) -> None:
    before = verdicts(engine_report(scenario.plan, scenario.events, scenario.at))
    after = verdicts(engine_report(scenario.plan, events, scenario.at))
    assert after == before, tell(scenario)


def _on_many(check: Callable[[Scenario], None]) -> None:
    for seed in SEEDS:
        check(seeded(seed))


def _through_fahrenheit(scenario: Scenario) -> None:
    def again(e: Event) -> Event:
        return e._replace(celsius=fahrenheit(to_fahrenheit(e.celsius))) if isinstance(e, Reading) else e

    def rounded(e: Event) -> Event:
        return e._replace(celsius=round(e.celsius, 4)) if isinstance(e, Reading) and not e.offset_c else e

    _same(scenario, [again(e) for e in scenario.events])
    _same(scenario, [rounded(e) for e in scenario.events])


@drawn
@given(scenarios())
def test_celsius_and_fahrenheit_inputs_agree(scenario: Scenario) -> None:
    """A value sent in °F, or in °C to four decimals, is judged alike."""
    _through_fahrenheit(scenario)


def test_celsius_and_fahrenheit_inputs_agree_on_seeded_scenarios() -> None:
    """The same by seed."""
    _on_many(_through_fahrenheit)


def _in_any_order(scenario: Scenario) -> None:
    snapped = [e._replace(at=e.at - e.at % MINUTE) if isinstance(e, Reading | Fault) else e for e in scenario.events]
    scenario = scenario._replace(events=tuple(sorted(snapped, key=lambda e: e.at)))
    _same(scenario, _reversed(scenario))


def _reversed(scenario: Scenario) -> list[Event]:
    """Readings of one instant the other way round, lot events in their order."""
    acts = [e for e in scenario.events if isinstance(e, LotEvent)]
    rest = [e for e in scenario.events if not isinstance(e, LotEvent)]
    return sorted([*acts, *rest[::-1]], key=lambda e: e.at)


@drawn
@given(scenarios())
def test_order_of_readings_within_one_instant_does_not_matter(scenario: Scenario) -> None:
    """Readings are moved to whole minutes, so that many share an instant."""
    _in_any_order(scenario)


def test_order_of_readings_within_one_instant_does_not_matter_on_seeded_scenarios() -> None:
    """The same by seed."""
    _on_many(_in_any_order)


def _twice(scenario: Scenario) -> None:
    _same(scenario, [e for e in scenario.events for _ in range(2 if isinstance(e, Reading | Fault) else 1)])


@drawn
@given(scenarios())
def test_duplicates_change_nothing(scenario: Scenario) -> None:
    """Every reading and fault twice."""
    _twice(scenario)


def test_duplicates_change_nothing_on_seeded_scenarios() -> None:
    """The same by seed."""
    _on_many(_twice)


def _restored(scenario: Scenario) -> None:
    rows = [e for e in scenario.events if scenario.at is None or e.at <= scenario.at]
    end = Tick(scenario.at if scenario.at is not None else rows[-1].at)
    straight, broken = Engine(scenario.plan), Engine(scenario.plan)
    for event in [*arrange(rows), end]:
        broken = Engine.restore(scenario.plan, json.loads(json.dumps(broken.snapshot())))
        assert broken.feed(event) == straight.feed(event), tell(scenario)
    assert json.dumps(broken.report()) == json.dumps(straight.report()), tell(scenario)


@settings(drawn, max_examples=6)
@given(scenarios())
def test_snapshot_and_restore_between_any_two_events_change_nothing(scenario: Scenario) -> None:
    """The same findings and the same report to the letter."""
    _restored(scenario)


def test_snapshot_and_restore_between_any_two_events_change_nothing_on_seeded_scenarios() -> None:
    """The same by seed."""
    for seed in SEEDS[:10]:
        _restored(seeded(seed))


def _ticked(scenario: Scenario) -> None:
    rows = arrange([e for e in scenario.events if scenario.at is None or e.at <= scenario.at])
    end = scenario.at if scenario.at is not None else max(e.at for e in rows)
    plain, ticked = Engine(scenario.plan), Engine(scenario.plan)
    for event, after in zip(rows, [*rows[1:], Tick(end)], strict=True):
        plain.feed(event)
        ticked.feed(event)
        for at in range(event.at + 37 * SECOND, after.at, 97 * SECOND):
            ticked.feed(Tick(at))
    plain.feed(Tick(end))
    ticked.feed(Tick(end))
    assert json.dumps(ticked.report()) == json.dumps(plain.report()), tell(scenario)


def test_ticks_change_no_verdict_on_seeded_scenarios() -> None:
    """Ticks in every silence, and none, give the same report to the letter."""
    _on_many(_ticked)
    _ticked(seeded(149))  # two problems of one instant


@drawn
@given(scenarios())
def test_ticks_change_no_verdict(scenario: Scenario) -> None:
    """The same on drawn scenarios."""
    _ticked(scenario)


# One limit on one probe from start to end: what a change of evidence does to its verdict.

# `allowed` is shorter than the gap here: with a longer one, "a gap with both ends above counts in full" can make an excursion
# met that was unproven before. Likewise the page lets a gap after a cooling's last mark pass, and one while its clock waits.

GAP = 6 * MINUTE
RULES: dict[str, Rule] = {
    "ceiling": Ceiling(10.0, 5 * MINUTE),
    "strict ceiling": Ceiling(10.0),
    "floor": Floor(10.0, 5 * MINUTE),
    "exposure": Exposure((Tier(10.0, 20 * MINUTE), Tier(12.0, 8 * MINUTE))),
    "dwell": Dwell(15 * MINUTE, max_c=10.0),
    "contiguous dwell": Dwell(15 * MINUTE, max_c=10.0, contiguous=True),
    "warm dwell": Dwell(15 * MINUTE, min_c=10.0),
    "hold": HoldLethality((Row(9.0, 12 * MINUTE), Row(10.0, 5 * MINUTE), Row(12.0, 0))),
    "integrated": IntegratedLethality(10.0, 3 * MINUTE, 5.0, 8.0, 4.0, "invented"),
    "come-up": ComeUp(9.0, 11.0, 20 * MINUTE),
    "cooling": Cooling(14.0, (Window(11.0, within=20 * MINUTE), Window(8.0, within=20 * MINUTE))),
}
readings = st.lists(st.tuples(st.sampled_from([2, 1, 3, 5, 7]), st.integers(60, 150)), min_size=3, max_size=25)


def _history(script: Sequence[tuple[int, int]]) -> list[Reading]:
    found, at = [], 0
    for minutes, tenths in script:
        found.append(Reading("core-1", at, tenths / 10))
        at += minutes * MINUTE
    return found


def _verdict(rule: Rule, rows: Sequence[Event], end: int) -> str:
    limit = Limit("limit", rule, "core", GAP)
    product = Product("p", "p", (Step("step", None, (limit,)),))
    plan = Plan(Site("ferncliff", "Ferncliff Yard Smokehouse"), (product,), (), (Probe("core-1", "core", None, 0.1),))
    acts = [LotEvent(0, "start", "J-1", "p"), LotEvent(0, "place", "J-1", "core-1"), LotEvent(end, "end", "J-1")]
    report = engine_report(plan, [*acts, *rows], None)
    return str(report["lots"][0]["limits"][0]["verdict"])


laws = settings(max_examples=150, deadline=None, derandomize=True)


@laws
@given(st.sampled_from(sorted(RULES)), readings, st.data())
def test_turning_a_stretch_into_faults_never_makes_met(name: str, script: list[tuple[int, int]], data: st.DataObject) -> None:
    """A stretch longer than the gap, from the reading before it to the one after it."""
    rows = _history(script)
    first = data.draw(st.integers(1, len(rows) - 2))
    last = data.draw(st.integers(first, len(rows) - 2))
    if rows[last + 1].at - rows[first - 1].at <= GAP:
        return
    faulty = [Fault(r.probe, r.at, "open circuit") if first <= n <= last else r for n, r in enumerate(rows)]
    end = rows[-1].at + MINUTE
    before, after = _verdict(RULES[name], rows, end), _verdict(RULES[name], faulty, end)
    assert before == "met" or after != "met", f"{name}: {before} became {after} with {first} to {last} of {script}"


@laws
@given(st.sampled_from(["hold", "integrated"]), readings, st.sampled_from([0.1, 0.5, 2.0]))
def test_colder_core_never_improves_lethality(name: str, script: list[tuple[int, int]], colder: float) -> None:
    """The whole history shifted down."""
    _never_improves(name, script, -colder)


@laws
@given(st.sampled_from(["ceiling", "strict ceiling", "exposure", "dwell", "contiguous dwell"]), readings, st.sampled_from([0.1, 0.5, 2.0]))
def test_warmer_never_improves_a_cold_limit(name: str, script: list[tuple[int, int]], warmer: float) -> None:
    """The whole history shifted up."""
    _never_improves(name, script, warmer)


def _never_improves(name: str, script: Sequence[tuple[int, int]], shift: float) -> None:
    rows = _history(script)
    shifted = [r._replace(celsius=round(r.celsius + shift, 3)) for r in rows]
    end = rows[-1].at + MINUTE
    before, after = _verdict(RULES[name], rows, end), _verdict(RULES[name], shifted, end)
    assert RANK[after] <= RANK[before], f"{name}: {before} became {after} by {shift} °C on {script}"
