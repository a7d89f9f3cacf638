"""Worked examples that only the engine or the plan check can answer: the come-up clock, probe error, humidity, degree-hours.

Ids as in science_worked_examples.csv and science_degree_hours.csv, where each has its source and how it was read. P: published in
FSIS-GD-2021-14 (14 December 2021). V: derived by us. DH: trade limits and the agency manual of Canada, copies and memory.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from rules.engine import Engine
from rules.history import arrange
from rules.plan_check import check_plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, MINUTE, SECOND, Event, Instant, LotEvent, Reading

START: Instant = 1_767_225_600 * SECOND  # 2026-01-01T00:00:00Z
SITE = """
[site]
id = "x"
unit = "F"
books = ["us-inspected-2021", "trade-practice", "canada"]
[[room]]
id = "house-1"
kind = "chamber"
[[probe]]
id = "core-1"
place = "core"
uncertainty = "0 °F"
[[probe]]
id = "house-air"
place = "chamber"
room = "house-1"
uncertainty = "0 °F"
[[probe]]
id = "house-rh"
place = "humidity"
room = "house-1"
[[product]]
code = "links"
"""


def limits_of(text: str, events: Sequence[Event]) -> dict[str, dict[str, Any]]:
    """Every limit of the one lot by its name."""
    engine = Engine(load_plan(SITE + text))
    for event in arrange(list(events)):
        engine.feed(event)
    return {one["limit"]: one for one in engine.report()["lots"][0]["limits"]}


def at_f(probe: str, first: Instant, last: Instant, f: float, every: Instant = 5 * MINUTE) -> list[Event]:
    """Readings of one temperature in °F, both ends included."""
    return [Reading(probe, START + at, fahrenheit(f)) for at in range(first, last + 1, every)]


def lot(*events: LotEvent, end: Instant, start: str = "start") -> list[Event]:
    """A lot with its probe from the beginning to the end."""
    return [LotEvent(START, start, "L", "links"), LotEvent(START, "place", "L", "core-1"), *events, LotEvent(START + end, "end", "L")]


TWICE = """
[[product.step]]
name = "cook"
{repeats}room = "house-1"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
book = "us-inspected-2021/meat-6.5-log"
max_gap = "6 min"
[[product.step.limit]]
name = "come-up"
kind = "come-up"
book = "us-inspected-2021/come-up"
[[product.step]]
name = "rest"
[[product.step.limit]]
name = "rest cold"
kind = "ceiling"
class = "operating"
place = "core"
max = "212 °F"
"""


def cooked_twice(first_cook_f: float) -> list[Event]:
    """4 h at 100 °F and 30 min at a temperature, an hour's rest at 45 °F, then 4 h at 100 °F and 30 min at 150 °F."""
    series = [Reading("core-1", START, fahrenheit(45))]
    series += at_f("core-1", 5 * MINUTE, 4 * HOUR, 100) + at_f("core-1", 4 * HOUR + 5 * MINUTE, 4 * HOUR + 30 * MINUTE, first_cook_f)
    series += at_f("core-1", 4 * HOUR + 35 * MINUTE, 5 * HOUR + 30 * MINUTE, 45)
    series += at_f("core-1", 5 * HOUR + 35 * MINUTE, 9 * HOUR + 30 * MINUTE, 100) + at_f("core-1", 9 * HOUR + 35 * MINUTE, 10 * HOUR, 150)
    moves = [
        LotEvent(START + 4 * HOUR + 32 * MINUTE, "step", "L", "rest"),
        LotEvent(START + 5 * HOUR + 30 * MINUTE, "step", "L", "cook"),
    ]
    return [*lot(*moves, end=10 * HOUR), *series]


def test_second_cook_after_a_lethal_row_has_a_new_allowance() -> None:
    """P4, FSIS-GD-2021-14 (2021) p. 25: brisket that reached a lethal row and is cooked again for its colour has its 6 h anew."""
    found = limits_of(TWICE.format(repeats="repeats = true\n"), cooked_twice(150))
    assert (found["lethality"]["verdict"], found["come-up"]["verdict"]) == ("met", "met")


def test_second_cook_without_a_lethal_row_before_it_goes_on_with_the_same_clock() -> None:
    """P5, FSIS-GD-2021-14 (2021) p. 25: 4 h and 4 h make 8 h where the first cook reached no lethal row."""
    found = limits_of(TWICE.format(repeats=""), cooked_twice(120))
    assert found["come-up"]["verdict"] == "deviated"


PROBE_ERROR = """
[[product.step]]
name = "cook"
room = "house-1"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
rows = [{ at = "165 °F", for = "0 s" }]
source = "FSIS-GD-2021-14 p. 20"
"""


@pytest.mark.parametrize(("reads_f", "verdict"), [(166.0, "met"), (165.9, "deviated")])
def test_probe_of_one_degree_must_read_166_for_165(reads_f: float, verdict: str) -> None:
    """P2, FSIS-GD-2021-14 (2021) p. 20: what the probe may be off is added to the limit."""
    text = SITE.replace('uncertainty = "0 °F"', 'uncertainty = "1 °F"', 1) + PROBE_ERROR
    engine = Engine(load_plan(text))
    series = at_f("core-1", 0, 60 * SECOND, reads_f, 30 * SECOND) + at_f("core-1", 90 * SECOND, 120 * SECOND, 100, 30 * SECOND)
    for event in arrange([*lot(end=2 * MINUTE), *series]):
        engine.feed(event)
    assert engine.report()["lots"][0]["limits"][0]["verdict"] == verdict


def humid(option: int) -> str:
    """A cook with one humidity option of the book."""
    return f"""
[[product.step]]
name = "cook"
room = "house-1"
[[product.step.limit]]
name = "humidity"
kind = "humidity"
book = "us-inspected-2021/humidity-option-{option}"
"""


@pytest.mark.parametrize(
    ("option", "cook", "minutes", "verdict"),
    [
        (3, 200, 50, "deviated"),
        (3, 200, 60, "met"),
        (3, 300, 60, "deviated"),
        (3, 300, 75, "met"),
        (4, 40, 40, "met"),
        (4, 40, 35, "deviated"),
    ],
)
def test_humid_part_of_a_cook_is_judged_by_its_option(option: int, cook: int, minutes: int, verdict: str) -> None:
    """V8, rule of FSIS-GD-2021-14 (2021) p. 26: 90 % for a quarter or 1 h, whichever is longer; option 4 for all of it."""
    series: list[Event] = [Reading("house-rh", START + m * MINUTE, 92.0 if m <= minutes else 60.0) for m in range(0, cook + 1, 5)]
    found = limits_of(humid(option), [*lot(end=cook * MINUTE), *series])
    assert found["humidity"]["verdict"] == verdict


@pytest.mark.parametrize("option", [1, 2])
@pytest.mark.parametrize(
    ("cook", "minutes", "verdict"), [(200, "100", "met"), (200, "99", "deviated"), (90, "60", "met"), (90, "59", "deviated")]
)
def test_steam_and_the_sealed_oven_are_judged_on_the_minutes_entered(option: int, cook: int, minutes: str, verdict: str) -> None:
    """FSIS-GD-2021-14 (2021) p. 26: half of the cook or 1 h, whichever is longer; the document has no figure of humidity for these."""
    entry = LotEvent(START + cook * MINUTE, "measure", "L", "humid_min", minutes)
    found = limits_of(humid(option), lot(entry, end=cook * MINUTE))
    assert found["humidity"]["verdict"] == verdict
    assert limits_of(humid(option), lot(end=cook * MINUTE))["humidity"]["verdict"] == "unproven", "nothing entered"


COOK_140 = """
[[product.step.limit]]
name = "lethality"
kind = "lethality"
rows = [{ at = "AT", for = "12 min" }]
source = "FSIS-GD-2021-14 p. 35"
"""


@pytest.mark.parametrize(("option", "at", "fits"), [(2, "140 °F", False), (1, "140 °F", False), (3, "140 °F", True), (2, "145 °F", True)])
def test_sealed_oven_is_no_option_for_a_row_below_145(option: int, at: str, fits: bool) -> None:
    """V9, rule of FSIS-GD-2021-14 (2021) p. 26, 35: options 1 and 2 need a row of 145 °F or more. Said by the plan check."""
    said = [r.sentence for r in check_plan(load_plan(SITE + humid(option) + COOK_140.replace("AT", at))) if r.severity == "error"]
    assert any("145 °F" in sentence for sentence in said) is not fits


def degree_hour_rows() -> list[dict[str, str]]:
    """The examples of degree-hours."""
    with (Path(__file__).parent / "science_degree_hours.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize("row", [r for r in degree_hour_rows() if int(r["check_id"][2:]) >= 10], ids=lambda r: r["check_id"])
def test_fermentation_of_several_temperatures_is_judged_as_the_example_says(row: dict[str, str]) -> None:
    """DH10 to DH14 (M and M+): the chamber held so long at each, the pH entered at the end."""
    assert row["evidence"] in {"M", "M+"}
    table = {"US": "trade-practice/degree-hours", "CFIA": "canada/degree-hours"}[row["scheme"]]
    text = f"""
[[product.step]]
name = "ferment"
room = "house-1"
[[product.step.limit]]
name = "degree-hours"
kind = "degree-hours"
place = "chamber"
book = "{table}"
"""
    series: list[Event] = []
    at = 0
    for hours, value, unit in re.findall(r"(\d+)h@(\d+)([CF])", row["segments_h_at_T"]):
        celsius = fahrenheit(float(value)) if unit == "F" else float(value)
        # An interval counts at its warmer end: the last reading of a stretch lies just before the next one's first.
        marks = [*range(at, at + int(hours) * HOUR, 30 * MINUTE), at + int(hours) * HOUR - SECOND]
        series += [Reading("house-air", START + mark, celsius) for mark in marks]
        at += int(hours) * HOUR
    acid = LotEvent(START + at, "measure", "L", "pH", "5.3")
    found = limits_of(text, [*lot(acid, end=at), *series])
    assert found["degree-hours"]["verdict"] == ("met" if "pass" in row["result"] else "deviated")


@pytest.mark.parametrize(("hours", "verdict"), [(70.7, "met"), (70.8, "deviated")])
def test_published_hours_at_25_degrees_are_judged_so(hours: float, verdict: str) -> None:
    """DH1, published (read in a secondary page): at 25 °C the agency manual of Canada allows 70.7 h (665 / 9.4 = 70.74)."""
    text = """
[[product.step]]
name = "ferment"
room = "house-1"
[[product.step.limit]]
name = "degree-hours"
kind = "degree-hours"
place = "chamber"
book = "canada/degree-hours"
"""
    end = round(hours * HOUR)
    series: list[Event] = [Reading("house-air", START + at, 25.0) for at in (*range(0, end, 30 * MINUTE), end)]
    found = limits_of(text, [*lot(LotEvent(START + end, "measure", "L", "pH", "5.3"), end=end), *series])
    assert found["degree-hours"]["verdict"] == verdict
