"""What this machine can hear and no source is configured for: devices, chips, ports and topics, each with a value where there is one."""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.config import Config, Mqtt, Source
from probes import kernel_files, onewire
from probes.discover import serial_ports
from probes.driver import load
from probes.errors import ProbeError
from probes.lines import printable
from rules.reading import Fault, Reading

#: So many topics are shown; a broker may have thousands.
MOST_TOPICS = 100


@dataclass(frozen=True)
class Found:
    """One thing that could feed a probe. `id` names it on the command line; `options` are its `[[source]]` or topic without the probe.

    `says` is what it reads now, as text for people; blank where that cannot be known without knowing its form.
    """

    driver: str
    id: str
    says: str = ""
    options: Mapping[str, object] = field(default_factory=dict)

    def source(self, probe: str, more: Mapping[str, object]) -> dict[str, object]:
        """The table to write for `probe`, with further keys that a person gave."""
        options = {**self.options, **more}
        where = self.id.partition(":")[2]
        if self.driver == "onewire":
            return {"driver": "onewire", "name": f"1-Wire {where}", **options, "sensors": {where: probe}}
        if self.driver == "kernel":
            chip, _, channel = where.rpartition("/")
            return {"driver": "kernel", "name": where, **options, "channel": [{"probe": probe, "chip": chip, "channel": channel}]}
        if self.driver == "serial":
            return {"driver": "serial", "port": where, "probe": probe, **options}
        return {"topic": where, "probe": probe, **options}


class Collector:
    """A Sink that keeps the newest item of each probe and counts faults; nothing is stored."""

    def __init__(self) -> None:
        self.newest: dict[str, Reading | Fault] = {}
        self.heard_s: dict[str, float] = {}
        self.faults: dict[str, int] = {}
        self.states: dict[str, str] = {}

    def readings(self, items: Sequence[Reading | Fault]) -> Future[Any]:
        """Keep what is newest."""
        for item in items:
            self.newest[item.probe] = item
            self.heard_s[item.probe] = time.monotonic()
            if isinstance(item, Fault):
                self.faults[item.probe] = self.faults.get(item.probe, 0) + 1
        done: Future[Any] = Future()
        done.set_result(None)
        return done

    def state(self, source: str, connected: bool, text: str) -> None:
        """Keep what a source last said of itself."""
        self.states[source] = text


def listen(driver: str, options: Mapping[str, object], probe: str, seconds: float) -> tuple[Reading | Fault | None, str]:
    """What a source says of `probe` within some seconds, and what it says of itself; ends with the first reading. Raises ProbeError."""
    source, sink, stop = load(driver, options), Collector(), threading.Event()
    thread = threading.Thread(target=source.run, args=(sink, stop), daemon=True)
    thread.start()
    end = time.monotonic() + seconds
    try:
        while time.monotonic() < end and thread.is_alive() and not isinstance(sink.newest.get(probe), Reading):
            time.sleep(0.02)
        said = next(iter(sink.states.values()), "")
    finally:
        stop.set()
        thread.join(5)
    return sink.newest.get(probe), said


def machine(sources: Sequence[Source], sys: Path = kernel_files.SYS, devices: Path = onewire.DEVICES) -> list[Found]:
    """What is on this machine and no source names: 1-Wire sensors, chips' channels, serial ports."""
    used = " ".join(json.dumps(dict(source.options), default=str) for source in sources)
    found: list[Found] = []
    for device in onewire.discover(devices):
        if device not in used:
            place = {} if devices == onewire.DEVICES else {"devices": str(devices)}
            found.append(Found("onewire", f"onewire:{device}", _first("onewire", {"sensors": {device: "?"}, **place}), place))
    for chip, channel in kernel_files.discover(sys):
        if not _has_channel(sources, chip, channel):
            place = {} if sys == kernel_files.SYS else {"sys": str(sys)}
            table = {"channel": [{"probe": "?", "chip": chip, "channel": channel}], **place}
            found.append(Found("kernel", f"kernel:{chip}/{channel}", _first("kernel", table), place))
    for port in serial_ports():
        path = port.stable or port.device
        if path not in used and port.device not in used:
            found.append(Found("serial", f"serial:{path}", port.text))
    return found


def _has_channel(sources: Sequence[Source], chip: str, channel: str) -> bool:
    tables = [t for s in sources if s.driver == "kernel" for t in _tables(s.options.get("channel"))]
    return any((t.get("chip"), t.get("channel")) == (chip, channel) for t in tables)


def _tables(value: object) -> list[Mapping[str, object]]:
    return [t for t in value if isinstance(t, Mapping)] if isinstance(value, list) else []


def _first(driver: str, options: Mapping[str, object]) -> str:
    """One round of a source that answers when it is asked, as text."""
    try:
        source: Any = load(driver, options)
        items = source.round()
    except ProbeError as error:
        return str(error)
    return said(items[0]) if items else ""


def said(item: Reading | Fault) -> str:
    """An item in °C, since a source that nobody has placed has no unit of the site's yet."""
    return f"{item.celsius:.2f} °C{' (suspect)' if item.suspect else ''}" if isinstance(item, Reading) else f"fault: {item.reason}"


def topics(mqtt: Mqtt | None, seconds: float) -> tuple[list[Found], str]:
    """Topics on which something was published while we listened and that no source takes, and a sentence where the broker does not let us.

    Listens under a name of its own that keeps no session, and takes in at most MOST_TOPICS.
    """
    if mqtt is None:
        return [], ""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    seen: dict[str, str] = {}
    trouble: list[str] = []
    known = {str(entry.get("topic")) for entry in mqtt.topics}

    def on_message(_client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        if message.topic not in known and (message.topic in seen or len(seen) < MOST_TOPICS):
            seen[message.topic] = printable(bytes(message.payload[:80])) + (" (retained, age unknown)" if message.retain else "")

    def on_connect(client: paho.Client, _data: Any, _flags: Any, code: Any, _properties: Any) -> None:
        if code.is_failure:
            trouble.append(f"refused: {code}")
        else:
            client.subscribe("#", 0)

    client = paho.Client(
        CallbackAPIVersion.VERSION2, f"larderer-look-{secrets.token_hex(4)}", clean_session=True, reconnect_on_failure=False
    )
    client.connect_timeout = min(seconds + 1.0, 5.0)
    client.on_connect, client.on_message = on_connect, on_message
    if mqtt.username:
        client.username_pw_set(mqtt.username, mqtt.password.reveal() if mqtt.password is not None else None)
    try:
        if mqtt.tls_ca is not None:
            cert, key = (str(f) if f is not None else None for f in (mqtt.tls_cert, mqtt.tls_key))
            client.tls_set(str(mqtt.tls_ca), cert, key)
        client.connect(mqtt.host, mqtt.port)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        return [], f"The broker at {mqtt.host}:{mqtt.port} cannot be asked ({why})."
    client.loop_start()
    end = time.monotonic() + seconds
    while time.monotonic() < end and not trouble:
        time.sleep(0.05)
    client.disconnect()
    client.loop_stop()
    if trouble:
        return [], f"The broker at {mqtt.host}:{mqtt.port} cannot be asked ({trouble[0]})."
    return [Found("mqtt", f"mqtt:{topic}", payload) for topic, payload in sorted(seen.items())], ""


def everything(config: Config, seconds: float) -> tuple[list[Found], str]:
    """Everything found, and a sentence about what could not be asked."""
    heard, trouble = topics(config.mqtt, seconds)
    return machine(config.sources) + heard, trouble
