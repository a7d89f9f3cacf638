"""1-Wire through the kernel's files: every published or constructed line, cut and flipped; sensors that go and come back."""

import os
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.errors import SettingError, SourceGone
from probes.onewire import OneWire, crc8, decode_temperature, decode_w1_slave, discover, load
from rules.reading import Fault, Reading

NOW = 1_772_456_400_000_000

#: Lines to the format of the kernel's driver; the first is widely published (from memory), the others constructed with a checksum.
GOOD = {
    "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n": 23.125,
    "72 04 4b 46 7f ff 0c 10 0f : crc=0f YES\n72 04 4b 46 7f ff 0c 10 0f t=71125\n": 71.125,
    "5e ff 4b 46 7f ff 0c 10 6a : crc=6a YES\n5e ff 4b 46 7f ff 0c 10 6a t=-10125\n": -10.125,
    "40 00 4b 46 7f ff 0c 10 81 : crc=81 YES\n40 00 4b 46 7f ff 0c 10 81 t=4000\n": 4.0,
    "f0 03 4b 46 7f ff 0c 10 a8 : crc=a8 YES\nf0 03 4b 46 7f ff 0c 10 a8 t=63000\n": 63.0,
}
BAD = {
    "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n": "power-on value, no conversion was made",
    "32 04 4b 46 7f ff 0c 10 0f : crc=46 NO\n72 04 4b 46 7f ff 0c 10 0f t=67125\n": "checksum",
    "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n": "short circuit on the data line",
    "ff ff ff ff ff ff ff ff ff : crc=c9 NO\nff ff ff ff ff ff ff ff ff t=-62\n": "checksum",
    "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n73 01 4b 46 7f ff 0e 10 57 t=23125\n": "checksum",
    "73 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n73 01 4b 46 7f ff 0e 10 57 t=23187\n": "checksum",
    "": "no value",
    "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n": "cut off",
    "garbage\nmore\n": "not a w1_slave file",
}


def _line(raw: int, sixth: int = 0x10) -> str:
    body = bytes([raw & 0xFF, (raw >> 8) & 0xFF, 0x4B, 0x46, 0x7F, 0xFF, sixth, 0x10])
    text = (body + bytes([crc8(body)])).hex(" ")
    value = raw - 0x10000 if raw & 0x8000 else raw
    return f"{text} : crc={crc8(body):02x} YES\n{text} t={value * 1000 // 16 if value >= 0 else -(-value * 1000 // 16)}\n"


@pytest.mark.parametrize(("text", "celsius"), GOOD.items())
def test_good_file_gives_its_temperature(text: str, celsius: float) -> None:
    """Each whole file is one reading."""
    assert decode_w1_slave(text, "core-1", NOW) == Reading("core-1", NOW, celsius)


@pytest.mark.parametrize(("text", "reason"), BAD.items())
def test_bad_file_is_a_fault_and_no_number(text: str, reason: str) -> None:
    """`t=` beside a bad checksum is never used."""
    found = decode_w1_slave(text, "core-1", NOW)
    assert isinstance(found, Fault)
    assert found.reason == reason


def test_genuine_85_degrees_is_a_reading() -> None:
    """After a conversion byte 6 of a value without a fraction is 10, not 0C."""
    assert decode_w1_slave(_line(0x0550), "core-1", NOW) == Reading("core-1", NOW, 85.0)
    assert isinstance(decode_w1_slave(_line(0x0550, 0x0C), "core-1", NOW), Fault)


@pytest.mark.parametrize("text", GOOD)
def test_no_beginning_of_a_file_is_a_reading(text: str) -> None:
    """A read that was cut off anywhere is a fault."""
    for end in range(len(text)):
        assert isinstance(decode_w1_slave(text[:end], "core-1", NOW), Fault)


@given(st.sampled_from(sorted(GOOD)), st.integers(0, 8), st.integers(0, 7))
def test_one_flipped_bit_is_a_fault(text: str, byte: int, bit: int) -> None:
    """The checksum is computed here once more, whatever the kernel's verdict says."""
    held = bytearray(bytes.fromhex(text[:26]))
    held[byte] ^= 1 << bit
    flipped = text.replace(text[:26], held.hex(" "))
    assert isinstance(decode_w1_slave(flipped, "core-1", NOW), Fault)


@given(st.text(max_size=200))
def test_no_text_crashes_or_invents_a_number(text: str) -> None:
    """Anything but a good file is a fault."""
    assert isinstance(decode_w1_slave(text, "core-1", NOW), Fault)
    assert isinstance(decode_temperature(text, "core-1", NOW), Fault) or text.strip().lstrip("-").isdigit()


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("71125\n", Reading("core-1", NOW, 71.125)),
        ("85000\n", Reading("core-1", NOW, 85.0, 0.0, "85 °C may be the value before the first conversion")),
        ("", Fault("core-1", NOW, "no value", "")),
        ("\n", Fault("core-1", NOW, "no value", "")),
        ("7112", Fault("core-1", NOW, "cut off", "7112")),
        ("-127000\n", Fault("core-1", NOW, "out of the sensor's span", "-127000")),
        ("x\n", Fault("core-1", NOW, "not a number", "x")),
    ],
)
def test_temperature_file(text: str, found: Reading | Fault) -> None:
    """Without the bytes, 85 °C is suspect; empty means that a bulk conversion still runs."""
    assert decode_temperature(text, "core-1", NOW) == found


class Bus:
    """A bus as the kernel shows it, in a folder."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def put(self, device: str, text: str) -> None:
        folder = self.root / device
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "w1_slave").write_text(text)

    def pull(self, device: str) -> None:
        (self.root / device / "w1_slave").unlink()
        (self.root / device).rmdir()


@pytest.fixture
def bus(tmp_path: Path) -> Bus:
    found = Bus(tmp_path / "devices")
    found.put("28-00000abcdef0", next(iter(GOOD)))
    found.put("28-00000abcdef1", _line(0x0400))
    return found


def _source(bus: Bus, **more: object) -> OneWire:
    sensors = {"28-00000abcdef0": "core-1", "28-00000abcdef1": "core-2"}
    return load({"driver": "onewire", "sensors": sensors, "devices": str(bus.root), "every_s": 0.1, **more})


def test_each_sensor_is_read_in_turn(bus: Bus) -> None:
    """One round is one item of each sensor."""
    assert [(r.probe, r.celsius) for r in _source(bus).round() if isinstance(r, Reading)] == [("core-1", 23.125), ("core-2", 64.0)]


def test_sensor_taken_off_the_bus_is_told_once_a_minute(bus: Bus) -> None:
    """The other one goes on; absence is no value and no flood of faults."""
    at = [NOW]
    source = OneWire("1-Wire", {"28-00000abcdef0": "core-1", "28-00000abcdef1": "core-2"}, bus.root, clock=lambda: at[0])
    bus.pull("28-00000abcdef0")
    found = []
    for _ in range(90):
        found += source.round()
        at[0] += 1_000_000
    faults = [f for f in found if isinstance(f, Fault)]
    assert [f.reason for f in faults] == ["sensor not on the bus"] * 2
    assert faults[1].at - faults[0].at == 60_000_000
    assert sum(isinstance(r, Reading) for r in found) == 90
    bus.put("28-00000abcdef0", next(iter(GOOD)))
    assert source.round()[0] == Reading("core-1", at[0], 23.125)


def test_no_bus_at_all_is_said_so(tmp_path: Path) -> None:
    """The sentence names the folder and what to look at."""
    with pytest.raises(SourceGone, match="load the kernel's w1 modules"):
        OneWire("1-Wire", {"28-00000abcdef0": "core-1"}, tmp_path / "none").round()


def test_bus_unplugged_and_put_back_twenty_times(bus: Bus, soon, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Each outage is told once; readings go on; no thread and no descriptor is left."""
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    away = bus.root.with_name("away")
    runner.start(_source(bus), sink)
    for n in range(20):
        until(lambda: sink.connected, "the bus")
        count = len(sink.items)
        until(lambda count=count: len(sink.items) > count, "a reading")
        bus.root.rename(away)
        until(lambda: not sink.connected, f"outage {n}")
        away.rename(bus.root)
    until(lambda: sink.connected, "the bus after all")
    runner.end()
    assert len([s for s in sink.states if not s[0]]) == 21
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == before
    assert {r.celsius for r in sink.items if isinstance(r, Reading)} == {23.125, 64.0}


def test_discover_lists_thermometers_only(bus: Bus) -> None:
    """Bus masters and other families are left out."""
    (bus.root / "w1_bus_master1").mkdir()
    (bus.root / "29-00000abcdef0").mkdir()
    assert discover(bus.root) == ["28-00000abcdef0", "28-00000abcdef1"]
    assert discover(bus.root / "none") == []


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ({}, "sensors is missing"),
        ({"sensors": {"28-1": "core-1"}}, "is no 1-Wire device"),
        ({"sensors": {"29-00000abcdef0": "core-1"}}, "is no thermometer"),
        ({"sensors": {"28-00000abcdef0": "core-1", "28-00000abcdef1": "core-1"}}, "two sensors feed one probe"),
        ({"sensors": {"28-00000abcdef0": "core-1"}, "evry_s": 2}, "key 'evry_s' is not known"),
        ({"sensors": {"28-00000abcdef0": "core-1"}, "file": "w1"}, "file is 'w1'"),
    ],
)
def test_mistake_in_the_configuration_gets_its_sentence(table: dict[str, object], sentence: str) -> None:
    """What, which value, where, what to write."""
    with pytest.raises(SettingError, match=sentence):
        load(table)
