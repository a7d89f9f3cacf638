"""The incremental engine agrees with a plain computation over the whole history (`judging.md` section 8)."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings

from tests.plain.judge import judge
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


@pytest.mark.full
@pytest.mark.parametrize("first", range(150, 2150, 100))
def test_engine_agrees_with_plain_judge_on_many_seeded_scenarios(first: int) -> None:
    """Two thousand more of them."""
    for seed in range(first, first + 100):
        _agree(seeded(seed))


def test_generated_scenarios_reach_every_verdict_of_every_kind(capsys: pytest.CaptureFixture[str]) -> None:
    """An agreement on histories that are all met, or all deviated, would prove little."""
    counts: Counter[tuple[str, str]] = Counter()
    for seed in range(400):
        scenario = seeded(seed)
        for lot in judge(scenario.plan, scenario.events, scenario.at)["lots"]:
            counts.update((limit["kind"], watch["verdict"]) for limit in lot["limits"] for watch in limit["watches"])
    with capsys.disabled():
        for kind in sorted({kind for kind, _ in counts}):
            print(f"\n  {kind:9}", {v: counts[kind, v] for v in ("met", "deviated", "unproven", "open")}, end="")
    for kind in ("ceiling", "floor", "exposure", "dwell", "come-up", "lethality", "cooling"):
        for verdict in ("met", "deviated", "unproven", "open"):
            assert counts[kind, verdict] >= 3, f"{kind} was {verdict} only {counts[kind, verdict]} times"
