"""What every driver is: a thing with a name that runs in its own thread and hands Readings and Faults to a Sink.

A driver module is a pure decoder, a thin loop, and `load(config)` at its end. A driver keeps nothing, fills no
gap and smooths nothing. It reconnects by itself, waiting longer each time, with jitter so that ten sources that
lost the same switch do not all come back in the same instant.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future
from importlib import import_module
from typing import Any, Protocol, cast

from probes.errors import SettingError
from rules.reading import Fault, Reading

#: Driver names as the configuration writes them, and the module whose `load` makes one.
DRIVERS: Mapping[str, str] = {
    "serial": "probes.serial_text",
    "mqtt": "probes.mqtt",
    "modbus": "probes.modbus",
    "scpi": "probes.scpi",
    "bluetooth": "probes.bluetooth",
    "opcua": "probes.opcua",
    "onewire": "probes.onewire",
    "kernel": "probes.kernel_files",
    "folder": "probes.folder",
    "csv": "probes.csv_replay",
    "simulator": "probes.simulator",
}


class Sink(Protocol):
    """Where drivers put what they read."""

    def readings(self, items: Sequence[Reading | Fault]) -> Future[Any]:
        """Take some items; blocks while the queue is full. The future is done once they are durable, and fails if they never will be."""
        ...

    def state(self, source: str, connected: bool, text: str) -> None:
        """Hear that a source came or went; `text` is one sentence for people. A replay that has come to its end is no outage."""
        ...


class Driver(Protocol):
    """A source of readings. `name` is what people call it in messages."""

    name: str

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Read until `stop` is set; blocking, in its own thread, reconnecting by itself."""
        ...


def load(driver: str, config: Mapping[str, object]) -> Driver:
    """Make the driver that a `[[source]]` table asks for; raises SettingError in one sentence."""
    module = DRIVERS.get(driver)
    if module is None:
        raise SettingError(f"source: driver is {driver!r}; write one of {', '.join(DRIVERS)}")
    return cast(Driver, import_module(module).load(config))


def sends_again(driver: Driver) -> bool:
    """Whether what this driver hands over and is refused comes again: it waits for the acknowledgement, and nothing is lost."""
    return bool(getattr(driver, "SENDS_AGAIN", False))


def own_sources(driver: Driver) -> Mapping[str, str]:
    """For each probe whose outage this driver tells under another name than its own (a device of many): that name."""
    return cast(Mapping[str, str], getattr(driver, "own_sources", {}))


def backoff(first_s: float = 0.5, most_s: float = 30.0, seed: int | None = None) -> Iterator[float]:
    """Seconds to wait before each next try: doubling from `first_s` to `most_s`, each drawn from its upper half."""
    draw = random.Random(seed)
    wait = first_s
    while True:
        yield wait * (0.5 + 0.5 * draw.random())
        wait = min(wait * 2.0, most_s)


def tell_if_lost(future: Future[object], sink: Sink, source: str) -> None:
    """Say it, if what was handed over cannot be stored: a source that is not asked twice will not send it again."""

    def done(ended: Future[object]) -> None:
        if ended.cancelled() or ended.exception() is not None:
            why = "cancelled" if ended.cancelled() else ended.exception()
            sink.state(source, True, f"{source}: readings were not stored ({why}).")

    future.add_done_callback(done)
