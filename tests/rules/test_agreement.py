"""The incremental engine agrees with a plain computation over the whole history (`judging.md` section 8)."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings

from tests.plain.contents import KINDS, RARE, VERDICTS, WANTED, conditions, kinds_and_verdicts
from tests.plain.scenarios import Scenario, scenarios, seeded
from tests.plain.telling import differences, fails, shortened, tell


def _agree(scenario: Scenario) -> None:
    found = differences(scenario)
    if found:
        short = shortened(scenario, fails)
        pytest.fail("\n".join([tell(short), *differences(short)]), pytrace=False)


@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(scenarios())
def test_engine_agrees_with_plain_judge_on_drawn_scenarios(scenario: Scenario) -> None:
    """Every lot, limit and watch verdict and every watch's instant, on scenarios that Hypothesis draws and shrinks."""
    _agree(scenario)


@pytest.mark.parametrize("first", range(0, 150, 50))
def test_engine_agrees_with_plain_judge_on_seeded_scenarios(first: int) -> None:
    """The same on scenarios by seed, which vary more than drawn ones."""
    for seed in range(first, first + 50):
        _agree(seeded(seed))


def test_engine_agrees_with_plain_judge_where_a_hand_check_stands_at_a_repeated_entry() -> None:
    """The check at the instant at which the chill is entered again belongs to the old watch too, and condemns both."""
    _agree(seeded(2245))


def test_engine_agrees_with_plain_judge_where_the_probe_was_out_when_the_lot_left_the_cook() -> None:
    """Placed again, and still hot past the time by which cooling had to begin, its watch is deviated then."""
    _agree(seeded(2269))


@pytest.mark.full
@pytest.mark.parametrize("first", range(150, 2150, 100))
def test_engine_agrees_with_plain_judge_on_many_seeded_scenarios(first: int) -> None:
    """Two thousand more of them."""
    for seed in range(first, first + 100):
        _agree(seeded(seed))


def _contents(seeds: range, capsys: pytest.CaptureFixture[str]) -> tuple[Counter[tuple[str, str]], Counter[str]]:
    """What the scenarios of some seeds contain, printed for a person and counted."""
    verdicts: Counter[tuple[str, str]] = Counter()
    found: Counter[str] = Counter()
    for seed in seeds:
        scenario = seeded(seed)
        verdicts.update(kinds_and_verdicts(scenario))
        found.update(conditions(scenario))
    with capsys.disabled():
        for kind in KINDS:
            print(f"\n  {kind:12}", {v: verdicts[kind, v] for v in VERDICTS}, end="")
        print("\n  " + ", ".join(f"{name} {count}" for name, count in found.most_common()), end="")
    return verdicts, found


def test_generated_scenarios_reach_every_verdict_of_every_kind_and_every_condition(capsys: pytest.CaptureFixture[str]) -> None:
    """An agreement on histories that are all met, or that never had a probe out of the meat, would prove little."""
    verdicts, found = _contents(range(400), capsys)
    for kind in KINDS:
        for verdict in VERDICTS:
            assert verdicts[kind, verdict] >= 3, f"{kind} was {verdict} only {verdicts[kind, verdict]} times"
    assert [name for name in WANTED if not found[name]] == []


@pytest.mark.full
def test_two_thousand_scenarios_hold_what_they_are_asked_for_often(capsys: pytest.CaptureFixture[str]) -> None:
    """The seeds on which the judges are held against each other: every kind often with each verdict, every condition more than once."""
    verdicts, found = _contents(range(150, 2150), capsys)
    for kind in KINDS:
        for verdict in VERDICTS:
            assert verdicts[kind, verdict] >= 20, f"{kind} was {verdict} only {verdicts[kind, verdict]} times"
    assert [name for name in (*WANTED, *RARE) if found[name] < 3] == []
