"""What goes wrong before a reading is stored: a source that leaves, items that are lost, a store that cannot be written.

It is logged at once, and recorded and rung as soon as the store takes it; `monitor/emergency.py` rings meanwhile.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from sqlalchemy import Connection

from monitor import ledger
from monitor.alarms import causes
from monitor.alarms.alarms import Alarms
from monitor.errors import StoreError
from monitor.log import get_logger
from monitor.sources import Sources
from monitor.store.writer import Writer
from monitor.until_stored import UntilStored
from rules.reading import Instant

log = get_logger(__name__)
#: So many of the newest comings and goings of a source are kept for the record while the store cannot be written.
_STATES = 100


class IntakeTrouble:
    """Hears the intake and the threads of the sources; `write` at every tick. What comes after `stop` is logged only."""

    def __init__(self, writer: Writer, alarms: Alarms, sources: Sources, clock: Callable[[], Instant], stop: threading.Event) -> None:
        self._writer, self._alarms, self._sources, self._clock, self._stop = writer, alarms, sources, clock, stop
        self._losses = UntilStored(writer.submit, self._record_loss, lambda older, newer: (older[0], older[1] + newer[1], newer[2]))
        self._states = UntilStored(writer.submit, self._record_states, lambda older, newer: (*older, *newer)[-_STATES:])

    def source(self, source: str, connected: bool, text: str) -> None:
        """A source came or went."""
        log.info("source", source=source, connected=connected, text=text)
        self._sources.connected[source] = connected
        if not self._stop.is_set():
            self._states.add(source, ((self._clock(), connected, text),))

    def lost(self, items: int, text: str) -> None:
        """So many items could not be taken in."""
        log.error("readings lost", items=items, text=text)
        self._losses.add("lost", (self._clock(), items, text))

    def store(self, error: StoreError | None) -> None:
        """The store cannot be written, or can again."""
        if error is not None:
            log.error("store", text=str(error))
            return
        log.info("store", text="records are being kept again")
        self.write()
        now = self._clock()
        body = {"text": "records could not be kept for a while; nothing acknowledged was lost"}
        self._writer.submit(lambda conn: ledger.append(conn, "store", body, now))

    def write(self) -> None:
        """Try again what could not be recorded."""
        self._losses.write()
        self._states.write()

    def _record_states(self, conn: Connection, source: str, states: Sequence[tuple[Instant, bool, str]]) -> None:
        for at, connected, text in states:
            cause = causes.source_gone(source, at, text)
            ledger.append(conn, "source", {"source": source, "connected": connected, "text": text}, at)
            if connected:
                self._alarms.clear(conn, cause.key, at)
            else:
                self._alarms.raise_(conn, cause, at)

    def _record_loss(self, conn: Connection, _key: str, loss: tuple[Instant, int, str]) -> None:
        since, items, text = loss
        ledger.append(conn, "lost", {"items": items, "text": text}, since)
        self._alarms.raise_(conn, causes.store_trouble(since, text), since)
