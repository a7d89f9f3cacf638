"""Degree-hours against the published example and the constant-temperature tables, with the books' limits.

science_degree_hours.csv: CFIA Meat Hygiene Manual of Procedures, chapter 4, and the United States trade practice for fermented sausage,
read in secondary pages; DH10 to DH14 from memory, as the CSV marks them.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from rules.book import load_table
from rules.quantity import fahrenheit, parse_temperature
from rules.reading import HOUR
from rules.science.curve import Curve, highest
from rules.science.degree_hours import Band, band_for, bands, degree_hours, hours_allowed

TABLES = {"CFIA": "canada/degree-hours", "US": "trade-practice/degree-hours"}
PER_C = {"CFIA": 1.0, "US": 1.8}


def rows() -> dict[str, dict[str, str]]:
    """The examples by their id."""
    with (Path(__file__).parent / "science_degree_hours.csv").open(encoding="utf-8") as file:
        return {r["check_id"]: r for r in csv.DictReader(line for line in file if not line.startswith("#"))}


def limits(scheme: str) -> tuple[Band, ...]:
    """The scheme's bands from its book."""
    return bands(r.values for r in load_table(TABLES[scheme]).rows)


def base(scheme: str) -> float:
    """The scheme's base in °C."""
    return parse_temperature(load_table(TABLES[scheme]).rows[0].values["base"])


def segments(text: str) -> Curve:
    """A curve of steps from "10h@75F + 15h@95F"."""
    curve: list[tuple[int, float]] = []
    at = 0
    for hours, value, unit in re.findall(r"(\d+)h@(\d+)([CF])", text):
        celsius = fahrenheit(float(value)) if unit == "F" else float(value)
        curve += [(at, celsius), (at + int(hours) * HOUR, celsius)]
        at += int(hours) * HOUR
    return curve


CONSTANT = [name for name in rows() if int(name[2:]) <= 9]
VARIABLE = [name for name in rows() if int(name[2:]) >= 10]


@pytest.mark.parametrize("name", CONSTANT)
def test_hours_at_a_constant_temperature(name: str) -> None:
    """DH1 published (CFIA: 70.7 h at 25 °C); DH2 to DH9 by division, the printed table cutting off decimals."""
    row = rows()[name]
    scheme = row["scheme"]
    match = re.search(r"(\d+)(C|F)", row["segments_h_at_T"])
    assert match is not None
    chamber = fahrenheit(float(match[1])) if match[2] == "F" else float(match[1])
    band = band_for(limits(scheme), chamber)
    assert band.limit * PER_C[scheme] == pytest.approx(float(row["limit"]))
    printed = float(row["expected"].split()[0])
    found = hours_allowed(band.limit, base(scheme), chamber)
    assert printed - 0.05 <= found < printed + 1.0
    if name == "DH1":
        assert found == pytest.approx(70.7, abs=0.05)


def test_printed_28_hours_at_95_f_is_cut_off() -> None:
    """DH6: the trade table prints 28 h; 1000 over 35 is 28.6 h."""
    chamber = fahrenheit(95.0)
    assert hours_allowed(band_for(limits("US"), chamber).limit, base("US"), chamber) == pytest.approx(28.57, abs=0.01)


@pytest.mark.parametrize("name", VARIABLE)
def test_variable_example_from_memory_is_arithmetically_right(name: str) -> None:
    """DH10 and DH11 from memory (M), DH12 to DH14 partly corroborated (M+): sums and verdicts as recorded."""
    row = rows()[name]
    assert row["evidence"] in {"M", "M+"}
    curve = segments(row["segments_h_at_T"])
    band = band_for(limits(row["scheme"]), highest(curve))
    assert band.limit * PER_C[row["scheme"]] == pytest.approx(float(row["limit"]))
    found = degree_hours(curve, base(row["scheme"]))
    assert found * PER_C[row["scheme"]] == pytest.approx(float(row["expected"]), abs=0.01)
    assert ("pass" in row["result"]) is (found <= band.limit)


@pytest.mark.parametrize(
    ("scheme", "chamber", "limit"),
    [
        ("US", "89.9 °F", 1200), ("US", "90 °F", 1000), ("US", "100 °F", 1000), ("US", "100.1 °F", 900),
        ("CFIA", "32.9 °C", 665), ("CFIA", "33 °C", 555), ("CFIA", "37 °C", 555), ("CFIA", "37.1 °C", 500),
    ],
)  # fmt: skip
def test_limit_follows_the_highest_chamber_temperature(scheme: str, chamber: str, limit: float) -> None:
    """Below 90 °F, 90 to 100 °F, above; below 33 °C, 33 to 37 °C, above."""
    assert band_for(limits(scheme), parse_temperature(chamber)).limit * PER_C[scheme] == pytest.approx(limit)


def test_rows_from_memory_keep_their_mark() -> None:
    """Only the first row of the trade limits was visible in a copy."""
    assert [r.citation.mark for r in load_table(TABLES["US"]).rows] == ["S", "M+", "M+"]
