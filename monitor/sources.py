"""The sources that are configured: their drivers, which probe is heard through which, and which are gone.

A probe whose source is gone is no trouble of its own.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from types import MappingProxyType
from typing import Any

from monitor.config import Config, Mqtt, Source
from probes.driver import Driver, Sink, load
from rules.reading import Fault, Reading


class Sources:
    """What the drivers have said of themselves. Written by their threads, read by the writer's: one plain value at a time."""

    def __init__(self) -> None:
        self.connected: dict[str, bool] = {}
        self._of_probe: dict[str, str] = {}
        self._own: dict[str, str] = {}

    def gone(self, probe: str) -> str:
        """The name of this probe's own source, or of the one that it was last heard through, where that is gone; else ""."""
        sources = self._own.get(probe), self._of_probe.get(probe)
        return next((source for source in sources if source and self.connected.get(source) is False), "")

    def through(self, source: str, sink: Sink, own: Mapping[str, str] = MappingProxyType({})) -> Sink:
        """A sink for one source that remembers which probes come through it. `own`: the probes that have a source of their own in it."""
        self._own |= own
        return _Through(source, sink, self._of_probe.__setitem__)


class _Through:
    def __init__(self, source: str, sink: Sink, heard: Callable[[str, str], None]) -> None:
        self._source, self._sink, self._heard = source, sink, heard

    def readings(self, items: Sequence[Reading | Fault]) -> Future[Any]:
        """Take some items."""
        for item in items:
            self._heard(item.probe, self._source)
        return self._sink.readings(items)

    def state(self, source: str, connected: bool, text: str) -> None:
        """Hear that a source came or went."""
        self._sink.state(source, connected, text)


def make_drivers(config: Config, site: str) -> list[Driver]:
    """The driver of every source that is configured, and the one of the broker."""
    drivers = [load(s.driver, source_options(config, s)) for s in config.sources if s.driver != "mqtt"]
    if config.mqtt is not None:
        drivers.append(load("mqtt", mqtt_options(config.mqtt, site)))
    return drivers


def mqtt_options(mqtt: Mqtt, site: str) -> dict[str, object]:
    """The configuration's [mqtt] as the MQTT driver takes it."""
    options: dict[str, object] = {"site": site, "host": mqtt.host, "port": mqtt.port, "topic": [dict(t) for t in mqtt.topics]}
    if mqtt.username:
        options["username"] = mqtt.username
    if mqtt.password is not None:
        options["password"] = mqtt.password.reveal()
    if mqtt.tls_ca is not None:
        options["tls_ca"] = str(mqtt.tls_ca)
    if mqtt.tls_cert is not None and mqtt.tls_key is not None:
        options["tls_cert"], options["tls_key"] = str(mqtt.tls_cert), str(mqtt.tls_key)
    return options


def source_options(config: Config, source: Source) -> dict[str, object]:
    """A source's keys as its driver takes them: paths from the configuration's folder, and a folder's positions beside the store."""
    options = dict(source.options)
    for key in ("password_file", "folder", "file"):
        if isinstance(options.get(key), str) and source.driver != "onewire":
            options[key] = str(config.path.parent / str(options[key]))
    if source.driver == "folder" and "positions" not in options:
        what = f"{options.get('folder')} {options.get('files', '*.csv')}"
        options["positions"] = str(config.data / f"positions-{hashlib.sha256(what.encode()).hexdigest()[:12]}.json")
    return options
