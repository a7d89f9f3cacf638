"""No sequence of comings and goings leaves a cause untold, on a real database file, with a clock that the test passes in."""

from __future__ import annotations

from dataclasses import replace

from monitor.alarms.causes import Cause
from monitor.config import Rung
from rules.reading import MINUTE, Instant


def test_cause_that_comes_and_goes_is_told_although_its_first_rung_has_to_be_waited_for(
    make_bench, critical: Cause, start: Instant
) -> None:
    """The wait is counted from the first of its turns that nobody has acknowledged, not anew from each."""
    bench = make_bench(escalation=(Rung(5 * MINUTE, persons=("Odile Marsh",)),))
    brief = replace(critical, latched=False)
    for minute in range(0, 8, 2):
        at = start + minute * MINUTE
        bench.raise_(replace(brief, since=at), at)
        bench.due(at + MINUTE)
        bench.clear(brief.key, at + MINUTE)
    assert [r["person"] for r in bench.rows("alarm")] == ["Odile Marsh"]


def test_critical_turn_of_a_cause_does_not_wait_because_a_lesser_one_was_told(bench, cooler: Cause, start: Instant) -> None:
    """The quiet time is for what was told as urgently: a low word just before holds up no critical one."""
    bench.raise_(replace(cooler, priority="low"), start)
    bench.deliver()
    bench.clear(cooler.key, start + MINUTE)
    worse = replace(cooler, since=start + 2 * MINUTE, priority="critical", severity=2)
    number = bench.raise_(worse, start + 2 * MINUTE)
    assert f"CRITICAL A{number}:" in bench.bodies("alarm")[-3]
