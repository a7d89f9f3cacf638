"""Ingoing nitrite, brine and the limits of 9 CFR 424.21(c) and 424.22(b), against science_cure.csv.

The calculations handbook of 1995 (FSIS) has worked answers of its own, which were not readable; its examples here come from secondary
pages that follow it, or are computed by us, as the CSV says row by row.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from rules.book import load_book, load_table
from rules.engine import Engine
from rules.history import arrange
from rules.limits.spec import Composition
from rules.plan_load import load_plan
from rules.reading import HOUR, SECOND, LotEvent
from rules.science.cure import (
    as_potassium_nitrite,
    as_sodium_nitrite,
    brine_pct,
    comminuted_ppm,
    curing_salt_ppm,
    dry_cure_ppm,
    ounces_per_hundred_pounds,
    pumped_ppm,
    salt_for_brine,
)

#: What each row of the CSV computes.
COMPUTED = {
    "CB1": [ounces_per_hundred_pounds(0.25)],
    "CB2": [curing_salt_ppm(4.0, 0.0625, 100 * 16.0)],
    "CB3": [curing_salt_ppm(2.5, 0.0625, 1000.0)],
    "CB4": [pumped_ppm(50 * 0.0075, 0.20, 462.1875)],
    "CB5": [dry_cure_ppm(5.0, 0.0040, 100.0)],
    "CB6": [pumped_ppm(1.8816, 0.10, 1266.0)],
    "CB7": [as_potassium_nitrite(120.0)],
    "CB8": [as_potassium_nitrite(ppm) for ppm in (100.0, 200.0, 40.0, 80.0)],
    "CB9": [ounces_per_hundred_pounds(7 / 8)],
    "CB10": [brine_pct(2.0, 62.0)],
    "CB11": [brine_pct(2.5, 60.0)],
    "CB12": [salt_for_brine(3.5, 60.0)],
    "CB13": [salt_for_brine(6.0, 55.0)],
}


def rows() -> list[dict[str, str]]:
    """The examples."""
    with (Path(__file__).parent / "science_cure.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_every_example_is_computed() -> None:
    """CB1 to CB13."""
    assert [r["check_id"] for r in rows()] == list(COMPUTED)


@pytest.mark.parametrize("row", rows(), ids=lambda r: r["check_id"])
def test_example_comes_to_its_published_and_its_recorded_figure(row: dict[str, str]) -> None:
    """Printed figures are whole or cut off: within 1 of them; the recorded ones to their own last digit."""
    found = COMPUTED[row["check_id"]]
    printed, recorded = ([float(x) for x in row[k].split(" / ")] for k in ("expected", "computed"))
    digits = [len(x.partition(".")[2]) for x in row["computed"].split(" / ")]
    assert found == pytest.approx(printed, abs=0.75)
    for value, want, places in zip(found, recorded, digits, strict=True):
        assert abs(value - want) <= 0.5001 * 10.0**-places


def test_printed_246_ppm_of_potassium_nitrite_is_cut_off() -> None:
    """9 CFR 424.22(b)(3) prints 246 ppm for 200 ppm of sodium nitrite; the molar masses give 246.7: cut off, not rounded."""
    assert as_potassium_nitrite(200.0) == pytest.approx(246.69, abs=0.01)
    assert as_sodium_nitrite(as_potassium_nitrite(200.0)) == pytest.approx(200.0)


def limit(name: str) -> tuple[float | None, float | None]:
    """The bounds of a book's composition table."""
    rule = load_table(f"us-inspected-2021/cure-{name}").rule()
    assert isinstance(rule, Composition)
    return rule.least, rule.most


@pytest.mark.parametrize(
    ("name", "ounces"),
    [
        ("nitrite-comminuted", 1 / 4),
        ("nitrite-dry", 1),
        ("nitrate-comminuted", 2.75),
        ("nitrate-dry", 3.5),
        ("erythorbate-comminuted", 7 / 8),
        ("erythorbic-acid-comminuted", 3 / 4),
        ("glucono-delta-lactone", 8),
        ("glucono-delta-lactone-genoa", 16),
        ("fumaric-acid", 1),
    ],
)
def test_limit_in_ppm_is_the_regulation_s_ounces(name: str, ounces: float) -> None:
    """9 CFR 424.21(c): ounces to 100 lb, 1600 oz."""
    assert limit(name) == (None, pytest.approx(ounces_per_hundred_pounds(ounces)))
    assert load_table(f"us-inspected-2021/cure-{name}").rows[0].citation.mark == "O"


def test_fumaric_acid_is_printed_twice_and_the_smaller_is_used() -> None:
    """9 CFR 424.21(c) as printed: 0.065 % (650 ppm) or 1 oz to 100 lb (625 ppm) do not agree."""
    assert limit("fumaric-acid") == (None, 625.0)
    assert "650 ppm" in load_table("us-inspected-2021/cure-fumaric-acid").note


def test_erythorbate_547_is_the_regulation_s_seven_eighths_of_an_ounce() -> None:
    """547 ppm as trials print it is 546.875: met when weighed to the ounce, not met when 547 ppm is taken to the letter."""
    _, most = limit("erythorbate-comminuted")
    assert most is not None
    assert ounces_per_hundred_pounds(7 / 8) <= most < 547.0


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [
        ("nitrite-bacon-pumped", 120.0, 120.0),
        ("nitrite-bacon-pumped-a", 100.0, 100.0),
        ("nitrite-bacon-pumped-b", 40.0, 80.0),
        ("nitrite-bacon-immersion", None, 120.0),
        ("nitrite-bacon-dry", None, 200.0),
        ("nitrite-finished", None, 200.0),
        ("nitrite-keep-refrigerated", 120.0, None),
        ("nitrite-shelf-stable", 40.0, None),
    ],
)
def test_bounds_are_those_printed(name: str, least: float | None, most: float | None) -> None:
    """9 CFR 424.21(c), 424.22(b); the handbook's two figures are least values."""
    assert limit(name) == (least, most)


def judged(name: str, value: float) -> str:
    """The verdict on one value of the table's measure, by the engine, at the lot's end."""
    table = load_table(f"us-inspected-2021/cure-{name}")
    text = f"""
[[product]]
code = "links"
cured = true
[[product.step]]
name = "mix"
[[product.step.limit]]
name = "cure"
kind = "composition"
book = "{table.ref}"
"""
    engine = Engine(load_plan(text))
    at = 1_767_225_600 * SECOND
    events = [LotEvent(at, "start", "L", "links"), LotEvent(at, "measure", "L", table.rows[0].values["measure"], str(value))]
    for event in arrange([*events, LotEvent(at + HOUR, "end", "L")]):
        engine.feed(event)
    return str(engine.report()["lots"][0]["limits"][0]["verdict"])


@pytest.mark.parametrize(
    ("name", "ppm", "verdict"),
    [
        ("nitrite-comminuted", 156.25, "met"),
        ("nitrite-comminuted", 156.26, "deviated"),
        ("nitrite-bacon-pumped", 120.0, "met"),
        ("nitrite-bacon-pumped", 119.0, "deviated"),
        ("nitrite-bacon-pumped", 121.0, "deviated"),
        ("nitrite-bacon-pumped-b", 40.0, "met"),
        ("nitrite-bacon-pumped-b", 81.0, "deviated"),
        ("nitrite-keep-refrigerated", 119.9, "deviated"),
        ("nitrite-keep-refrigerated", 500.0, "met"),
    ],
)
def test_limit_includes_its_ends(name: str, ppm: float, verdict: str) -> None:
    """9 CFR 424.21(c), 424.22(b)(1); the handbook's 120 ppm is a least value. Judged by the engine on the value entered."""
    assert judged(name, ppm) == verdict


def test_limits_not_read_in_the_regulation_keep_their_mark() -> None:
    """The pickle's nominal ppm, the handbook's two figures and Canada's were read in secondary pages."""
    tables = [t for book in ("us-inspected-2021", "canada") for t in load_book(book).tables.values() if t.kind == "composition"]
    assert {t.name for t in tables if t.rows[0].citation.mark != "O"} == {
        "cure-nitrite-pickle", "cure-nitrite-keep-refrigerated", "cure-nitrite-shelf-stable", "cure-nitrite", "cure-nitrite-side-bacon",
    }  # fmt: skip


def test_ppm_is_of_the_green_weight() -> None:
    """A block of 100 lb that has dried to 85 lb was cured at 156.25 ppm, not 183.8."""
    assert comminuted_ppm(0.25 / 16, 100.0) == pytest.approx(156.25)
