"""A logger's folder: any columns and delimiter, files that grow, rotate, are emptied or replaced, and a reader that restarts."""

import os
import threading
import time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.errors import SettingError
from probes.folder import Folder, load
from probes.logger_rows import RowForm, Rows
from rules.quantity import parse_instant
from rules.reading import Fault, Reading

NOW = parse_instant("2026-03-02T13:00:00Z")
CHICAGO = ZoneInfo("America/Chicago")
WIDE = RowForm("Time", CHICAGO, (("Probe 1", "core-1"), ("Probe 2", "core-2")))


def _told(items: list[Reading | Fault]) -> list[tuple[str, str, float | str]]:
    from rules.quantity import format_instant

    return [(i.probe, format_instant(i.at), round(i.celsius, 3) if isinstance(i, Reading) else i.reason) for i in items]


FORMS: dict[str, tuple[RowForm, str | None, str, list[tuple[str, str, float | str]]]] = {
    "wide, local time": (
        WIDE,
        "Time,Probe 1,Probe 2",
        "2026-03-02T07:00:00,71.1,20.5",
        [("core-1", "2026-03-02T13:00:00Z", 71.1), ("core-2", "2026-03-02T13:00:00Z", 20.5)],
    ),
    "time with its offset": (
        WIDE,
        "Time,Probe 1,Probe 2",
        "2026-03-02T13:00:00Z,71.1,",
        [("core-1", "2026-03-02T13:00:00Z", 71.1), ("core-2", "2026-03-02T13:00:00Z", "no value")],
    ),
    "semicolons, decimal commas, day first": (
        RowForm("Zeit", ZoneInfo("Europe/Berlin"), (("Kern °C", "core-1"),), delimiter=";", decimal=",", time_format="%d.%m.%Y %H:%M:%S"),
        "Nr;Zeit;Kern °C",
        '17;02.03.2026 14:00:00;"71,1"',
        [("core-1", "2026-03-02T13:00:00Z", 71.1)],
    ),
    "date and time apart, no header, tabs, °F": (
        RowForm("2", ZoneInfo("UTC"), (("4", "core-1"),), date="1", delimiter="\t", unit="F", time_format="%m/%d/%Y %I:%M:%S %p"),
        None,
        "03/02/2026\t01:00:00 PM\tx\t160.0",
        [("core-1", "2026-03-02T13:00:00Z", 71.111)],
    ),
    "long form, Unix seconds, unit in the cell": (
        RowForm("t", ZoneInfo("UTC"), channel="ch", value="v", labels=(("1", "core-1"),), unit=None),
        "t,ch,v",
        "1772456400,1,71.1 °C",
        [("core-1", "2026-03-02T13:00:00Z", 71.1)],
    ),
    "long form, a channel nobody asked for": (
        RowForm("t", ZoneInfo("UTC"), channel="ch", value="v", labels=(("1", "core-1"),)),
        "t,ch,v",
        "1772456400,2,71.1",
        [],
    ),
    "row cut off": (
        WIDE,
        "Time,Probe 1,Probe 2",
        "2026-03-02T07:00:00,71.1",
        [(p, "2026-03-02T13:00:00Z", "row cut off") for p in ("core-1", "core-2")],
    ),
    "time that cannot be read": (
        WIDE,
        "Time,Probe 1,Probe 2",
        "yesterday,71.1,2",
        [(p, "2026-03-02T13:00:00Z", "time cannot be read") for p in ("core-1", "core-2")],
    ),
    "hour that a clock change leaves out": (
        WIDE,
        "Time,Probe 1,Probe 2",
        "2026-03-08T02:30:00,71.1,2",
        [(p, "2026-03-02T13:00:00Z", "a time that a clock change leaves out") for p in ("core-1", "core-2")],
    ),
    "error word": (
        RowForm("Time", CHICAGO, (("Probe 1", "core-1"),)),
        "Time,Probe 1",
        "2026-03-02T07:00:00,ERR",
        [("core-1", "2026-03-02T13:00:00Z", "error code")],
    ),
}


@pytest.mark.parametrize("name", FORMS)
def test_row_of_any_form(name: str) -> None:
    """Columns by title or number, times with or without a zone, values with any mark; what cannot be read is a fault."""
    form, header, row, told = FORMS[name]
    assert _told(Rows(form, header).feed(row + "\r\n", NOW)) == told


def test_repeated_hour_is_told_apart_by_the_order_of_rows() -> None:
    """When clocks go back, half past one comes twice; the second time is an hour later."""
    rows = Rows(RowForm("Time", CHICAGO, (("P", "core-1"),)), "Time,P")
    texts = ["2026-11-01T01:00:00", "2026-11-01T01:30:00", "2026-11-01T01:00:00", "2026-11-01T01:30:00", "2026-11-01T02:00:00"]
    found = [item.at for text in texts for item in rows.feed(f"{text},4", NOW)]
    assert found == [parse_instant(f"2026-11-01T{t}Z") for t in ("06:00:00", "06:30:00", "07:00:00", "07:30:00", "08:00:00")]


@pytest.mark.parametrize("zone", ["Asia/Tokyo", "America/Chicago", "UTC"])
@pytest.mark.parametrize("text", ["0001-01-01T00:00:00", "0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59", "9999-12-31T23:59:59-05:00"])
def test_time_at_the_end_of_the_calendar_is_a_fault_and_the_next_row_is_read(zone: str, text: str) -> None:
    """A logger whose clock was reset writes such times; they must not end the source, nor shift what comes after them."""
    rows = Rows(RowForm("Time", ZoneInfo(zone), (("P", "core-1"),)), "Time,P")
    assert [item.reason for item in rows.feed(f"{text},71.1", NOW) if isinstance(item, Fault)] == ["time cannot be read"]
    assert [item.celsius for item in rows.feed("2026-03-02T07:00:00,4", NOW) if isinstance(item, Reading)] == [4.0]
    assert rows.last == rows.feed("2026-03-02T07:00:00,4", NOW)[0].at


@given(st.text(max_size=200))
def test_no_row_crashes_or_invents_a_number(text: str) -> None:
    """Whatever a line holds, its readings lie within the span."""
    for item in Rows(WIDE, "Time,Probe 1,Probe 2").feed(text, NOW):
        assert isinstance(item, Fault) or -200.0 <= item.celsius <= 1400.0


HEADER = "Time,Probe 1\n"


def _source(folder: Path, **more: Any) -> Folder:
    table = {
        "folder": str(folder),
        "time": "Time",
        "timezone": "UTC",
        "columns": {"Probe 1": "core-1"},
        "unit": "C",
        "every_s": 0.05,
        **more,
    }
    return load({"driver": "folder", **table})


def _row(n: int) -> str:
    return f"2026-03-02T13:{n // 60:02}:{n % 60:02},{n / 10 + 1:.1f}\n"


def _value(n: int) -> float:
    return round(n / 10 + 1, 1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    found = tmp_path / "logger"
    found.mkdir()
    return found


def test_growing_file_is_read_on_line_by_line(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """A line counts once its end is written."""
    file = folder / "log.csv"
    file.write_text(HEADER + _row(0))
    runner.start(_source(folder), sink)
    until(lambda: sink.values == [1.0], "the first row")
    with file.open("a") as out:
        out.write(_row(1)[:-3])
        out.flush()
        until(lambda: sink.connected, "some rounds", 1)
        assert sink.values == [1.0]
        out.write(_row(1)[-3:] + _row(2))
    until(lambda: sink.values == [1.0, 1.1, 1.2], "all rows")
    runner.end()


def test_restart_resumes_where_it_stopped(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """No row twice, none left out; rows that were not made durable are read again."""
    file = folder / "log.csv"
    file.write_text(HEADER + _row(0) + _row(1))
    runner.start(_source(folder), sink)
    until(lambda: len(sink.values) == 2, "two rows")
    runner.end()
    with file.open("a") as out:
        out.write(_row(2))
    runner.start(_source(folder), sink)
    until(lambda: len(sink.values) == 3, "the third row")
    runner.end()
    assert sink.values == [1.0, 1.1, 1.2]


@pytest.mark.parametrize("files", ["*.csv", "log.csv*"])
def test_rotation_loses_no_row(files: str, folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """A file that was being read is read to its end under its new name; with a pattern for those, even one never seen before."""
    file, written = folder / "log.csv", 0
    runner.start(_source(folder, files=files), sink)
    for turn in range(10):
        with file.open("w") as out:
            out.write(HEADER + _row(written))
            written += 1
        if files == "*.csv":
            until(lambda written=written: len(sink.values) == written, "its first row")
        with file.open("a") as out:
            for _ in range(5):
                out.write(_row(written))
                written += 1
        file.rename(folder / f"log.csv.{turn}")
    until(lambda: len(sink.values) >= written, "all rows")
    runner.end()
    assert sorted(sink.values) == [_value(n) for n in range(written)]


def test_emptied_file_begins_anew(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """A logger that copies and empties its file goes on in the same one."""
    file = folder / "log.csv"
    file.write_text(HEADER + _row(0) + _row(1))
    runner.start(_source(folder), sink)
    until(lambda: len(sink.values) == 2, "two rows")
    file.write_text(HEADER + _row(2))
    until(lambda: len(sink.values) == 3, "the row after")
    runner.end()
    assert sink.values == [1.0, 1.1, 1.2]


def test_rows_that_could_not_be_stored_are_read_again(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """The position moves on once rows are durable, not before."""
    (folder / "log.csv").write_text(HEADER + _row(0))
    sink.durable = False
    runner.start(_source(folder), sink)
    until(lambda: len(sink.waiting) == 1, "the row")
    sink.waiting.pop().set_exception(OSError("disk full"))
    until(lambda: len(sink.waiting) == 1, "the row again")
    sink.durable = True
    sink.waiting.pop().set_result(None)
    runner.end()
    assert sink.values == [1.0, 1.0]
    assert any("disk full" in text for _, text in sink.states)


def test_file_with_another_header_is_told_and_the_others_are_read(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """The sentence names the file, the title sought and those there are."""
    (folder / "a.csv").write_text("When,P\nx,y\n")
    (folder / "b.csv").write_text(HEADER + _row(0))
    runner.start(_source(folder), sink)
    until(lambda: sink.values == [1.0], "the other file's row")
    until(lambda: any("a.csv: no column is titled 'Time'; titles are When, P" in text for _, text in sink.states), "the sentence")
    runner.end()
    assert sum("a.csv" in text for _, text in sink.states) == 1


def test_medium_unplugged_and_put_back_twenty_times(folder: Path, monkeypatch, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Each outage is told once, no row comes twice, and no thread or descriptor is left."""
    from probes.driver import backoff

    monkeypatch.setattr("probes.folder.backoff", lambda: backoff(0.01, 0.05))
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    away = folder.with_name("away")
    (folder / "log.csv").write_text(HEADER)
    runner.start(_source(folder, positions=str(folder.with_name("positions.json"))), sink)
    for n in range(20):
        until(lambda: sink.connected, "the folder")
        with (folder / "log.csv").open("a") as out:
            out.write(_row(n))
        until(lambda n=n: len(sink.values) == n + 1, "the row")
        folder.rename(away)
        until(lambda: not sink.connected, f"outage {n}")
        away.rename(folder)
    until(lambda: sink.connected, "the folder after all")
    runner.end()
    assert sink.values == [_value(n) for n in range(20)]
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == before


def test_endless_line_does_not_grow_without_bound(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """A file without line ends is passed over piece by piece, and the row after it is read."""
    (folder / "log.csv").write_bytes(HEADER.encode() + b"x" * 1_500_000 + b"\n" + _row(3).encode())
    runner.start(_source(folder), sink)
    until(lambda: 1.3 in sink.values, "the row after it")
    runner.end()
    assert sink.values == [1.3]


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"columns": {}}, "no probe is named"),
        ({"columns": {"A": "core-1", "B": "core-1"}}, "is fed by two columns"),
        ({"timezone": "Chicago"}, "timezone is 'Chicago'"),
        ({"encoding": "utf-16"}, "encoding is 'utf-16'"),
        ({"encoding": "klingon"}, "encoding is 'klingon'"),
        ({"delimiter": "::"}, "delimiter is '::'"),
        ({"header": False}, "no column is titled 'Time'"),
        ({"unit": "X"}, "unit is 'X'"),
        ({"fiels": "*"}, "key 'fiels' is not known"),
    ],
)
def test_mistake_in_the_configuration_gets_its_sentence(folder: Path, more: dict[str, object], sentence: str) -> None:
    """What, which value, where, what to write."""
    with pytest.raises(SettingError, match=sentence):
        _source(folder, **more)


def test_rest_of_an_endless_line_is_no_row(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """What follows a line that is too long, up to its end, would read as a row of its own."""
    file = folder / "log.csv"
    file.write_bytes(HEADER.encode() + b"x" * 20_000)
    runner.start(_source(folder), sink)
    until(lambda: len(sink.items) == 1, "the fault of the long line")
    with file.open("a") as out:
        out.write(_row(7) + _row(8))
    until(lambda: bool(sink.values), "the row after it")
    runner.end()
    assert sink.values == [_value(8)]


def test_files_that_are_gone_are_forgotten(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """A logger that begins a file a minute for months must not fill the memory, nor the file of positions."""
    source = _source(folder)
    runner.start(source, sink)
    for n in range(30):
        file = folder / f"{n}.csv"
        file.write_text(HEADER + _row(n))
        until(lambda n=n: len(sink.values) == n + 1, "its row")
        file.unlink()
    (folder / "last.csv").write_text(HEADER + _row(30))
    until(lambda: len(sink.values) == 31, "the last row")
    runner.end()
    assert source.positions.read_text().count('"at"') == 1


def test_new_file_with_the_same_beginning_is_read_from_its_start(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """A long preamble is the same in every file, and an inode is given again: what stood before the position tells them apart."""
    preamble = "".join(f"remark {n}: an invented logger\n" for n in range(20))
    source, file = _source(folder, skip=20), folder / "log.csv"
    file.write_text(preamble + HEADER + _row(0) + _row(1))
    runner.start(source, sink)
    until(lambda: len(sink.values) == 2, "two rows")
    file.write_text(preamble + HEADER + _row(2) + _row(3) + _row(4))
    until(lambda: len(sink.values) == 5, "the other file's rows")
    runner.end()
    assert sink.values == [_value(n) for n in range(5)]


def test_file_that_is_replaced_while_its_rows_are_being_stored_is_read_from_its_start(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """What was read is known by what it was then, not by what stands in its place once the store has taken it."""
    source, file = _source(folder), folder / "log.csv"
    file.write_text(HEADER + _row(0) + _row(1))
    sink.durable = False
    runner.start(source, sink)
    until(lambda: len(sink.waiting) == 1, "two rows on their way")
    file.write_text(HEADER + _row(2) + _row(3) + _row(4))
    sink.durable = True
    sink.waiting[0].set_result(None)
    until(lambda: len(sink.values) == 5, "the other file's rows")
    runner.end()
    assert sink.values == [_value(n) for n in range(5)]


def test_repeated_hour_is_told_apart_over_a_restart(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """The newest time before the restart is kept with the position."""
    file = folder / "log.csv"
    chicago = {"timezone": "America/Chicago"}
    file.write_text(HEADER + "2026-11-01 01:50:00,1.0\n2026-11-01 01:10:00,2.0\n")
    runner.start(_source(folder, **chicago), sink)
    until(lambda: len(sink.values) == 2, "two rows")
    runner.end()
    with file.open("a") as out:
        out.write("2026-11-01 01:20:00,3.0\n")
    runner.start(_source(folder, **chicago), sink)
    until(lambda: len(sink.values) == 3, "the row after the restart")
    runner.end()
    assert [(item.at - sink.items[0].at) // 60_000_000 for item in sink.items] == [0, 20, 30]


def test_rows_wait_for_the_store_without_being_handed_over_again(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """While the store is away its queue holds them once, so that others find room; a long file comes in pieces."""
    (folder / "log.csv").write_text(HEADER + "".join(_row(n) for n in range(1200)))
    sink.durable = False
    runner.start(_source(folder), sink)
    until(lambda: len(sink.waiting) == 1, "the first piece")
    assert len(sink.items) == 500
    time.sleep(0.3)  # several rounds' worth
    runner.end()
    assert len(sink.items) == 500


@pytest.mark.parametrize("text", ["2026-03-02,4.0", "20260302,4.0", "1900000000000,4.0", "2026-W10-1,4.0"])
def test_time_that_leaves_out_the_hour_is_a_fault(text: str) -> None:
    """A day alone would be midnight, and milliseconds another century."""
    form = RowForm(time="Time", zone=ZoneInfo("UTC"), columns=(("Probe 1", "core-1"),))
    assert all(isinstance(item, Fault) for item in Rows(form, "Time,Probe 1").feed(text, NOW))


@pytest.mark.parametrize("form", ["%H:%M:%S", "%d.%m. %H:%M", "%Q", "%d.%m.%Y"])
def test_time_format_without_a_day_or_an_hour_is_refused(folder: Path, form: str) -> None:
    """Every row would be of the year 1900, or of midnight."""
    with pytest.raises(SettingError, match="a form with year, month, day, hour and minute"):
        _source(folder, time_format=form)


def test_header_that_is_no_row_is_told_and_ends_nothing(folder: Path, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """A quote that never ends in one file costs no other file."""
    (folder / "a.csv").write_text('Time,"Probe 1\n' + _row(0))
    (folder / "b.csv").write_text(HEADER + _row(1))
    runner.start(_source(folder), sink)
    until(lambda: sink.values == [1.1], "the other file's row")
    until(lambda: any("a.csv: the header is no row of this form" in text for _, text in sink.states), "the sentence")
    runner.end()
