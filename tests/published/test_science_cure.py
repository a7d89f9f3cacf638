"""Ingoing nitrite, brine and the limits of 9 CFR 424.21(c) and 424.22(b), against science_cure.csv.

The calculations handbook of 1995 (FSIS) has worked answers of its own, which were not readable; its examples here come from secondary
pages that follow it, or are computed by us, as the CSV says row by row.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from rules.science.cure import (
    as_potassium_nitrite,
    as_sodium_nitrite,
    brine_pct,
    comminuted_ppm,
    cure_limit,
    cure_limits,
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


@pytest.mark.parametrize(
    ("name", "ounces"),
    [
        ("nitrite-comminuted", 1 / 4),
        ("nitrite-dry-cure", 1),
        ("nitrate-comminuted", 2.75),
        ("nitrate-dry-cure", 3.5),
        ("erythorbate-comminuted", 7 / 8),
        ("erythorbic-acid-comminuted", 3 / 4),
        ("glucono-delta-lactone", 8),
        ("fumaric-acid", 1),
    ],
)
def test_limit_in_ppm_is_the_regulation_s_ounces(name: str, ounces: float) -> None:
    """9 CFR 424.21(c): ounces to 100 lb, 1600 oz."""
    limit = cure_limit(name)
    assert limit.at_most == pytest.approx(ounces_per_hundred_pounds(ounces))
    assert limit.citation.mark == "O"


def test_fumaric_acid_is_printed_twice_and_the_smaller_is_used() -> None:
    """9 CFR 424.21(c) as printed: 0.065 % (650 ppm) or 1 oz to 100 lb (625 ppm) do not agree."""
    limit = cure_limit("fumaric-acid")
    assert limit.at_most == 625.0
    assert "650 ppm" in limit.citation.note


def test_erythorbate_547_is_the_regulation_s_seven_eighths_of_an_ounce() -> None:
    """547 ppm as trials print it is 546.875: met when weighed to the ounce, not met when 547 ppm is taken to the letter."""
    limit = cure_limit("erythorbate-comminuted")
    assert limit.kept(ounces_per_hundred_pounds(7 / 8))
    assert not limit.kept(547.0)


@pytest.mark.parametrize(
    ("name", "ppm", "kept"),
    [
        ("nitrite-comminuted", 156.25, True),
        ("nitrite-comminuted", 156.26, False),
        ("nitrite-bacon-pumped", 120.0, True),
        ("nitrite-bacon-pumped", 119.0, False),
        ("nitrite-bacon-pumped", 121.0, False),
        ("nitrite-bacon-pumped-b", 40.0, True),
        ("nitrite-bacon-pumped-b", 81.0, False),
        ("nitrite-keep-refrigerated", 119.9, False),
        ("nitrite-keep-refrigerated", 500.0, True),
    ],
)
def test_limit_includes_its_ends(name: str, ppm: float, kept: bool) -> None:
    """9 CFR 424.21(c), 424.22(b)(1); the handbook's 120 ppm is a least value."""
    limit = cure_limit(name)
    assert limit.kept(ppm) is kept
    assert ("not met" in limit.sentence(ppm)) is not kept
    assert f"mark {limit.citation.mark}" in limit.sentence(ppm)


def test_limits_not_read_in_the_regulation_keep_their_mark() -> None:
    """The pickle's nominal ppm, the handbook's two figures and Canada's were read in secondary pages."""
    assert {x.name for x in cure_limits() if x.citation.mark != "O"} == {
        "nitrite-pickle", "nitrite-keep-refrigerated", "nitrite-shelf-stable", "nitrite-canada",
    }  # fmt: skip


def test_ppm_is_of_the_green_weight() -> None:
    """A block of 100 lb that has dried to 85 lb was cured at 156.25 ppm, not 183.8."""
    assert comminuted_ppm(0.25 / 16, 100.0) == pytest.approx(156.25)
