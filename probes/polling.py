"""The loop of every source that speaks only when it is asked: a kernel's files, a register, a query.

A round asks everything once. Rounds start every `every_s`; one that took longer is followed at once, and what was missed is not made up
for. A source that is gone as a whole raises SourceGone: it is told once, tried again with growing pauses, and told once when it is back.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

from probes.driver import Sink, backoff, tell_if_lost
from probes.errors import SourceGone
from rules.reading import MINUTE, Fault, Instant, Reading

Round = Callable[[], Sequence[Reading | Fault]]


def poll(name: str, every_s: float, ask: Round, sink: Sink, stop: threading.Event, *, present: str) -> None:
    """Ask until `stop`. `present` is the sentence said when the source answers; `ask` raises SourceGone where nothing answers."""
    waits, told, answering = backoff(), "", False
    due = time.monotonic()
    while not stop.is_set():
        try:
            items = ask()
        except SourceGone as gone:
            text = f"{name}: {gone}"
            if text != told:
                sink.state(name, False, text)
                told, answering = text, False
            stop.wait(next(waits))
            due = time.monotonic()
            continue
        if not answering:
            sink.state(name, True, f"{name}: {present}")
            waits, told, answering = backoff(), "", True
        if items:
            tell_if_lost(sink.readings(items), sink, name)
        due = max(due + every_s, time.monotonic())
        stop.wait(due - time.monotonic())
    if answering:
        sink.state(name, False, f"{name}: asked no more.")


class Absences:
    """Faults of a probe that is simply not there: one when it goes, and one a minute while it stays away, not one a round."""

    def __init__(self) -> None:
        self._told: dict[str, tuple[str, Instant]] = {}

    def fault(self, fault: Fault) -> list[Fault]:
        """The fault, or nothing where the same one was told within the last minute."""
        told = self._told.get(fault.probe)
        if told is not None and told[0] == fault.reason and 0 <= fault.at - told[1] < MINUTE:
            return []
        self._told[fault.probe] = (fault.reason, fault.at)
        return [fault]

    def here(self, probe: str) -> None:
        """The probe answered."""
        self._told.pop(probe, None)
