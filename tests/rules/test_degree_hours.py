"""Degree-hours against the plain formula, and the laws that hold for every history."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.engine import Engine
from rules.limits.spec import Band, DegreeHours
from rules.plan import Limit, Plan, Probe, Product, Site, Step
from rules.reading import HOUR, MINUTE, SECOND, LotEvent, Reading, Tick
from rules.science.degree_hours import band_for, band_or_none, degree_hours, edges
from rules.science.errors import ScienceError

BASE = 15.0
BANDS = (Band(None, 30.0, 30.0), Band(30.0, 35.0, 24.0), Band(35.0, None, 18.0))
RULE = DegreeHours(BASE, BANDS, 5.3)
RANK = {"deviated": 0, "unproven": 1, "met": 2}
scripts = st.lists(st.tuples(st.sampled_from([20, 5, 30, 61, 90]), st.integers(100, 380)), min_size=2, max_size=14)
laws = settings(max_examples=120, deadline=None, derandomize=True)


def _judge(script: Sequence[tuple[int, int]], shift: float = 0.0, u: float | None = None) -> dict[str, Any]:
    """Readings minutes apart in tenths of °C, and a pH low enough just after the last; the limit's report."""
    limit = Limit("acid", RULE, "chamber", HOUR)
    product = Product("p", "p", (Step("ferment", None, (limit,)),))
    plan = Plan(Site("ferncliff", "Ferncliff Yard Smokehouse"), (product,), (), (Probe("house-a", "chamber", None, u),))
    engine, at = Engine(plan), 0
    engine.feed(LotEvent(0, "start", "J-1", "p"))
    for minutes, tenths in script:
        engine.feed(Reading("house-a", at, tenths / 10 + shift))
        last, at = at, at + minutes * MINUTE
    engine.feed(LotEvent(last + 1, "measure", "J-1", "pH", "5.3"))
    engine.feed(Tick(last + SECOND))
    found: dict[str, Any] = engine.report()["lots"][0]["limits"][0]
    return found


@laws
@given(scripts)
def test_certain_and_possible_sums_are_those_of_the_plain_formula(script: list[tuple[int, int]]) -> None:
    """The running sums against the summed curve, gaps left out of the certain one."""
    curve, at = [], 0
    for minutes, tenths in script:
        curve.append((at, tenths / 10))
        at += minutes * MINUTE
    told = _judge(script)["watches"][0]["evidence"]
    certain = degree_hours(curve, BASE, HOUR)
    assert told["certain_degree_hours"] == pytest.approx(certain, abs=1e-5)
    assert told["certain_degree_hours"] + told["possible_degree_hours"] == pytest.approx(degree_hours(curve, BASE), abs=1e-5)


@laws
@given(scripts, st.sampled_from([0.1, 1.0, 7.5]))
def test_warmer_chamber_never_improves_it(script: list[tuple[int, int]], warmer: float) -> None:
    """The whole history shifted up, into the same row or a stricter one."""
    before, after = _judge(script)["verdict"], _judge(script, warmer)["verdict"]
    assert RANK[after] <= RANK[before], f"{before} became {after}"


@laws
@given(scripts, st.sampled_from([0.3, 2.0]))
def test_uncertainty_counts_as_so_much_warmer(script: list[tuple[int, int]], u: float) -> None:
    """T + U: a probe known to 2 °C is judged as one that read 2 °C more."""
    assert _judge(script, u=u)["verdict"] == _judge(script, shift=u)["verdict"]


@laws
@given(scripts)
def test_met_has_its_sums_within_the_row_and_deviated_above_it(script: list[tuple[int, int]]) -> None:
    """The verdict follows from the sums and the row of the highest reading (rows here fall as the chamber rises)."""
    limit = _judge(script)
    told = limit["watches"][0]["evidence"]
    row = band_for(BANDS, max(tenths / 10 for _, tenths in script)).limit
    certain, total = told["certain_degree_hours"], told["certain_degree_hours"] + told["possible_degree_hours"]
    expected = "deviated" if certain > row + 1e-5 else "unproven" if total > row + 1e-5 else "met"
    assert limit["verdict"] == expected


@given(st.floats(0.0, 60.0))
def test_between_two_edges_one_row_is_in_force(celsius: float) -> None:
    """Another row comes into force only at one of the edges, which is what a watch compares with."""
    below = max((e for e in edges(BANDS) if e <= celsius), default=-40.0)
    assert band_or_none(BANDS, celsius) is band_or_none(BANDS, below)


def test_row_with_both_ends_includes_them() -> None:
    """30 and 35 °C belong to the row between them, to a thousandth."""
    assert [band_for(BANDS, c).limit for c in (29.9994, 29.9996, 30.0, 35.0004, 35.0006)] == [30.0, 24.0, 24.0, 24.0, 18.0]
    with pytest.raises(ScienceError):
        band_for(BANDS[:1], 31.0)


def test_two_probes_placed_at_once_after_the_ph_do_not_prove_the_time_without_any() -> None:
    """Neither covered the hours before: the one placed first is asked as if it were alone, and had nothing measured."""
    limit = Limit("acid", RULE, "core", HOUR)
    product = Product("p", "p", (Step("receive", None, ()), Step("ferment", None, (limit,))))
    probes = (Probe("core-1", "core"), Probe("core-2", "core"))
    engine = Engine(Plan(Site("ferncliff", "Ferncliff Yard Smokehouse"), (product,), (), probes))
    for at, event, name, value in (
        (0, "start", "p", ""),
        (1, "step", "ferment", ""),
        (10, "measure", "pH", "5.3"),
        (11, "place", "core-1", ""),
        (11, "place", "core-2", ""),
        (12, "end", "", ""),
    ):
        engine.feed(LotEvent(at * HOUR, event, "J-1", name, value))
    [found] = engine.report()["lots"][0]["limits"]
    assert found["verdict"] == "unproven"
