"""Recorded readings judged from their files: in any order of rows alike, and a day in order without holding it."""

import random
import tracemalloc
from pathlib import Path

import pytest

from monitor.judge import canonical, judge_files
from probes.errors import CsvError

FOLDERS = sorted(path.parent for path in (Path(__file__).parents[1] / "judge_files").glob("*/events.csv"))
PLAN = """
[site]
id = "ferncliff"
name = "Ferncliff Yard Smokehouse"
timezone = "America/Chicago"
unit = "F"
[[probe]]
id = "core-9"
place = "core"
[[probe]]
id = "core-10"
place = "core"
[[product]]
code = "juniper-links"
name = "Juniper venison-and-pork links"
[[product.step]]
name = "grind"
[[product.step.limit]]
name = "grind cold"
kind = "ceiling"
place = "core"
max = "40 °F"
source = "invented for this test"
"""
EVENTS = "time,event,lot,name,value\n1772456400,start,J-1,juniper-links,\n1772456400,place,J-1,core-9,\n1772456400,place,J-1,core-10,\n"


def day(folder: Path, rows: int, last: str = "") -> tuple[Path, Path, Path]:
    """A plan, so many rows and the lot's events; rows of one instant stand as an export has them, by no order of names."""
    plan, readings, events = folder / "plan.toml", folder / "readings.csv", folder / "events.csv"
    plan.write_text(PLAN, encoding="utf-8")
    events.write_text(EVENTS, encoding="utf-8")
    text = "".join(f"{1772456400 + n // 2},core-{9 + n % 2},{2 + n % 7 / 10}\n" for n in range(rows))
    readings.write_text("time,probe,value\n" + text + last, encoding="utf-8")
    return plan, readings, events


def test_order_of_rows_changes_no_verdict(tmp_path: Path) -> None:
    """The hand-judged histories, their rows as they stand, sorted, and shuffled."""
    compared = 0
    for folder in FOLDERS:
        plan, readings, events = folder / "plan.toml", folder / "readings.csv", folder / "events.csv"
        header, *rows = [line for line in readings.read_text(encoding="utf-8").splitlines() if line.strip()]
        report = canonical(judge_files(plan, readings, events))
        other = tmp_path / "readings.csv"
        for arranged in (sorted(rows), random.Random(5).sample(rows, len(rows))):
            other.write_text("\n".join([header, *arranged]) + "\n", encoding="utf-8")
            assert canonical(judge_files(plan, other, events)) == report, folder.name
            compared += arranged != rows
    assert compared > 20


def test_day_in_order_is_judged_without_being_held(tmp_path: Path) -> None:
    """Ten times the rows take no more memory than the first tenth: a board exports a million of them."""
    peaks = []
    for rows in (5_000, 50_000):
        files = day(tmp_path, rows)
        tracemalloc.start()
        try:
            report = judge_files(*files)
            peaks.append(tracemalloc.get_traced_memory()[1])
        finally:
            tracemalloc.stop()
        assert report["lots"][0]["limits"][0]["watches"]
    assert peaks[1] < 1.5 * peaks[0] + 1_000_000


@pytest.mark.parametrize("at", [None, 1772456400_000_000 + 10_000_000])
def test_bad_row_at_the_end_of_a_file_in_order_refuses_all_of_it(tmp_path: Path, at: int | None) -> None:
    """Also where it stands after the instant that is asked for."""
    files = day(tmp_path, 100, "1772460000,core-9,warm\n")
    with pytest.raises(CsvError, match="line 102"):
        judge_files(*files, at)


def test_byte_that_is_no_text_is_told_with_its_line(tmp_path: Path) -> None:
    """Read line by line, the file is refused as it is when read whole."""
    files = day(tmp_path, 20)
    files[1].write_bytes(files[1].read_bytes() + b"1772460000,core-9,\xff\n")
    with pytest.raises(CsvError, match="line 22: byte ff is not UTF-8"):
        judge_files(*files)
