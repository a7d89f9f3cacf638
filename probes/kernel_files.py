"""Thermometers that the Linux kernel shows as files: hwmon chips and IIO devices.

hwmon: `temp<N>_input` in millidegrees. IIO: `<channel>_input`, or (`<channel>_raw` + offset) x scale; temperatures in
millidegrees, voltages in mV, resistances in ohm, relative humidity in milli-percent. Numbers of folders change from boot to
boot, so a chip is found by its `name` file; of two with one name, the device that it sits on is named too: "max31865@spi0.1". A
channel with a `raw` table is a bare sensor on an amplifier (`raw_sensor.py`).
Source: Linux kernel documentation, hwmon sysfs-interface and ABI file sysfs-bus-iio; that the offset is added before scaling, and the
unit of humidity, are from memory; so are the files that say that a sensor is open (`temp<N>_fault` of hwmon, `fault_oc` and
`fault_ovuv` of IIO): where one is there and not 0, its value is no temperature.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from probes.clock import Clock, now
from probes.driver import Sink
from probes.errors import RawValueError, SettingError, SourceGone
from probes.polling import Absences, poll
from probes.raw_sensor import Conversion, read_conversion
from probes.settings import Settings
from probes.value import check_celsius, parse_number
from rules.reading import Fault, Reading

SYS = Path("/sys")
_FOLDERS = ("class/hwmon", "bus/iio/devices")
_HWMON = re.compile(r"temp[1-9]\d?")
_IIO = re.compile(r"in_(?P<type>temp|voltage|resistance|humidityrelative)(?:\d+(?:-voltage\d+)?)?(?:_(?:ambient|object))?")


@dataclass(frozen=True)
class Channel:
    """One value of one chip. `convert` is there for a raw sensor, `junction` the channel that gives its terminals' temperature."""

    probe: str
    chip: str
    channel: str
    convert: Conversion | None = None
    junction: str = ""
    span_c: tuple[float, float] = (-200.0, 1400.0)


@dataclass(frozen=True)
class KernelFiles:
    """Channels of this machine's chips, read every `every_s`."""

    name: str
    channels: tuple[Channel, ...]
    sys: Path = SYS
    every_s: float = 1.0
    clock: Clock = now
    _absent: Absences = field(default_factory=Absences, repr=False, compare=False)

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Read every channel until `stop`."""
        poll(self.name, self.every_s, self.round, sink, stop, present="the kernel's files can be read.")

    def round(self) -> Sequence[Reading | Fault]:
        """One reading or fault of each channel. Raises SourceGone where none of the chips is there."""
        chips = find_chips(self.sys)
        if not any(channel.chip in chips for channel in self.channels):
            wanted = ", ".join(sorted({channel.chip for channel in self.channels}))
            raise SourceGone(f"no chip named {wanted} is there; there are {', '.join(sorted(c for c in chips if '@' not in c)) or 'none'}")
        found: list[Reading | Fault] = []
        for channel in self.channels:
            item = self._read(channel, chips.get(channel.chip, []))
            found += self._absent.fault(item) if isinstance(item, Fault) and item.raw == channel.chip else [item]
            if isinstance(item, Reading):
                self._absent.here(channel.probe)
        return found

    def _read(self, channel: Channel, folders: list[Path]) -> Reading | Fault:
        def fault(reason: str, raw: str = channel.chip) -> Fault:
            return Fault(channel.probe, self.clock(), reason, raw)

        if len(folders) != 1:
            return fault(
                "chip not there"
                if not folders
                else f"{len(folders)} chips have this name; write it with its device, as larderer probes shows it"
            )
        try:
            said = sensor_fault(folders[0], channel.channel)
            if said:
                return fault("open or shorted sensor", said)
            value, raw = read_channel(folders[0], channel.channel)
            junction = read_channel(folders[0], channel.junction)[0] if channel.junction else None
        except FileNotFoundError:
            return fault("channel not there")
        except OSError as error:  # ENODATA: switched off; EIO: the chip did not answer
            return fault(f"cannot be read ({error.strerror or error})")
        except RawValueError as error:
            return fault(str(error), "")
        if channel.convert is None:
            celsius: float | str = check_celsius(value, channel.span_c)
        else:
            try:
                celsius = check_celsius(channel.convert(value, junction), channel.span_c)
            except RawValueError as error:
                celsius = str(error)
        return fault(celsius, raw) if isinstance(celsius, str) else Reading(channel.probe, self.clock(), celsius)


def find_chips(sys: Path = SYS) -> dict[str, list[Path]]:
    """Every hwmon chip and IIO device with its folders, by the name that the kernel gives it, alone and with the device it sits on.

    Two of one name are two folders under the name alone, and one each under `name@device`.
    """
    found: dict[str, list[Path]] = {}
    for folder in _FOLDERS:
        if not (sys / folder).is_dir():
            continue
        for device in sorted((sys / folder).iterdir()):
            try:
                name = (device / "name").read_text(encoding="utf-8").strip()
            except (OSError, UnicodeDecodeError):
                continue
            found.setdefault(name, []).append(device)
            found.setdefault(f"{name}@{_seat(device)}", []).append(device)
    return found


def _seat(device: Path) -> str:
    """What a chip sits on ("spi0.1", "1-0048"): the same at each start, unlike the number of its folder."""
    link = device / "device"
    return link.resolve().name if link.exists() else device.resolve().parent.name


def sensor_fault(folder: Path, channel: str) -> str:
    """What a chip's own file says about an open or shorted sensor; blank where it says nothing, or has no such file."""
    names = (f"{channel}_fault",) if _HWMON.fullmatch(channel) else ("fault_oc", "fault_ovuv")
    for name in names:
        if (folder / name).exists():
            text = _text(folder / name)
            if text not in ("0", ""):
                return f"{name} {text}"
    return ""


def read_channel(folder: Path, channel: str) -> tuple[float, str]:
    """A channel's value in °C, mV, ohm or per cent, and the text it came from. Raises OSError, or RawValueError for what is no number."""
    if _HWMON.fullmatch(channel):
        text = _text(folder / f"{channel}_input")
        return _number(text) / 1000.0, text
    match = _IIO.fullmatch(channel)
    if match is None:
        raise RawValueError(f"channel {channel!r} is none that is read")
    thousandths = 1000.0 if match["type"] in ("temp", "humidityrelative") else 1.0
    scaled = folder / f"{channel}_input"
    if scaled.exists():
        text = _text(scaled)
        return _number(text) / thousandths, text
    text = _text(folder / f"{channel}_raw")
    offset, scale = _shared(folder, channel, match["type"], "offset", 0.0), _shared(folder, channel, match["type"], "scale", 1.0)
    return (_number(text) + offset) * scale / thousandths, text


def _shared(folder: Path, channel: str, kind: str, what: str, default: float) -> float:
    """A channel's own offset or scale, or that of all channels of its type."""
    for name in (f"{channel}_{what}", f"in_{kind}_{what}"):
        if (folder / name).exists():
            return _number(_text(folder / name))
    return default


def _text(path: Path) -> str:
    return path.read_text(encoding="ascii", errors="replace").strip()


def _number(text: str) -> float:
    value = parse_number(text)
    if value is None:
        raise RawValueError(f"{text[:40]!r} is no number")
    return value


def load(config: Mapping[str, object]) -> KernelFiles:
    """Chips from their `[[source]]` table.

    `channel`: a list of tables, each with `probe`, `chip` (its name file), `channel` ("temp1" of hwmon; "in_temp", "in_voltage0",
    "in_resistance0", "in_humidityrelative" of IIO), and for a bare sensor `raw` = { sensor = "Pt1000" } and `junction`, the channel of its
    terminals. `every_s` 1; `sys`, another folder than /sys.
    """
    s = Settings(config, "source kernel")
    channels = tuple(_channel(table) for table in s.tables("channel"))
    if not channels:
        raise SettingError(
            'source kernel: channel is missing; write [[source.channel]] with probe = "core-1", chip = "max31865", channel = "in_temp"'
        )
    probes = [channel.probe for channel in channels]
    if len(set(probes)) < len(probes):
        raise SettingError(f"source kernel: probe {max(probes, key=probes.count)!r} is fed by two channels; give each its own")
    driver = KernelFiles(s.text("name", "kernel files"), channels, Path(s.text("sys", str(SYS))), s.number("every_s", 1.0, 0.1, 3600.0))
    s.done()
    return driver


def _channel(s: Settings) -> Channel:
    probe, chip = s.text("probe", want="the probe's id"), s.text("chip", want='the chip\'s name, such as "max31865"')
    channel, junction = s.text("channel", want='the channel, such as "temp1" or "in_temp"'), s.text("junction", "")
    convert, needs_junction = None, False
    raw = s.table("raw")
    if raw is not None:
        convert, needs_junction = read_conversion(raw)
    span = (s.number("lowest_c", -200.0, -273.15, 1400.0), s.number("highest_c", 1400.0, -273.15, 1400.0))
    s.done()
    for key, value in (("channel", channel), ("junction", junction)):
        if value and not _HWMON.fullmatch(value) and not _IIO.fullmatch(value):
            raise SettingError(f"{s.where}: {key} is {value!r}; write temp1, in_temp, in_voltage0, in_resistance0 or in_humidityrelative")
    if convert is None and ("voltage" in channel or "resistance" in channel):
        raise SettingError(f'{s.where}: {channel} is no temperature; write raw = {{ sensor = "Pt1000" }} with the sensor that hangs on it')
    if needs_junction != bool(junction):
        what = "the terminals' temperature is not known; write junction or raw.cold_junction_c" if needs_junction else "junction has no use"
        raise SettingError(f"{s.where}: {what}")
    return Channel(probe, chip, channel, convert, junction, span)


def discover(sys: Path = SYS) -> list[tuple[str, str]]:
    """Every chip and channel that gives a temperature: (chip, channel)."""
    found = []
    chips = find_chips(sys)
    for chip, folders in sorted(chips.items()):
        name, at, _ = chip.partition("@")
        if bool(at) != (len(chips.get(name, ())) > 1):
            continue  # the short name where it is enough, the long one where it is not
        for folder in folders:
            for file in sorted(folder.iterdir()):
                channel, _, what = file.name.rpartition("_")
                iio = _IIO.fullmatch(channel)
                if what in ("input", "raw") and (_HWMON.fullmatch(channel) or (iio and iio["type"] in ("temp", "humidityrelative"))):
                    found.append((chip, channel))
    return list(dict.fromkeys(found))
