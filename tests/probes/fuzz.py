"""A coverage-guided fuzz run over every decoder: `python -m tests.probes.fuzz -max_total_time=60 CORPUS`.

The first byte chooses the format, the others are its message. The options are libFuzzer's.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["probes"]):
    import probes.gatt
    import probes.lines
    import probes.logger_rows
    import probes.modbus
    import probes.mqtt_payload
    import probes.nmea
    import probes.onewire
    import probes.push
    import probes.scpi
    import probes.senml
    import probes.value  # noqa: F401

from tests.probes.decoders import FORMATS, check

_FORMATS = list(FORMATS.values())


def one(data: bytes) -> None:
    """One input; an assertion or any exception ends the run and keeps the input."""
    if data:
        check(_FORMATS[data[0] % len(_FORMATS)], data[1:])


def seed(folder: Path) -> None:
    """Put every sample into the corpus, good and broken."""
    for number, form in enumerate(_FORMATS):
        for n, data in enumerate([*(good for good, _ in form.good), *form.broken]):
            (folder / f"seed-{number}-{n}").write_bytes(bytes([number]) + data)


if __name__ == "__main__":
    for argument in sys.argv[1:]:
        if not argument.startswith("-") and Path(argument).is_dir():
            seed(Path(argument))
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
