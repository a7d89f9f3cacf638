"""Which source each probe is heard through, and which sources are gone: a probe whose source is gone is no trouble of its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Any

from probes.driver import Sink
from rules.reading import Fault, Reading


class Sources:
    """What the drivers have said of themselves. Written by their threads, read by the writer's: one plain value at a time."""

    def __init__(self) -> None:
        self.connected: dict[str, bool] = {}
        self._of_probe: dict[str, str] = {}

    def gone(self, probe: str) -> str:
        """The name of the source that this probe was last heard through, where that is gone; else ""."""
        source = self._of_probe.get(probe, "")
        return source if source and self.connected.get(source) is False else ""

    def through(self, source: str, sink: Sink) -> Sink:
        """A sink for one source that remembers which probes come through it."""
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
