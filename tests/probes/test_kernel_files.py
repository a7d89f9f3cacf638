"""hwmon and IIO in a folder made like the kernel's: units, offsets, chips found by name, channels that go."""

import os
import shutil
import threading
from pathlib import Path

import pytest

from probes.convert import platinum_ohm, thermocouple_mv
from probes.errors import SettingError, SourceGone
from probes.kernel_files import KernelFiles, discover, load, read_channel
from rules.reading import Fault, Reading


def _chip(sys: Path, folder: str, name: str, **files: str) -> Path:
    path = sys / folder
    path.mkdir(parents=True, exist_ok=True)
    (path / "name").write_text(name + "\n")
    for file, text in files.items():
        (path / file).write_text(text + "\n")
    return path


@pytest.fixture
def sys(tmp_path: Path) -> Path:
    _chip(tmp_path, "class/hwmon/hwmon0", "jc42", temp1_input="71125", temp2_input="-4500", temp1_max="100000")
    _chip(tmp_path, "bus/iio/devices/iio:device0", "max31865", in_temp_raw="2275", in_temp_scale="31.25")
    _chip(tmp_path, "bus/iio/devices/iio:device1", "sht", in_temp_input="21500", in_humidityrelative_input="45500")
    return tmp_path


def _load(sys: Path, *channels: dict[str, object], **more: object) -> KernelFiles:
    return load({"driver": "kernel", "channel": list(channels), "sys": str(sys), "every_s": 0.1, **more})


CORE = {"probe": "core-1", "chip": "jc42", "channel": "temp1"}
CHAMBER = {"probe": "house-1-air", "chip": "max31865", "channel": "in_temp"}
HUMID = {"probe": "house-1-rh", "chip": "sht", "channel": "in_humidityrelative"}


def test_every_kind_of_file_gives_its_value(sys: Path) -> None:
    """Millidegrees, raw times scale, milli-percent."""
    found = [(r.probe, r.celsius) for r in _load(sys, CORE, CHAMBER, HUMID).round() if isinstance(r, Reading)]
    assert found == [("core-1", 71.125), ("house-1-air", pytest.approx(71.09375)), ("house-1-rh", 45.5)]


def test_offset_is_added_before_scaling(sys: Path) -> None:
    """Constructed figures with a negative offset; that the offset comes first is from memory."""
    folder = _chip(sys, "bus/iio/devices/iio:device2", "adc", in_temp_raw="23090", in_temp_scale="2.681550", in_temp_offset="-17473.526")
    assert read_channel(folder, "in_temp")[0] == pytest.approx(15.061, abs=5e-4)
    assert read_channel(sys / "class/hwmon/hwmon0", "temp2")[0] == -4.5


def test_chip_is_found_by_name_when_its_number_changes(sys: Path) -> None:
    """Folders are numbered anew at each start of the machine."""
    source = _load(sys, CORE)
    (sys / "class/hwmon/hwmon0").rename(sys / "class/hwmon/hwmon7")
    assert source.round() == [Reading("core-1", source.round()[0].at, 71.125)] or source.round()[0].celsius == 71.125  # type: ignore[union-attr]


def test_two_chips_of_one_name_are_a_fault_and_no_guess(sys: Path) -> None:
    """Nobody can say which of them the plan means."""
    _chip(sys, "class/hwmon/hwmon1", "jc42", temp1_input="20000")
    assert [f.reason for f in _load(sys, CORE).round() if isinstance(f, Fault)] == [
        "2 chips have this name; write it with its device, as larderer probes shows it"
    ]


def test_channel_that_goes_is_a_fault_beside_the_others(sys: Path) -> None:
    """One silent channel does not stop the round."""
    (sys / "class/hwmon/hwmon0/temp1_input").unlink()
    found = _load(sys, CORE, CHAMBER).round()
    assert isinstance(found[0], Fault)
    assert found[0].reason == "channel not there"
    assert isinstance(found[1], Reading)


@pytest.mark.parametrize("text", ["", "nan", "71125x", "9" * 400, "0x10", "--"])
def test_no_number_is_invented(sys: Path, text: str) -> None:
    """What the file holds stays with the fault."""
    (sys / "class/hwmon/hwmon0/temp1_input").write_text(text)
    assert isinstance(_load(sys, CORE).round()[0], Fault)


def test_raw_sensor_on_an_amplifier(sys: Path) -> None:
    """A Pt1000 in ohm; a thermocouple in mV with its terminals beside it."""
    ohm = f"{platinum_ohm(63.0, 1000.0):.6f}"
    _chip(sys, "bus/iio/devices/iio:device3", "ohms", in_resistance0_raw=ohm)
    between = thermocouple_mv("K", 71.1) - thermocouple_mv("K", 25.0)
    mv = f"{between:.6f}"
    _chip(sys, "bus/iio/devices/iio:device4", "mvs", in_voltage0_raw=mv, in_voltage_scale="1", in_temp_ambient_input="25000")
    platinum = {"probe": "core-1", "chip": "ohms", "channel": "in_resistance0", "raw": {"sensor": "Pt1000"}}
    thermocouple = {
        "probe": "core-2",
        "chip": "mvs",
        "channel": "in_voltage0",
        "raw": {"sensor": "thermocouple K"},
        "junction": "in_temp_ambient",
    }
    found = [r.celsius for r in _load(sys, platinum, thermocouple).round() if isinstance(r, Reading)]
    assert found == [pytest.approx(63.0, abs=1e-3), pytest.approx(71.1, abs=1e-3)]


def test_open_thermocouple_is_a_fault(sys: Path) -> None:
    """An amplifier that pulls an open input to its end must not show a temperature."""
    _chip(sys, "bus/iio/devices/iio:device4", "mvs", in_voltage0_raw="78.125")
    table = {"probe": "core-2", "chip": "mvs", "channel": "in_voltage0", "raw": {"sensor": "thermocouple K", "cold_junction_c": 20}}
    found = _load(sys, table).round()[0]
    assert isinstance(found, Fault)
    assert "no temperature of a type K thermocouple" in found.reason
    assert found.raw == "78.125"


def test_no_chip_at_all_is_an_outage(sys: Path) -> None:
    """The sentence says which chips are wanted and which are there."""
    with pytest.raises(SourceGone, match="no chip named bme is there; there are jc42, max31865, sht"):
        _load(sys, {"probe": "core-1", "chip": "bme", "channel": "in_temp"}).round()


def test_chip_unplugged_and_put_back_twenty_times(sys: Path, soon, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Each outage is told once, and no thread or descriptor is left."""
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    runner.start(_load(sys, CORE), sink)
    for n in range(20):
        until(lambda: sink.connected, "the chip")
        count = len(sink.items)
        until(lambda count=count: len(sink.items) > count, "a reading")
        shutil.move(sys / "class/hwmon/hwmon0", sys / "away")
        until(lambda: not sink.connected, f"outage {n}")
        shutil.move(sys / "away", sys / "class/hwmon/hwmon0")
    until(lambda: sink.connected, "the chip after all")
    runner.end()
    assert len([s for s in sink.states if not s[0]]) == 21
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == before


def test_discover_lists_channels_with_a_temperature_or_humidity(sys: Path) -> None:
    """Limits and scales of a chip are no channels."""
    found = [("jc42", "temp1"), ("jc42", "temp2"), ("max31865", "in_temp"), ("sht", "in_humidityrelative"), ("sht", "in_temp")]
    assert discover(sys) == found


@pytest.mark.parametrize(
    ("channels", "sentence"),
    [
        ([], "channel is missing"),
        ([{"probe": "core-1", "chip": "jc42"}], "channel is missing"),
        ([{"probe": "core-1", "chip": "jc42", "channel": "fan1"}], "channel is 'fan1'"),
        ([{"probe": "core-1", "chip": "ohms", "channel": "in_resistance0"}], "is no temperature; write raw"),
        ([CORE, CORE], "is fed by two channels"),
        ([{**CORE, "raw": {"sensor": "Pt99"}}], "sensor is 'Pt99'"),
        ([{**CORE, "raw": {"sensor": "thermocouple K"}}], "the terminals' temperature is not known"),
        ([{**CORE, "raw": {"sensor": "thermistor", "r25": 10000}}], "write r25 and beta, or a, b and c"),
        ([{**CORE, "raw": {"sensor": "Pt100", "divider_ohm": 10000}}], "a divider has two figures"),
    ],
)
def test_mistake_in_the_configuration_gets_its_sentence(channels: list[dict[str, object]], sentence: str) -> None:
    """What, which value, where, what to write."""
    with pytest.raises(SettingError, match=sentence):
        load({"channel": channels})


def test_two_chips_of_one_name_are_told_apart_by_what_they_sit_on(tmp_path: Path) -> None:
    """Two boards of one kind on one bus are the rule; their numbers change from start to start, their seats do not."""
    for n, value in ((0, "4000"), (1, "71125")):
        _chip(tmp_path, f"devices/spi0.{n}/iio:device{1 - n}", "max31865", in_temp_input=value)
    (tmp_path / "bus/iio/devices").mkdir(parents=True)
    for n in (0, 1):
        (tmp_path / f"bus/iio/devices/iio:device{1 - n}").symlink_to(tmp_path / f"devices/spi0.{n}/iio:device{1 - n}")
    assert discover(tmp_path) == [("max31865@spi0.0", "in_temp"), ("max31865@spi0.1", "in_temp")]
    seats = [{"probe": f"core-{n}", "chip": f"max31865@spi0.{n}", "channel": "in_temp"} for n in (0, 1)]
    assert [(r.probe, r.celsius) for r in _load(tmp_path, *seats).round() if isinstance(r, Reading)] == [
        ("core-0", 4.0),
        ("core-1", 71.125),
    ]


@pytest.mark.parametrize(
    ("folder", "file", "channel"), [("class/hwmon/hwmon0", "temp1_fault", CORE), ("bus/iio/devices/iio:device0", "fault_oc", CHAMBER)]
)
def test_chip_that_says_its_sensor_is_open_gives_no_number(sys: Path, folder: str, file: str, channel: dict[str, object]) -> None:
    """The value beside it is whatever the converter holds (names of these files from memory of the kernel's documentation)."""
    (sys / folder / file).write_text("0\n")
    assert isinstance(_load(sys, channel).round()[0], Reading)
    (sys / folder / file).write_text("1\n")
    (found,) = _load(sys, channel).round()
    assert isinstance(found, Fault)
    assert (found.reason, found.raw) == ("open or shorted sensor", f"{file} 1")
