"""What would still meet a limit: doing exactly that meets it, and a moment less does not."""

from __future__ import annotations

from datetime import UTC
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.finding import Verdict
from rules.limits.kinds import new_watch
from rules.limits.spec import ComeUp, Cooling, Dwell, Exposure, HoldLethality, IntegratedLethality, Row, Rule, Tier, Window
from rules.limits.watch import Watch
from rules.plan import Limit
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Instant
from rules.remedy import Ask, facts, must_read, words
from rules.transcript import run

START: Instant = 1_772_366_400_000_000
ROWS = tuple(Row(fahrenheit(f), length) for f, length in ((140, 12 * MINUTE), (145, 4 * MINUTE), (150, 72 * SECOND), (158, 0)))
GAP = 2 * MINUTE


def _watch(rule: Rule, u: float = 0.0) -> Watch:
    return new_watch(Limit("limit", rule, "core", GAP), "core-1", u, "F", START)


def _read(watch: Watch, at: Instant, celsius: float) -> None:
    watch.read(at, celsius - watch.u, celsius + watch.u)


def _hold(watch: Watch, ask: Ask, *, less: int = 0) -> None:
    """Do what is asked from a second after the newest reading on: its temperature as the probe must read it, for its time."""
    last = watch.last_at or watch.opened
    at, celsius = last, must_read(ask, "F")
    if ask.at_c != _running(watch):  # a row not yet running starts with its first reading
        at = last + SECOND
        _read(watch, at, celsius)
    end = at + ask.span - less
    if not ask.span:
        _read(watch, at + SECOND, celsius)
    while at < end:
        at = min(at + GAP, end)
        _read(watch, at, celsius)


def _running(watch: Watch) -> float | None:
    """The temperature of the row or side that the newest reading satisfies already."""
    held = getattr(watch, "k", 0)
    if held:
        return watch.remedy().asks[0].at_c  # type: ignore[union-attr]
    if getattr(watch, "prev_good", False):
        return watch.remedy().asks[0].at_c  # type: ignore[union-attr]
    return None


histories = st.lists(st.tuples(st.integers(1, 130), st.integers(1300, 1600)), min_size=1, max_size=12)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(histories, st.sampled_from([0.0, 0.2, 0.3, fahrenheit(32.5)]), st.booleans())
def test_holding_exactly_what_is_asked_meets_the_hold(history: list[tuple[int, int]], u: float, hotter: bool) -> None:
    """Whatever was read before, the row named, read for the time named, meets it; a second less of a row not held yet does not."""
    watch = _watch(HoldLethality(ROWS), u)
    at = START
    for seconds, tenths in history:
        at += seconds * SECOND
        _read(watch, at, fahrenheit(tenths / 10))
    remedy = watch.remedy()
    if watch.final:
        assert remedy is None
        return
    assert remedy is not None
    _hold(watch, remedy.asks[-1 if hotter else 0])
    assert watch.verdict is Verdict.MET


@settings(max_examples=100, deadline=None, derandomize=True)
@given(histories, st.sampled_from([0.0, 0.3]))
def test_a_second_less_than_the_lowest_row_asks_does_not_meet_it(history: list[tuple[int, int]], u: float) -> None:
    """The time is no longer than it has to be, to the second."""
    watch = _watch(HoldLethality(ROWS[:1]), u)
    at = START
    for seconds, tenths in history:
        at += seconds * SECOND
        _read(watch, at, fahrenheit(tenths / 10))
    remedy = watch.remedy()
    if remedy is None or remedy.asks[0].span <= SECOND:
        return
    _hold(watch, remedy.asks[0], less=SECOND)
    assert watch.verdict is Verdict.OPEN


@settings(max_examples=100, deadline=None, derandomize=True)
@given(histories, st.sampled_from([0.0, 0.3]))
def test_the_time_asked_at_the_reference_meets_the_integral(history: list[tuple[int, int]], u: float) -> None:
    """The summed lethality reaches its target."""
    rule = IntegratedLethality(fahrenheit(145), 40 * SECOND, 5.5, fahrenheit(135), 6.5, "invented")
    watch = _watch(rule, u)
    at = START
    for seconds, tenths in history:
        at += seconds * SECOND
        _read(watch, at, fahrenheit(tenths / 10))
    remedy = watch.remedy()
    if remedy is None:
        assert watch.final
        return
    _hold(watch, remedy.asks[0])
    assert watch.verdict is Verdict.MET


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(1, 130), st.integers(330, 430)), min_size=1, max_size=12), st.booleans(), st.sampled_from([0.0, 0.3]))
def test_the_time_missing_meets_the_dwell(history: list[tuple[int, int]], contiguous: bool, u: float) -> None:
    """Also where it starts again after a warm reading."""
    watch = _watch(Dwell(30 * MINUTE, max_c=fahrenheit(38), contiguous=contiguous), u)
    at = START
    for seconds, tenths in history:
        at += seconds * SECOND
        _read(watch, at, fahrenheit(tenths / 10))
    remedy = watch.remedy()
    assert remedy is not None
    _hold(watch, remedy.asks[0])
    assert watch.verdict is Verdict.MET


def _met_by(rule: Rule, history: list[tuple[int, int]], celsius_of: int, late: int) -> tuple[Watch, Any]:
    """A watch after readings `(seconds, °F)`, then one at the instant that its remedy names, `late` after it."""
    watch = _watch(rule)
    at = START
    for seconds, f in history:
        at = START + seconds * SECOND
        _read(watch, at, fahrenheit(f))
    remedy = watch.remedy()
    assert remedy is not None
    by = remedy.asks[0].by
    assert by is not None
    while by + late - at > GAP:
        at += GAP
        _read(watch, at, fahrenheit(history[-1][1]))
    _read(watch, by + late, must_read(remedy.asks[0], "F"))
    return watch, remedy


@pytest.mark.parametrize(("late", "verdict"), [(0, Verdict.OPEN), (SECOND, Verdict.DEVIATED)])
def test_come_up_reached_at_the_instant_named_is_in_time(late: int, verdict: Verdict) -> None:
    """Of the 60 min, 40 s are used; the second of the two readings in a row then makes it met."""
    rule = ComeUp(fahrenheit(50), fahrenheit(130), HOUR)
    watch, remedy = _met_by(rule, [(0, 45), (20, 60), (60, 80)], 130, late)
    assert watch.verdict is verdict
    assert words(facts(remedy, "F"), "F", UTC, START + 60 * SECOND) == "reach 130 °F twice in a row by 13:00 (59 min)"


@pytest.mark.parametrize(("late", "verdict"), [(0, Verdict.OPEN), (SECOND, Verdict.DEVIATED)])
def test_exposure_ended_at_the_instant_named_is_in_time(late: int, verdict: Verdict) -> None:
    """The tier that is running names the instant; before it runs the time left is named."""
    rule = Exposure((Tier(fahrenheit(50), HOUR),))
    watch, remedy = _met_by(rule, [(0, 55), (600, 60)], 50, late)
    assert watch.verdict is verdict
    assert words(facts(remedy, "F"), "F", UTC, START + 600 * SECOND) == "reach 50 °F by 13:00 (50 min)"
    cold = _watch(rule)
    _read(cold, START, fahrenheit(40))
    told = cold.remedy()
    assert told is not None
    assert words(facts(told, "F"), "F", UTC, START) == "no more than 1 h above 50 °F"


def test_hold_is_said_with_the_hottest_row_where_that_is_quicker() -> None:
    """The probe's uncertainty is in what it must read, rounded up to the tenth that it shows."""
    watch = _watch(HoldLethality(ROWS), 0.3)
    _read(watch, START, fahrenheit(146))
    _read(watch, START + 110 * SECOND, fahrenheit(146))
    remedy = watch.remedy()
    assert remedy is not None
    assert words(facts(remedy, "F"), "F", UTC, START) == (
        "hold 145 °F (the probe must read 145.6 °F) or above for another 2 min 10 s, "
        "or reach 158 °F (the probe must read 158.6 °F) twice in a row"
    )


def test_cooling_names_every_mark_and_what_counts_from_a_mark_to_come() -> None:
    """A deadline is an instant of the site's clock; a window that counts from a mark not reached yet is a time after it."""
    watch = _watch(Cooling(fahrenheit(130), (Window(fahrenheit(80), within=90 * MINUTE), Window(fahrenheit(40), within=5 * HOUR))))
    watch.open(START, "")  # type: ignore[attr-defined]
    for minutes, f in ((0, 131), (2, 128), (4, 126), (6, 124)):
        _read(watch, START + minutes * MINUTE, fahrenheit(f))
    remedy = watch.remedy()
    assert remedy is not None
    told = facts(remedy, "F")
    assert words(told, "F", UTC, START + 6 * MINUTE) == "reach 80 °F by 13:30 (1 h 24 min) and 40 °F within 5 h of that"
    assert words(told, "F", UTC, START + 90 * MINUTE + 1) == ""
    assert told["every"][0]["by_at"] == START + 90 * MINUTE


def test_probe_taken_out_short_is_to_be_put_back() -> None:
    """The finding itself says so, in the site's unit."""
    text = """
name = "withdrawn"
limit = { kind = "lethality", rows = [{ at = "145 °F", for = "4 min" }], max_gap = "2 min" }
script = [
  { read = "0:00 145.0, 0:02 145.0" },
  { remove = "0:03 failed" },
]"""
    (failure,) = run(text)
    assert "what would still meet it: put the probe back in and hold 145 °F or above for another 4 min" in failure
