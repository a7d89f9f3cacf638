"""Readings and events CSV: exact, strict, and every mistake one sentence."""

import io
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.csv_replay import SUSPECT, Replay, load, read_csv, read_csv_file, write_csv
from probes.csv_text import EARLIEST, LATEST, instant_text
from probes.errors import CsvError, SettingError
from probes.events_csv import read_events, read_events_file, write_events
from rules.quantity import fahrenheit, format_instant, parse_instant
from rules.reading import SECOND, Fault, LotEvent, Reading

T0 = parse_instant("2026-03-02T13:00:00Z")


def test_values_in_celsius_are_kept_to_the_last_bit():
    """0.1 + 0.2 is not 0.3, and stays so."""
    assert read_csv("time,probe,value\n2026-03-02T13:00:00Z,core-1,0.30000000000000004\n", "r.csv") == [Reading("core-1", T0, 0.1 + 0.2)]


def test_fahrenheit_is_converted_as_everywhere_else():
    """145 °F in a row is the same float as 145 °F in a plan."""
    text = "time,probe,value,unit\n2026-03-02T07:00:00-06:00,core-1,145,F\n1772456400,core-1,62.5,\n"
    assert read_csv(text, "r.csv") == [Reading("core-1", T0, fahrenheit(145.0)), Reading("core-1", T0, 62.5)]


def test_blank_unit_quality_and_offset_are_the_defaults():
    """Blank means °C, ok and no offset."""
    text = "time,probe,value,unit,quality,offset_c,received\n2026-03-02T13:00:00Z,core-1,4.5,,,,\n"
    assert read_csv(text, "r.csv") == [Reading("core-1", T0, 4.5, 0.0, "")]


def test_fault_may_leave_its_value_blank():
    """A fault row gives a Fault, never a number, whether or not a value stands there."""
    text = "value,quality,probe,time\n,fault,core-1,2026-03-02T13:00:00Z\n9999,fault,core-1,2026-03-02T13:00:01Z\n"
    assert read_csv(text, "r.csv") == [Fault("core-1", T0, "fault"), Fault("core-1", T0 + SECOND, "fault", "9999")]


def test_suspect_row_keeps_its_value_and_mark():
    """Suspect readings are marked, never altered."""
    text = "time,probe,value,quality,offset_c\n2026-03-02T13:00:00Z,core-1,85,suspect,-0.25\n"
    assert read_csv(text, "r.csv") == [Reading("core-1", T0, 85.0, -0.25, SUSPECT)]


def test_rows_stay_in_the_order_of_the_file_and_byte_order_mark_is_no_column():
    """Any order of rows is fine; sorting is the judge's."""
    text = "\ufefftime,probe,value\r\n\r\n1772456401,b,2\r\n1772456400.5,a,1\r\n"
    assert [(r.probe, r.at - T0) for r in read_csv(text, "r.csv")] == [("b", SECOND), ("a", SECOND // 2)]


BAD_ROWS = {
    "time without offset": ("2026-03-02T13:00:00,core-1,4,,,,", "time", "offset"),
    "time in words": ("noon,core-1,4,,,,", "time", "'noon'"),
    "time in milliseconds": ("1772456400000,core-1,4,,,,", "time", "milliseconds"),
    "time beyond the calendar": ("99999999999999999999,core-1,4,,,,", "time", "beyond"),
    "blank time": (",core-1,4,,,,", "time", "''"),
    "blank probe": ("1772456400, ,4,,,,", "probe", "blank"),
    "unknown probe": ("1772456400,core-9,4,,,,", "probe", "'core-9'"),
    "blank value": ("1772456400,core-1,,,,,", "value", "blank"),
    "value in words": ("1772456400,core-1,warm,,,,", "value", "'warm'"),
    "value nan": ("1772456400,core-1,nan,,,,", "value", "'nan'"),
    "value infinite": ("1772456400,core-1,inf,,,,", "value", "'inf'"),
    "value with underscore": ("1772456400,core-1,7_1,,,,", "value", "'7_1'"),
    "value below absolute zero": ("1772456400,core-1,-9999,,,,", "value", "'-9999'"),
    "error code for a value": ("1772456400,core-1,9999,,,,", "value", "no thermometer reads"),
    "value of a broken logger": ("1772456400,core-1,1e308,F,,,", "value", "no thermometer reads"),
    "offset beyond reason": ("1772456400,core-1,4,,,-300,", "offset_c", "-300"),
    "decimal comma": ('1772456400,core-1,"71,1",,,,', "value", "decimal point"),
    "unknown unit": ("1772456400,core-1,4,K,,,", "unit", "'K'"),
    "unknown quality": ("1772456400,core-1,4,,good,,", "quality", "'good'"),
    "offset in words": ("1772456400,core-1,4,,,half,", "offset_c", "'half'"),
    "received in words": ("1772456400,core-1,4,,,,later", "received", "'later'"),
    "row too short": ("1772456400,core-1,4", "", "3 fields where the header has 7"),
    "row too long": ("1772456400,core-1,4,,,,,,", "", "9 fields where the header has 7"),
}


@pytest.mark.parametrize("mistake", BAD_ROWS)
def test_bad_row_names_file_line_and_field(mistake):
    """One sentence: what, which value, where, what to write; nothing of the file is returned."""
    row, field, says = BAD_ROWS[mistake]
    text = f"time,probe,value,unit,quality,offset_c,received\n1772456400,core-1,4,,,,\n{row}\n"
    with pytest.raises(CsvError) as caught:
        read_csv(text, "day.csv", {"core-1"})
    assert (caught.value.line, caught.value.field) == (3, field)
    assert str(caught.value).startswith("day.csv: line 3")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_blank_time_of_the_first_row_is_a_mistake_too():
    """A file whose first time is blank is not taken for one of 1970."""
    with pytest.raises(CsvError, match="line 2, field time"):
        read_csv("time,probe,value\n,core-1,4\n", "r.csv")


def test_file_that_is_not_there_is_told_without_a_line(tmp_path: Path):
    """There is no line 0 to look at."""
    with pytest.raises(CsvError) as caught:
        read_csv_file(tmp_path / "none.csv")
    assert str(caught.value).startswith(f"{tmp_path / 'none.csv'}: the file cannot be read")


BAD_HEADERS = {
    "": "empty",
    "\n\n": "empty",
    "time,probe\n": "lacks this column",
    "time,probe,value,units\n": "'units'",
    "time,probe,value,unit,unit\n": "twice",
    "1772456400,core-1,4\n": "'1772456400'",
    'time,probe,"val\n': "no CSV",
}


@pytest.mark.parametrize("text", BAD_HEADERS)
def test_bad_header_is_one_sentence(text):
    """A misspelt column would change the judgement if it were ignored."""
    with pytest.raises(CsvError, match=BAD_HEADERS[text]):
        read_csv(text, "day.csv")


def test_file_that_is_not_utf8_names_its_line(tmp_path: Path):
    """The line of the first bad byte is told."""
    path = tmp_path / "r.csv"
    path.write_bytes(b"time,probe,value\n1772456400,c\xe9,4\n")
    with pytest.raises(CsvError, match=r"line 2: byte e9 is not UTF-8"):
        read_csv_file(path)
    with pytest.raises(CsvError, match="cannot be read"):
        read_events_file(tmp_path / "none.csv")


words = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)
instants = st.integers(EARLIEST, LATEST)
celsius = st.floats(-264.0, 1390.0)  # with its offset still what a thermometer can read
readings = st.builds(
    Reading, st.sampled_from(["a", 'b",', "c-ä"]), instants, celsius, st.floats(-9, 9).map(lambda v: v + 0.0), words, st.none()
)
faults = st.builds(Fault, st.sampled_from(["a", 'b",']), instants, words.filter(bool), words)


@given(st.lists(st.tuples(st.one_of(readings, faults), st.one_of(st.none(), instants)), max_size=8))
def test_written_readings_are_read_back_exactly(items):
    """What an export writes, a recomputation reads to the last bit."""
    out = io.StringIO()
    assert write_csv(out, items) == len(items)
    assert read_csv(out.getvalue(), "r.csv") == [item for item, _ in items]


def test_humidity_probe_s_values_are_per_cent():
    """With the unit % or none; they are not converted, and an export says their unit so that it repeats."""
    text = "time,probe,value,unit\n1772456400,rh-1,92.5,%\n1772456401,rh-1,93,\n1772456402,core-1,50,F\n"
    items = read_csv(text, "r.csv", ["rh-1", "core-1"], ["rh-1"])
    assert [item.celsius for item in items] == [92.5, 93.0, 10.0]
    out = io.StringIO()
    write_csv(out, [(item, None) for item in items], humidity={"rh-1"})
    assert [line.split(",")[3] for line in out.getvalue().splitlines()] == ["unit", "%", "%", ""]
    assert read_csv(out.getvalue(), "r.csv", ["rh-1", "core-1"], ["rh-1"]) == items
    assert read_csv(out.getvalue(), "r.csv") == items  # with no plan at hand per cent may stand anywhere


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("rh-1,92.5,C", "line 2, field unit: the unit is 'C' and rh-1 is a humidity probe; write %, or leave it blank for %"),
        ("rh-1,92.5,F", "line 2, field unit: the unit is 'F' and rh-1 is a humidity probe; write %, or leave it blank for %"),
        ("core-1,92.5,%", "line 2, field unit: the unit is '%' and core-1 is no humidity probe; write C or F, or leave it blank for °C"),
        ("core-1,92.5,K", "line 2, field unit: the unit is 'K'; write C or F, % for a humidity probe, or leave it blank for °C"),
    ],
)
def test_unit_that_is_not_the_probe_s_is_a_bad_row(row, says):
    """One sentence, and nothing is read."""
    with pytest.raises(CsvError) as caught:
        read_csv(f"time,probe,value,unit\n1772456400,{row}\n", "r.csv", ["rh-1", "core-1"], ["rh-1"])
    assert says in str(caught.value)


@given(st.integers(parse_instant("1900-01-01T00:00:00Z"), LATEST))
def test_fast_time_text_is_the_one_of_the_rules(at):
    """There is one text form of an instant."""
    assert instant_text(at) == format_instant(at)


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused(text):
    """No input makes the readers fall over."""
    for read in (read_csv, read_events):
        for body in (text, "time,probe,value\n" + text, "time,event,lot,name,value\n" + text):
            try:
                taken = read(body, "x.csv")
            except CsvError as error:
                says = str(error)
            else:
                says = "x.csv: line "
                assert all(item.at <= LATEST for item in taken)
            assert says.startswith("x.csv: line ")


EVENTS = [
    LotEvent(T0, "start", "J-1", "juniper-links", by="Odile Marsh"),
    LotEvent(T0, "step", "J-1", "grind"),
    LotEvent(T0, "place", "J-1", "core-1"),
    LotEvent(T0, "check", "J-1", "core", "33.5 °F"),
    LotEvent(T0, "measure", "J-1", "pH", "5.3", T0 + SECOND),
    LotEvent(T0, "undo", "J-1", "", "2026-03-02T13:00:00Z"),
    LotEvent(T0, "remove", "J-1", "core-1", "slipped"),
    LotEvent(T0, "end", "J-1"),
]


def test_written_events_are_read_back_exactly():
    """Also who wrote it, and when it was entered."""
    out = io.StringIO()
    assert write_events(out, EVENTS) == len(EVENTS)
    assert read_events(out.getvalue(), "events.csv") == EVENTS


BAD_EVENTS = {
    "unknown event": ("1772456400,begin,J-1,x,", "event", "'begin'"),
    "blank lot": ("1772456400,end,,,", "lot", "blank"),
    "start without product": ("1772456400,start,J-1,,", "name", "product"),
    "step without name": ("1772456400,step,J-1,,", "name", "step"),
    "place without probe": ("1772456400,place,J-1,,", "name", "probe"),
    "removal without reason": ("1772456400,remove,J-1,core-1,", "value", "moved, slipped, failed, done"),
    "check below absolute zero": ("1772456400,check,J-1,core,-999 °C", "value", "span"),
    "check without unit": ("1772456400,check,J-1,core,33.5", "value", "unit"),
    "measure in words": ("1772456400,measure,J-1,pH,low", "value", "'low'"),
    "undo without time": ("1772456400,undo,J-1,,", "value", "''"),
    "time in words": ("today,end,J-1,,", "time", "'today'"),
    "too few fields": ("1772456400,end,J-1", "", "3 fields"),
}


@pytest.mark.parametrize("mistake", BAD_EVENTS)
def test_bad_event_names_file_line_and_field(mistake):
    """Each mistake of an events file has its own sentence."""
    row, field, says = BAD_EVENTS[mistake]
    with pytest.raises(CsvError) as caught:
        read_events(f"time,event,lot,name,value\n{row}\n", "events.csv")
    assert (caught.value.line, caught.value.field) == (2, field)
    assert says in str(caught.value)


def test_event_entered_before_it_happened_is_refused():
    """An entry time before the event's own is a slip of the pen."""
    with pytest.raises(CsvError, match="field entered"):
        read_events("time,event,lot,name,value,entered\n1772456400,end,J-1,,,1772456399\n", "events.csv")


@pytest.mark.parametrize("speed", [0.0, 1e6])
def test_replay_hands_over_every_row_in_order_of_time(tmp_path: Path, sink, speed: float):
    """Flat out or paced, the rows come sorted and complete, and the end is told."""
    path = tmp_path / "r.csv"
    path.write_text("time,probe,value\n1772456460,a,2\n1772456400,a,1\n1772456520,a,3\n")
    Replay("replay", path, speed, batch=2).run(sink, threading.Event())
    assert sink.values == [1.0, 2.0, 3.0]
    assert sink.states[-1] == (True, "Replay of r.csv has ended: 3 rows.")


def test_replay_of_a_bad_file_says_so_and_gives_nothing(tmp_path: Path, sink):
    """Nothing of a file with a bad row is handed over."""
    path = tmp_path / "r.csv"
    path.write_text("time,probe,value\n1772456460,a,2\n1772456400,a,warm\n")
    Replay("replay", path).run(sink, threading.Event())
    assert sink.items == []
    assert "line 3, field value" in sink.states[-1][1]


def test_replay_settings_are_checked():
    """A misspelt key is told, not ignored."""
    assert load({"driver": "csv", "file": "r.csv", "speed": 0}).speed == 0
    with pytest.raises(SettingError, match="file is missing"):
        load({})
    with pytest.raises(SettingError, match="'sped' is not known"):
        load({"file": "r.csv", "sped": 2})
