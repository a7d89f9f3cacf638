"""When a limit allows more than its book."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.book import load_table
from rules.limits.spec import (
    Ceiling,
    ComeUp,
    Cooling,
    Dwell,
    Exposure,
    Floor,
    HoldLethality,
    IntegratedLethality,
    Need,
    Row,
    Rule,
    Tier,
    Window,
)
from rules.reading import HOUR, MINUTE, SECOND, Span
from rules.strictness import laxer

BOOK_COOLING = Cooling(54.4, (Window(26.7, 90 * MINUTE), Window(4.4, 5 * HOUR)))
INTEGRAL = IntegratedLethality(60.0, 111 * SECOND, 5.556, 60.0, 6.5, "A. Nobody")
CURED = Cooling(54.4, BOOK_COOLING.windows, ((Need("nitrite_ppm", 100.0), Need("erythorbate_ppm", 250.0)),), 90 * MINUTE)


@pytest.mark.parametrize(
    ("own", "book"),
    [
        (Ceiling(5.1), Ceiling(5.0)),
        (Ceiling(5.0, MINUTE), Ceiling(5.0)),
        (Floor(56.9), Floor(57.0)),
        (Exposure((Tier(22.0, HOUR),)), Exposure((Tier(21.0, 2 * HOUR),))),
        (Exposure((Tier(21.0, 3 * HOUR),)), Exposure((Tier(21.0, 2 * HOUR),))),
        (Dwell(11 * HOUR, 4.0), Dwell(12 * HOUR, 4.0)),
        (Dwell(12 * HOUR, 5.0), Dwell(12 * HOUR, 4.0)),
        (Dwell(12 * HOUR, 4.0), Dwell(12 * HOUR, 4.0, contiguous=True)),
        (ComeUp(11.0, 54.0, HOUR), ComeUp(10.0, 54.0, HOUR)),
        (ComeUp(10.0, 53.0, HOUR), ComeUp(10.0, 54.0, HOUR)),
        (HoldLethality((Row(62.5, 239 * SECOND),)), HoldLethality((Row(62.0, 240 * SECOND), Row(70.0, 0)))),
        (IntegratedLethality(60.0, 111 * SECOND, 5.556, 54.0, 6.5, "x"), INTEGRAL),
        (IntegratedLethality(60.0, 111 * SECOND, 5.556, 60.0, 5.0, "x"), INTEGRAL),
        (IntegratedLethality(60.0, 60 * SECOND, 5.556, 60.0, 6.5, "x"), INTEGRAL),
        (IntegratedLethality(60.0, 111 * SECOND, 4.0, 60.0, 6.5, "x"), INTEGRAL),
        (Cooling(54.4, (Window(26.7, 90 * MINUTE), Window(4.5, 5 * HOUR))), BOOK_COOLING),
        (Cooling(54.3, BOOK_COOLING.windows), BOOK_COOLING),
        # 24 °C instead of 26.7 °C lets the second window begin later, so 26.7 to 4.4 °C may take longer than 5 h.
        (Cooling(54.4, (Window(24.0, 90 * MINUTE), Window(4.4, 5 * HOUR))), BOOK_COOLING),
        (Cooling(54.4, (Window(4.4, 390 * MINUTE),)), BOOK_COOLING),
        (Cooling(54.4, BOOK_COOLING.windows, begin_within=90 * MINUTE), CURED),
        (Cooling(54.4, BOOK_COOLING.windows, ((Need("nitrite_ppm", 100.0),),), 90 * MINUTE), CURED),
        (Cooling(54.4, BOOK_COOLING.windows, CURED.needs), CURED),
    ],
)
def test_laxer_limit_is_told(own: Rule, book: Rule) -> None:
    """One reason, with what to write."""
    assert "; " in laxer(own, book, "C")


@pytest.mark.parametrize(
    ("own", "book"),
    [
        (Ceiling(5.0, 0, 2.0), Ceiling(5.0)),
        (Floor(58.0), Floor(57.0)),
        (Exposure((Tier(20.0, HOUR), Tier(30.0, MINUTE))), Exposure((Tier(21.0, 2 * HOUR),))),
        (Dwell(13 * HOUR, 3.0, None, True), Dwell(12 * HOUR, 4.0)),
        (ComeUp(9.0, 55.0, HOUR), ComeUp(10.0, 54.0, HOUR)),
        (HoldLethality((Row(63.0, 240 * SECOND), Row(71.0, 0))), HoldLethality((Row(62.0, 240 * SECOND), Row(70.0, 0)))),
        (IntegratedLethality(60.0, 120 * SECOND, 5.556, 61.0, 7.0, "x"), INTEGRAL),
        (Cooling(60.0, (Window(26.7, HOUR), Window(4.0, 4 * HOUR))), BOOK_COOLING),
        (Cooling(54.4, (Window(4.4, 90 * MINUTE),)), BOOK_COOLING),
        (Cooling(54.4, (Window(26.7, 90 * MINUTE), Window(4.4, None, 5 * HOUR))), BOOK_COOLING),
        (Cooling(54.4, BOOK_COOLING.windows, (CURED.needs[0], (Need("nitrite_ppm", 120.0), Need("erythorbate_ppm", 250.0))), HOUR), CURED),
        (Ceiling(50.0), Floor(5.0)),
    ],
)
def test_stricter_or_equal_limit_passes(own: Rule, book: Rule) -> None:
    """No sentence where nothing more is allowed, nor between kinds that cannot be compared."""
    assert laxer(own, book, "C") == ""


@pytest.mark.parametrize("name", ["meat-6.5-log", "turkey-7-log", "come-up", "cooling-option-1", "cooling-option-2", "cooling-option-4"])
def test_a_book_is_never_laxer_than_itself(name: str) -> None:
    """Every table against itself."""
    rule = load_table(f"us-inspected-2021/{name}").rule()
    assert laxer(rule, rule, "F") == ""


_times = st.lists(st.integers(1, 400), min_size=1, max_size=3)


@st.composite
def cooling(draw: st.DrawFn, start: int) -> Cooling:
    """Windows from `start` °C down, some from the mark before and some from the start."""
    marks = sorted(draw(st.sets(st.integers(0, 49), min_size=1, max_size=3)), reverse=True)
    windows = []
    for mark in marks:
        length = draw(st.integers(1, 400)) * MINUTE
        windows.append(Window(float(mark), None, length) if draw(st.booleans()) else Window(float(mark), length))
    return Cooling(float(start), tuple(windows))


@given(cooling(55), cooling(50), st.data())
def test_cooling_that_passes_allows_no_curve_that_the_book_forbids(own: Cooling, book: Cooling, data: st.DataObject) -> None:
    """Any curve that keeps a passing plan's windows keeps the book's windows too."""
    if laxer(own, book, "C"):
        return
    # A curve within the plan's windows: each mark at once or as late as its own and every later window allows.
    curve: list[tuple[float, Span]] = [(own.start_c, 0)]
    for i, window in enumerate(own.windows):
        now = curve[-1][1]
        latest = min([now + window.within if window.within else HOUR * 100, *(w.by for w in own.windows[i:] if w.by)])
        curve.append((window.to_c, latest if data.draw(st.booleans()) else min(now, latest)))
    began: Span = 0
    for asked in book.windows:
        # Between two marks of the plan the curve may fall at their beginning or at their end: the worse for the book.
        passed = next(t for c, t in curve[1:] if c <= asked.to_c)
        if asked.within is None:
            assert passed <= (asked.by or 0)
        else:
            assert passed - began <= asked.within
        began = max(t for c, t in curve if c >= asked.to_c)
