"""Text lines over serial: every form whole, byte by byte, amid garbage; no invented number; a real pty unplugged and put back."""

import csv
import os
import pty
import re
import tty
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes import nmea
from probes.errors import SettingError
from probes.lines import LineDecoder, LineFormat
from probes.serial_text import load
from rules.quantity import fahrenheit, parse_instant
from rules.reading import Fault, Reading

NOW = parse_instant("2026-03-02T13:00:00Z")
FRAMES = list(csv.DictReader((Path(__file__).parent / "check_device_frames.csv").read_text(encoding="utf-8").splitlines()))
DEVICE_TIME = parse_instant("2024-03-05T14:30:00Z")

ONE = LineFormat(probe="core-1", unit="C")
LINE_UNIT = LineFormat(probe="core-1")
CHANNELS = LineFormat(labels={"CH1": "core-1", "CH2": "core-2"}, unit="C")
TWO_COLUMNS = LineFormat(columns=("core-1", "-"), unit="C")
LOGGER = LineFormat(columns=("time", "channel", "value", "unit"), labels={"1": "core-1"})
XDR = LineFormat(labels={"SMOKE1": "core-1"})
COMMA = LineFormat(columns=("core-1", "core-2"), unit="C", decimal=",")

#: Forms of device_protocols.md section 5: format, line, what it gives (probe, °C or a fault's reason, instant).
SAMPLES = {
    "labelled with unit": (LINE_UNIT, "T=71.1C\r\n", [("core-1", 71.1, NOW)]),
    "labelled with degree sign": (LINE_UNIT, "T = 160.0 °F\r\n", [("core-1", fahrenheit(160.0), NOW)]),
    "labelled with unit after a blank": (CHANNELS, "CH1=71.1 C, CH2=20.5 C\n", [("core-1", 71.1, NOW), ("core-2", 20.5, NOW)]),
    "bare number": (ONE, "71.1\n", [("core-1", 71.1, NOW)]),
    "padded number with plus": (ONE, "   +071.1\r", [("core-1", 71.1, NOW)]),
    "two columns": (TWO_COLUMNS, "71.1,45.5\r\n", [("core-1", 71.1, NOW)]),
    "columns by tab": (TWO_COLUMNS, "71.1\t45.5\r\n", [("core-1", 71.1, NOW)]),
    "columns by semicolon and blank": (TWO_COLUMNS, "71.1; 45.5\r\n", [("core-1", 71.1, NOW)]),
    "logger line": (LOGGER, "2024-03-05T14:30:00Z;1;+071.1;C\r\n", [("core-1", 71.1, DEVICE_TIME)]),
    "logger line of a channel nobody asked for": (LOGGER, "2024-03-05T14:30:00Z;2;+071.1;C\r\n", []),
    "logger channel with zero": (LOGGER, "2024-03-05T14:30:00Z;01;160.0;F\r\n", [("core-1", fahrenheit(160.0), DEVICE_TIME)]),
    "channels with one open": (CHANNELS, "CH1:+071.1 CH2:-----\r\n", [("core-1", 71.1, NOW), ("core-2", "no value", NOW)]),
    "decimal comma": (COMMA, "71,1;-4,5\r\n", [("core-1", 71.1, NOW), ("core-2", -4.5, NOW)]),
    "overload": (ONE, "OL\r\n", [("core-1", "overload", NOW)]),
    "error word": (ONE, "ERR\r\n", [("core-1", "error code", NOW)]),
    "code 9999": (ONE, "9999\r\n", [("core-1", "error code", NOW)]),
    "85 degrees are no fault here": (ONE, "85.0\r\n", [("core-1", 85.0, NOW)]),
    "header row": (TWO_COLUMNS, "temperature,humidity\r\n", []),
    "sentence with two groups": (XDR, "$WIXDR,C,71.1,C,SMOKE1,H,45.5,P,RH1*0E\r\n", [("core-1", 71.1, NOW)]),
    "another sentence": (XDR, "$GPGLL,1,2*53\r\n", []),
}
BAD_LINES = {
    "unit that is not the configured one": (ONE, "T=160.0F\r\n", "unit F where C is configured"),
    "value without the unit it must carry": (LINE_UNIT, "T=71.1\r\n", "no unit"),
    "number cut at its point": (ONE, "71.\r\n", "not a number"),
    "two points": (ONE, "71.171.2\r\n", "not a number"),
    "labelled lines joined": (LINE_UNIT, "T=71.1CT=71.2C\r\n", "label"),
    "channels joined": (CHANNELS, "CH1:+071.1 CH2:+070.1CH1:+071.2 CH2:+070.2\r\n", "label"),
    "channels joined at a blank": (CHANNELS, "CH1:+071.1 CH2:+070.1 CH1:+071.2\r\n", "twice"),
    "columns joined": (TWO_COLUMNS, "71.1,45.571.2,45.6\r\n", "3 fields where 2 are configured"),
    "column missing": (LOGGER, "2024-03-05T14:30:00Z;1;+071.1\r\n", "3 fields where 4"),
    "device time without offset": (LOGGER, "2024-03-05T14:30:00;1;+071.1;C\r\n", "time"),
    "device unit missing": (LOGGER, "2024-03-05T14:30:00Z;1;+071.1;\r\n", "unit missing"),
    "control bytes": (ONE, "\x0071.1\r\n", "garbled"),
    "beyond the span": (ONE, "7171.1\r\n", "span"),
    "infinite": (ONE, "inf\r\n", "overload"),
    "exponent beyond numbers": (ONE, "1e999\r\n", "not a number"),
    "sentence without checksum": (XDR, "$WIXDR,C,71.1,C,SMOKE1\r\n", "checksum"),
    "sentence in fives": (XDR, "$WIXDR,C,71.1,C,SMOKE1,9*32\r\n", "groups of four"),
}


def shown(items):
    return [(i.probe, i.celsius if isinstance(i, Reading) else i.reason, i.at) for i in items]


def feed(form, *pieces, mid_line=False):
    decoder = LineDecoder(form, mid_line)
    return [item for piece in pieces for item in decoder.feed(piece, NOW)]


@pytest.mark.parametrize("sample", SAMPLES)
def test_sample_reads_whole_byte_by_byte_and_with_others_around_it(sample):
    """The same outcome however the bytes are cut, with bytes after it, garbage before it, and a broken frame before it."""
    form, line, expected = SAMPLES[sample]
    data = line.encode()
    assert shown(feed(form, data)) == expected
    assert shown(feed(form, *(bytes([b]) for b in data))) == expected
    assert shown(feed(form, data + b"T=7")) == expected
    assert shown(feed(form, data + data)) == expected * 2
    garbage = b"\xff\x00\x81 7\r\n"
    assert shown(feed(form, garbage + data))[-len(expected) or None :] == (expected or shown(feed(form, garbage)))
    broken = data.rstrip(b"\r\n")[:-1] + b"\x15\r\n"
    after = shown(feed(form, broken + data))
    assert after[len(after) - len(expected) :] == expected
    assert all(isinstance(value, str) for _, value, _ in after[: len(after) - len(expected)])


@pytest.mark.parametrize("sample", SAMPLES)
def test_line_without_its_terminator_gives_nothing(sample):
    """A line counts once its end has come."""
    form, line, _ = SAMPLES[sample]
    assert feed(form, line.rstrip("\r\n").encode()) == []


@pytest.mark.parametrize("sample", SAMPLES)
def test_rest_of_a_line_after_opening_is_passed_over(sample):
    """Opened in the middle of "71.1" a port says "1.1", which is no reading."""
    form, line, expected = SAMPLES[sample]
    data = line.encode()
    assert shown(feed(form, data[3:] + data, mid_line=True)) == expected


@pytest.mark.parametrize("mistake", BAD_LINES)
def test_bad_line_is_a_fault_of_every_probe_it_may_speak_of(mistake):
    """Never a number; the raw text and the reason stay."""
    form, line, says = BAD_LINES[mistake]
    items = feed(form, line.encode())
    assert {item.probe for item in items} == set(form.probes)
    for item in items:
        assert isinstance(item, Fault)
        assert re.search(says, item.reason)
        assert item.raw
        assert item.raw.isprintable()


def frame(row):
    return row["input"].replace("\\r", "\r").replace("\\n", "\n").encode()


def rows(protocol):
    return [pytest.param(row, id=row["input"][:40]) for row in FRAMES if row["protocol"] == protocol]


@pytest.mark.parametrize("row", rows("nmea-xdr"))
def test_nmea_row_of_the_device_frame_table(row):
    """Every NMEA XDR row of the reference (field layout: public sentence list, secondary; checksums computed)."""
    items = feed(XDR, frame(row))
    if row["expected"].startswith("71.1 degC"):
        assert items == [Reading("core-1", NOW, 71.1)]
    else:
        (item,) = items
        assert isinstance(item, Fault)
        assert item.reason == ("checksum" if "checksum" in row["expected"] else "no value")


@pytest.mark.parametrize("row", rows("scpi"))
def test_scpi_row_of_the_device_frame_table(row):
    """Every SCPI reply of the reference (two bench instruments' manuals, secondary; 9.9E37 from memory)."""
    form = LineFormat(columns=("core-1", "core-2"), unit="C") if "," in row["input"] else ONE
    items = feed(form, frame(row))
    if row["expected"].startswith("reject"):
        assert [type(item) for item in items] == [Fault]
    else:
        assert [item.celsius for item in items if isinstance(item, Reading)] == [float(n) for n in re.findall(r"\d+\.\d+", row["expected"])]


def test_every_text_row_of_the_table_is_a_test_here_or_in_push():
    """The copied table holds the protocols that these drivers speak, and no other."""
    assert {row["protocol"] for row in FRAMES} == {"nmea-xdr", "scpi", "senml"}
    assert all(row["source"] for row in FRAMES)


def test_fixed_decimals_betray_a_lost_byte():
    """With `decimals` a lost digit or a lost terminator between whole numbers is seen."""
    form = LineFormat(probe="core-1", unit="C", decimals=1)
    assert [type(i) for i in feed(form, b"71.1\n711\n71.171\n71.12\n")] == [Reading, Fault, Fault, Fault]


def test_buffer_is_bounded_and_recovers_at_the_next_line():
    """A sender that never ends its line costs 512 bytes, one Fault, and not the line after it."""
    decoder = LineDecoder(ONE)
    items = []
    for _ in range(1000):
        items += decoder.feed(b"7" * 97, NOW)
        assert len(decoder) <= 512
    assert [type(item) for item in items] == [Fault]
    assert decoder.feed(b"1.1\n71.1\n", NOW) == [Reading("core-1", NOW, 71.1)]


def test_line_of_exactly_the_longest_length_is_read():
    """The limit itself is inside."""
    line = b"71.1".rjust(512)
    assert shown(feed(ONE, line + b"\n")) == [("core-1", 71.1, NOW)]
    assert [type(i) for i in feed(ONE, b" " + line + b"\n")] == [Fault]


FORMS = [ONE, LINE_UNIT, CHANNELS, TWO_COLUMNS, LOGGER, XDR, COMMA]


@given(
    st.sampled_from(FORMS),
    st.lists(st.one_of(st.binary(max_size=40), st.sampled_from([s[1].encode() for s in SAMPLES.values()])), max_size=6),
)
def test_any_bytes_in_any_cut_give_the_same_items(form, pieces):
    """No bytes make it fall over, cutting changes nothing, and the buffer stays bounded."""
    data = b"".join(pieces)
    whole = feed(form, data)
    assert feed(form, *pieces) == whole
    assert feed(form, *(bytes([b]) for b in data)) == whole
    assert all(item.probe in form.probes for item in whole)


@given(st.text("0123456789.,;:=+-CFTH \t", max_size=30))
def test_every_number_given_stands_in_the_line(text):
    """No number is put together from pieces of a line."""
    for item in feed(ONE, text.encode() + b"\n"):
        if isinstance(item, Reading):
            assert item.celsius in [float(n) for n in re.findall(r"[+-]?\d+(?:\.\d+)?", text)]


@given(st.binary(min_size=1, max_size=3), st.integers(0, 25))
def test_changed_sentence_never_gives_another_number(change, where):
    """A sentence whose bytes changed is refused, unless the change kept its temperature."""
    data = bytearray(b"$WIXDR,C,71.1,C,SMOKE1*27\r\n")
    data[where : where + len(change)] = change
    assert (
        all(value == 71.1 for value in [i.celsius for i in feed(XDR, bytes(data)) if isinstance(i, Reading)])
        or nmea.checksum(bytes(data)[1:22].decode("latin-1")) == 0x27
    )


class Cable:
    """A pty behind a link, as a serial adapter behind its device file: `unplug` takes it away, `plug` puts it back."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.plug()

    def plug(self) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.link.symlink_to(os.ttyname(self.slave))

    def unplug(self) -> None:
        self.link.unlink()
        os.close(self.slave)
        os.close(self.master)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)


def test_port_unplugged_and_plugged_in_again_goes_on(tmp_path, sink, runner, until):
    """An outage is told in one sentence, the readings go on by themselves, and no half line becomes a number."""
    cable = Cable(tmp_path / "thermometer")
    runner.start(load({"driver": "serial", "name": "house-1", "port": str(cable.link), "probe": "core-1", "unit": "C"}), sink)
    until(lambda: sink.connected, "open port")
    cable.send(b"9.9\r\n71.1\r\n71.2\r\n3")
    until(lambda: len(sink.values) == 2, "two readings")
    cable.unplug()
    until(lambda: not sink.connected, "outage told")
    cable.plug()
    until(lambda: sink.connected, "open port again")
    cable.send(b"1.3\r\n71.4\r\n")
    until(lambda: len(sink.values) == 3, "third reading")
    assert sink.values == [71.1, 71.2, 71.4]
    assert [connected for connected, _ in sink.states] == [True, False, True]
    assert "check its plug and power" in sink.states[1][1]
    runner.end()
    cable.unplug()


def test_port_that_is_not_there_is_told_once(tmp_path, sink, runner, until):
    """The same outage is not told again at every try."""
    cable_later = tmp_path / "none"
    runner.start(load({"port": str(cable_later), "probe": "core-1", "unit": "C"}), sink)
    until(lambda: bool(sink.states), "outage told")
    cable = Cable(cable_later)
    until(lambda: sink.connected, "open port")
    runner.end()
    assert [connected for connected, _ in sink.states] == [False, True, False]
    cable.unplug()


BAD_SETTINGS = {
    "port missing": ({"probe": "a", "unit": "C"}, "port is missing"),
    "no probe": ({"port": "p", "unit": "C"}, "no probe is named"),
    "no unit": ({"port": "p", "probe": "a"}, "unit is missing"),
    "unknown unit": ({"port": "p", "probe": "a", "unit": "R"}, "unit is 'R'"),
    "unknown key": ({"port": "p", "probe": "a", "unit": "C", "bauds": 9600}, "'bauds' is not known"),
    "baud in words": ({"port": "p", "probe": "a", "unit": "C", "baud": "9600"}, "baud is '9600'"),
    "probe and labels": ({"port": "p", "probe": "a", "labels": {"T": "b"}, "unit": "C"}, "probe and labels"),
    "labels a list": ({"port": "p", "labels": ["T"], "unit": "C"}, "table of texts"),
    "columns twice": ({"port": "p", "columns": ["a", "a"], "unit": "C"}, "'a' twice"),
    "columns without temperature": ({"port": "p", "columns": ["time", "-"], "probe": "a", "unit": "C"}, "neither"),
    "value without channel": ({"port": "p", "columns": ["time", "value"], "labels": {"1": "a"}, "unit": "C"}, "no probe for it"),
    "columns and probe": ({"port": "p", "columns": ["a"], "probe": "b", "unit": "C"}, "names probes itself"),
    "comma twice": ({"port": "p", "columns": ["a", "b"], "unit": "C", "decimal": ",", "separator": ","}, "comma cannot"),
    "span upside down": ({"port": "p", "probe": "a", "unit": "C", "lowest_c": 90, "highest_c": 10}, "lowest_c"),
    "device time in words": ({"port": "p", "probe": "a", "unit": "C", "device_time": "yes"}, "true or false"),
}


@pytest.mark.parametrize("mistake", BAD_SETTINGS)
def test_bad_setting_is_one_sentence(mistake):
    """What, which value, where, what to write."""
    config, says = BAD_SETTINGS[mistake]
    with pytest.raises(SettingError, match=says) as caught:
        load(config)
    assert str(caught.value).startswith("source serial")
    assert "; " in str(caught.value)
