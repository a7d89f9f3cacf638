"""When the certificates that this site holds end: a broker that refuses one is a plant without readings.

    python -m monitor.certificates FILE...    prints one JSON list, an instant for each file, or null

What reads a certificate takes 7 MB, for an answer that changes once a year: the service has it read by a process that ends.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from monitor.config import Config
from monitor.log import get_logger
from rules.quantity import format_instant, from_datetime
from rules.reading import HOUR, Instant, Span

#: A new one takes days to come (our choice).
AHEAD: Final[Span] = 30 * 24 * HOUR
#: The process that reads may take this long on a busy board; one that failed is tried again after as long.
_PATIENCE_S: Final = 120.0

log = get_logger(__name__)


class Ending(NamedTuple):
    """A certificate that ends soon or has ended."""

    name: str
    at: Instant
    text: str


class Ends:
    """The ends of files as last read. They are read again when a file changes: by a process of its own, for which nobody waits."""

    def __init__(self) -> None:
        self._read: dict[Path, tuple[int, ...]] = {}
        self._ends: Mapping[Path, Instant | None] = {}
        self._reading: threading.Thread | None = None
        self._not_before = 0.0

    def of(self, files: Sequence[Path]) -> Mapping[Path, Instant | None]:
        """What is known by now, None for a file without a certificate; nothing yet of a file that is still to be read."""
        now = {file: _stamp(file) for file in files}
        if now != self._read and (self._reading is None or not self._reading.is_alive()) and time.monotonic() >= self._not_before:
            self._reading = threading.Thread(target=self._look, args=(now,), name="certificates", daemon=True)
            self._reading.start()
        return self._ends

    def _look(self, stamps: dict[Path, tuple[int, ...]]) -> None:
        try:
            command = [sys.executable, "-m", "monitor.certificates", *map(str, stamps)]
            said = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_PATIENCE_S, check=True).stdout
            self._ends, self._read = dict(zip(stamps, json.loads(said), strict=True)), stamps
        except (OSError, ValueError, subprocess.SubprocessError) as error:
            self._not_before = time.monotonic() + _PATIENCE_S
            log.error("certificates", text=f"the certificates could not be read: {type(error).__name__}: {error}")


def ending(ends: Mapping[Path, Instant | None], config: Config, now: Instant) -> list[Ending]:
    """The certificates that end within a month; a file with several ends with the first of them."""
    found = []
    for file, at in ends.items():
        if at is not None and at - now <= AHEAD:
            lost = "no phone opens the page" if file == config.server.tls_cert else "the broker's readings do not come"
            text = f"{file} is valid until {format_instant(at)}. After that {lost}."
            found.append(Ending(file.name, at, text))
    return found


def held(config: Config) -> list[Path]:
    """The certificate files that the configuration names."""
    files = (config.mqtt.tls_ca, config.mqtt.tls_cert, config.mqtt.broker_cert) if config.mqtt is not None else ()
    return [file for file in (*files, config.server.tls_cert) if file is not None]


def end_of(file: Path) -> Instant | None:
    """When the first certificate of a PEM file ends; None where there is none to be read (the connection tells of that). See `Ends`."""
    from cryptography import x509

    try:
        all_of_them = x509.load_pem_x509_certificates(file.read_bytes())
    except (OSError, ValueError):
        return None
    return min((from_datetime(one.not_valid_after_utc) for one in all_of_them), default=None)


def _stamp(file: Path) -> tuple[int, ...]:
    """What changes with a file, and with who may read it (inode(7), st_ctim); nothing where there is none."""
    try:
        found = file.stat()
    except OSError:
        return ()
    return found.st_ino, found.st_size, found.st_ctime_ns


if __name__ == "__main__":
    print(json.dumps([end_of(Path(name)) for name in sys.argv[1:]]))
