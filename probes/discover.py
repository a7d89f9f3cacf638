"""Serial ports that this machine has, so that people need not guess a device's name. What is said on them is not looked at."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from serial.tools import list_ports


class Port(NamedTuple):
    """One serial port. `stable` is a path that stays the same when other adapters come and go; blank if there is none."""

    device: str
    stable: str
    text: str


def serial_ports(by_id: Path = Path("/dev/serial/by-id")) -> list[Port]:
    """Every serial port with its description, sorted by device."""
    stable = {str(link.resolve()): str(link) for link in sorted(by_id.iterdir())} if by_id.is_dir() else {}
    found = sorted(list_ports.comports(), key=lambda port: str(port.device))
    return [Port(port.device, stable.get(port.device, ""), port.description if port.description != "n/a" else "") for port in found]
