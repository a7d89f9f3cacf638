"""When the certificates that this site holds end: a broker that refuses one is a plant without readings."""

from __future__ import annotations

from pathlib import Path
from typing import Final, NamedTuple

from monitor.config import Config
from rules.quantity import format_instant, from_datetime
from rules.reading import HOUR, Instant, Span

#: A new one takes days to come (our choice).
AHEAD: Final[Span] = 30 * 24 * HOUR


class Ending(NamedTuple):
    """A certificate that ends soon or has ended."""

    name: str
    at: Instant
    text: str


def ending(config: Config, now: Instant) -> list[Ending]:
    """The certificates of the configuration that end within a month; a file with several ends with the first of them."""
    found = []
    for file in held(config):
        at = end_of(file)
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
    """When the first certificate of a PEM file ends; None where there is none to be read (the connection tells of that)."""
    from cryptography import x509

    try:
        all_of_them = x509.load_pem_x509_certificates(file.read_bytes())
    except (OSError, ValueError):
        return None
    return min((from_datetime(one.not_valid_after_utc) for one in all_of_them), default=None)
