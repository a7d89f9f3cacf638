"""1-Wire thermometers through the Linux kernel's files (w1_therm).

Reading a sensor's `w1_slave` makes it convert, which takes up to 750 ms. The file gives the nine bytes of the sensor's memory and the
kernel's verdict on their checksum; where that is NO, `t=` was computed from bad bytes beside the last good ones, so it is never used.
The checksum is computed here once more. 85 °C with byte 6 = 0C is the value a sensor holds before its first conversion: an error code.
Without those bytes (`temperature` file) 85 °C cannot be told from it and is marked suspect.
Source: Linux kernel documentation, w1_therm, and its ABI file sysfs-driver-w1_therm.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from probes.clock import Clock, now
from probes.driver import Sink
from probes.errors import SettingError, SourceGone
from probes.polling import Absences, poll
from probes.settings import Settings
from rules.reading import Fault, Instant, Reading

DEVICES = Path("/sys/bus/w1/devices")
#: Families with a temperature: DS18S20, DS1822, DS18B20, DS1825, DS28EA00.
FAMILIES = ("10", "22", "28", "3b", "42")
SPAN_C = (-55.0, 125.0)
_POWER_ON_C = 85.0
_POWER_ON_BYTE = 0x0C
_DEVICE = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}")
_LINE_1 = re.compile(r"(?P<bytes>(?:[0-9a-f]{2} ){8}[0-9a-f]{2}) : crc=(?P<crc>[0-9a-f]{2}) (?P<verdict>YES|NO)")
_LINE_2 = re.compile(r"(?P<bytes>(?:[0-9a-f]{2} ){8}[0-9a-f]{2}) t=(?P<t>-?\d{1,6})")


def crc8(data: bytes) -> int:
    """The 1-Wire checksum (polynomial x^8 + x^5 + x^4 + 1, reflected); over all nine bytes it is 0 where they are whole."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def decode_w1_slave(text: str, probe: str, at: Instant) -> Reading | Fault:
    """What a whole `w1_slave` file says: a reading in °C, or a fault with the raw text."""
    raw = text.strip().replace("\n", " | ")[:200]

    def fault(reason: str) -> Fault:
        return Fault(probe, at, reason, raw)

    lines = text.splitlines()
    if not text.endswith("\n") or len(lines) != 2:
        return fault("cut off" if lines else "no value")
    first, second = _LINE_1.fullmatch(lines[0]), _LINE_2.fullmatch(lines[1])
    if first is None or second is None:
        return fault("not a w1_slave file")
    held = bytes.fromhex(first["bytes"])
    if first["verdict"] != "YES" or crc8(held) != 0:
        return fault("checksum")
    if first["bytes"] != second["bytes"]:
        return fault("checksum")
    if held[4] == 0:
        return fault("short circuit on the data line")  # all zeros have a good checksum, and no sensor has a zero there
    celsius = int(second["t"]) / 1000.0
    if held[6] == _POWER_ON_BYTE and (celsius == _POWER_ON_C or celsius > SPAN_C[1]):
        return fault("power-on value, no conversion was made")
    if not SPAN_C[0] <= celsius <= SPAN_C[1]:
        return fault("out of the sensor's span")
    return Reading(probe, at, celsius)


def decode_temperature(text: str, probe: str, at: Instant) -> Reading | Fault:
    """What a `temperature` file says, in millidegrees; empty while a bulk conversion still runs."""
    body = text.strip()
    if not re.fullmatch(r"-?\d{1,6}", body) or not text.endswith("\n"):
        return Fault(probe, at, "no value" if not body else "cut off" if re.fullmatch(r"-?\d{1,6}", body) else "not a number", body[:200])
    celsius = int(body) / 1000.0
    if not SPAN_C[0] <= celsius <= SPAN_C[1]:
        return Fault(probe, at, "out of the sensor's span", body)
    doubt = "85 °C may be the value before the first conversion" if celsius == _POWER_ON_C else ""
    return Reading(probe, at, celsius, 0.0, doubt)


@dataclass(frozen=True)
class OneWire:
    """The sensors of every 1-Wire bus of this machine. `sensors` maps device ("28-00000abcdef0") to probe."""

    name: str
    sensors: Mapping[str, str]
    devices: Path = DEVICES
    every_s: float = 2.0
    file: str = "w1_slave"
    clock: Clock = now
    _absent: Absences = field(default_factory=Absences, repr=False, compare=False)

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Read each sensor in turn until `stop`."""
        poll(self.name, self.every_s, lambda: self.round(stop), sink, stop, present=f"1-Wire sensors answer under {self.devices}.")

    def round(self, stop: threading.Event | None = None) -> Sequence[Reading | Fault]:
        """One reading or fault of each sensor. Raises SourceGone where the kernel has no 1-Wire bus."""
        if not self.devices.is_dir():
            raise SourceGone(f"{self.devices} is not there; load the kernel's w1 modules and check the bus master")
        found: list[Reading | Fault] = []
        for device, probe in self.sensors.items():
            if stop is not None and stop.is_set():
                break
            try:
                text = (self.devices / device / self.file).read_text(encoding="ascii")
            except FileNotFoundError:
                found += self._absent.fault(Fault(probe, self.clock(), "sensor not on the bus", device))
                continue
            except (OSError, UnicodeDecodeError) as error:
                why = error.strerror if isinstance(error, OSError) and error.strerror else "not text"
                found += self._absent.fault(Fault(probe, self.clock(), f"cannot be read ({why})", device))
                continue
            self._absent.here(probe)
            decode = decode_w1_slave if self.file == "w1_slave" else decode_temperature
            found.append(decode(text, probe, self.clock()))
        return found


def load(config: Mapping[str, object]) -> OneWire:
    """1-Wire sensors from their `[[source]]` table.

    `sensors` = { "28-00000abcdef0" = "core-1" }; `every_s` 2; `file` "w1_slave" (bytes and checksum) or "temperature"; `devices`, another
    folder than /sys/bus/w1/devices.
    """
    s = Settings(config, "source onewire")
    sensors = s.names("sensors")
    if not sensors:
        raise SettingError('source onewire: sensors is missing; write sensors = { "28-00000abcdef0" = "core-1" }')
    for device in sensors:
        if not _DEVICE.fullmatch(device):
            raise SettingError(f"source onewire: sensor {device!r} is no 1-Wire device; write its folder's name, such as 28-00000abcdef0")
        if device[:2] not in FAMILIES:
            raise SettingError(f"source onewire: sensor {device} is no thermometer; families with a temperature are {', '.join(FAMILIES)}")
    if len(set(sensors.values())) < len(sensors):
        raise SettingError("source onewire: two sensors feed one probe; give each its own")
    driver = OneWire(
        name=s.text("name", "1-Wire"),
        sensors=sensors,
        devices=Path(s.text("devices", str(DEVICES))),
        every_s=s.number("every_s", 2.0, 0.1, 3600.0),
        file=s.choice("file", ("w1_slave", "temperature"), "w1_slave"),
    )
    s.done()
    return driver


def discover(devices: Path = DEVICES) -> list[str]:
    """The thermometers that the kernel sees on its 1-Wire buses."""
    if not devices.is_dir():
        return []
    return sorted(d.name for d in devices.iterdir() if _DEVICE.fullmatch(d.name) and d.name[:2] in FAMILIES)
