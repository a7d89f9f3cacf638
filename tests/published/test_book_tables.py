"""Every published row is in its book with the same number and unit, and the tables are as straight as they should be.

The figures stand beside this file as CSV, each with its document, section and year in its first line.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from rules.book import load_table
from rules.limits.spec import Cooling, HoldLethality
from rules.quantity import fahrenheit, parse_span
from rules.reading import HOUR, SECOND

HERE = Path(__file__).parent


def rows_of(name: str) -> list[dict[str, str]]:
    """The rows of one CSV of figures, without its citation."""
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


MEAT = rows_of("fsis_gd_2021_14_meat.csv")
FOOD_CODE = rows_of("food_code_3_401_11.csv")
COOLING = rows_of("cooling.csv")


def hold(ref: str, fat: float | None = None) -> HoldLethality:
    """The hold rows of a table."""
    rule = load_table(ref).rule(fat)
    assert isinstance(rule, HoldLethality)
    return rule


@pytest.mark.parametrize("log", ["5", "6.5", "7"])
def test_meat_rows_are_those_published(log: str) -> None:
    """FSIS-GD-2021-14 (2021), table 2 p. 35 and table 6 p. 59: 31 rows, as printed, in °F."""
    table = load_table(f"us-inspected-2021/meat-{log}-log")
    key = log.replace(".", "_")
    assert [(r.values["at"], r.values["for"]) for r in table.rows] == [(f"{m['temp_f']} °F", m[f"printed_{key}"]) for m in MEAT]
    assert [r.length for r in hold(table.ref).rows] == [int(m[f"s_{key}"]) * SECOND for m in MEAT]
    assert {r.citation.mark for r in table.rows} == {"O"}


@pytest.mark.parametrize("species", ["chicken", "turkey"])
@pytest.mark.parametrize("fat", range(1, 13))
def test_poultry_rows_are_those_published(species: str, fat: int) -> None:
    """FSIS-GD-2021-14 (2021), tables 3 and 4, p. 37-38: 30 rows by 12 columns of fat."""
    figures = rows_of(f"fsis_gd_2021_14_{species}.csv")
    rule = hold(f"us-inspected-2021/{species}-7-log", fat)
    assert [r.at_c for r in rule.rows] == [fahrenheit(float(f["temp_f"])) for f in figures]
    assert [r.length / SECOND for r in rule.rows] == pytest.approx([float(f[f"fat_{fat}"]) for f in figures])


@pytest.mark.parametrize("name", sorted({r["table"] for r in FOOD_CODE}))
def test_retail_rows_are_those_published(name: str) -> None:
    """FDA Food Code 2022, 3-401.11."""
    figures = [(fahrenheit(float(r["temp_f"])), float(r["seconds"])) for r in FOOD_CODE if r["table"] == name]
    assert [(r.at_c, r.length / SECOND) for r in hold(f"us-retail-2022/{name}").rows] == figures
    assert {r.citation.mark for r in load_table(f"us-retail-2022/{name}").rows} == {"S"}


@pytest.mark.parametrize("ref", sorted({r["table"] for r in COOLING}))
def test_cooling_stages_are_those_published(ref: str) -> None:
    """FSIS-GD-2021-13 (2021) options 1-4 and FDA Food Code 3-501.14(A), with the mark of every stage."""
    stages = [r for r in COOLING if r["table"] == ref]
    table = load_table(ref)
    rule = table.rule()
    assert isinstance(rule, Cooling)
    assert rule.start_c == fahrenheit(float(stages[0]["from_f"]))
    assert [w.to_c for w in rule.windows] == [fahrenheit(float(s["to_f"])) for s in stages]
    assert [r.citation.mark for r in table.rows] == [s["mark"] for s in stages]
    since_start = 0.0
    for window, stage in zip(rule.windows, stages, strict=True):
        since_start += float(stage["hours"])
        if window.within is None:
            assert window.by == since_start * HOUR
        else:
            assert window.within == float(stage["hours"]) * HOUR


def test_trichinae_heat_rows_are_those_published() -> None:
    """Former 9 CFR 318.10(c)(1); "instant" is judged as 0 s."""
    figures = rows_of("cfr_318_10_heat.csv")
    rows = hold("us-inspected-2021/trichinae").rows
    assert [r.at_c for r in rows] == [fahrenheit(float(f["temp_f"])) for f in figures]
    assert [r.length for r in rows] == [0 if f["printed"] == "instant" else parse_span(f["printed"]) for f in figures]


def test_come_up_is_that_published() -> None:
    """FSIS-GD-2021-14 (2021) p. 24: 6 hours or less between 50 and 130 °F."""
    (row,) = load_table("us-inspected-2021/come-up").rows
    assert row.values == {"low": "50 °F", "high": "130 °F", "within": "6 h"}
    assert row.citation.mark == "O"


def _fit(points: list[tuple[float, float]]) -> tuple[float, float, float]:
    """Slope, intercept and largest residual of log10(seconds) against °F, by least squares."""
    xs, ys = [x for x, _ in points], [math.log10(y) for _, y in points]
    mx, my = sum(xs) / len(xs), sum(ys) / len(ys)
    slope = sum((x - mx) * (y - my) for x, y in zip(xs, ys, strict=True)) / sum((x - mx) ** 2 for x in xs)
    intercept = my - slope * mx
    return slope, intercept, max(abs(10 ** (y - slope * x - intercept) - 1) for x, y in zip(xs, ys, strict=True))


@pytest.mark.parametrize(("log", "z", "worst"), [("6.5", 10.01, 0.11), ("7", 10.02, 0.055), ("5", 10.02, 0.14)])
def test_meat_columns_are_straight_lines(log: str, z: float, worst: float) -> None:
    """A typing mistake would stick out: each column of FSIS-GD-2021-14 (2021) has one z, up to its rounding to whole minutes."""
    points = [(float(m["temp_f"]), r.length / SECOND) for m, r in zip(MEAT, hold(f"us-inspected-2021/meat-{log}-log").rows, strict=True)]
    slope, _, residual = _fit([p for p in points if p[1] > 0])
    assert -1 / slope == pytest.approx(z, abs=0.03)
    assert residual < worst


def test_log_columns_stand_in_their_ratio() -> None:
    """7/6.5 and 5/6.5 of the time, 146-157 °F, where the table prints seconds."""
    for m in MEAT:
        if 146 <= int(m["temp_f"]) <= 157:
            assert int(m["s_7"]) / int(m["s_6_5"]) == pytest.approx(7 / 6.5, abs=0.06)
            assert int(m["s_5"]) / int(m["s_6_5"]) == pytest.approx(5 / 6.5, abs=0.06)


def test_book_s_d_and_z_are_those_that_the_column_implies() -> None:
    """Computed from FSIS-GD-2021-14 (2021) table 2: D 1.846 min at 140 °F, z 10.0 °F; marked as computed."""
    integral = load_table("us-inspected-2021/meat-6.5-log").integral
    assert integral is not None
    assert integral.citation.mark == "C"
    assert parse_span(integral.values["d_value"]) / SECOND == pytest.approx(720 / 6.5, abs=0.05)


def test_retail_roast_rows_equal_the_inspected_ones() -> None:
    """FDA Food Code 3-401.11(B)(2) against FSIS-GD-2021-14 table 2, 6.5-log."""
    inspected = {r.at_c: r.length for r in hold("us-inspected-2021/meat-6.5-log").rows}
    assert all(inspected[r.at_c] == r.length for r in hold("us-retail-2022/retail-roast").rows)


def test_poultry_at_160_lies_within_the_published_range() -> None:
    """P6, FSIS-GD-2021-14 (2021) p. 39: at 160 °F, all fats and both species, 13.7 s to 26.9 s."""
    times = [
        next(r.length for r in hold(f"us-inspected-2021/{s}-7-log", f).rows if abs(r.at_c - fahrenheit(160)) < 1e-9) / SECOND
        for s in ("chicken", "turkey")
        for f in range(1, 13)
    ]
    assert (min(times), max(times)) == (13.7, 26.9)
