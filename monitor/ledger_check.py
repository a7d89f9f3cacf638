"""After a start: the end of the ledger and the newest blocks of readings against their hashes, beside the judging.

A power cut or a card that fails leaves its marks there. It takes as long as everything else of a start, so that nothing waits for it:
one state of the store is read while judging goes on. `larderer verify` checks all of it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from sqlalchemy import Connection

from monitor import ledger
from monitor.alarms import store_causes
from monitor.alarms.alarms import Alarms
from monitor.errors import StoreClosed, StoreError, StoreUnavailable
from monitor.log import get_logger
from monitor.memory import give_back
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.reading import Instant

log = get_logger(__name__)
#: A store that cannot be read or written just now is tried again after this.
_AGAIN_S = 60.0


class LedgerCheck:
    """Checks once; what is wrong is recorded and rings, what is sound ends an older alarm about it."""

    def __init__(self, store: Store, writer: Writer, alarms: Alarms, clock: Callable[[], Instant]) -> None:
        self._store, self._writer, self._alarms, self._clock = store, writer, alarms, clock

    def run(self, stop: threading.Event) -> None:
        """Check and record; for a thread of its own. Tried again while the store cannot be read or written."""
        while not stop.is_set():
            try:
                faults = self._faults()
                self._writer.submit(lambda conn, faults=faults: self._record(conn, faults), waiting=False).result()  # type: ignore[misc]
                return
            except StoreClosed:
                return
            except Exception as error:  # a check that ended here, unheard, would pass for a sound ledger
                told = None if isinstance(error, StoreError) else error
                log.warning("ledger", text=f"its end could not be checked yet: {error}", exc_info=told)
                stop.wait(_AGAIN_S)

    def _faults(self) -> list[str]:
        try:
            with self._store.read() as conn:
                faults = ledger.verify_end(conn)
            give_back()  # the blocks that were read
            return faults
        except StoreUnavailable:
            raise
        except StoreError as error:
            return [f"ledger: its end cannot be read: {error}"]
        except Exception as error:  # an entry that somebody changed may be no entry at all, and its numbers no numbers
            log.exception("ledger")
            return [f"ledger: its end cannot be checked, since an entry is not what it should be ({type(error).__name__}: {error})."]

    def _record(self, conn: Connection, faults: list[str]) -> None:
        now = self._clock()
        if faults:
            ledger.append(conn, "check", {"faults": faults}, now, entered_at=now)
            self._alarms.raise_(conn, store_causes.not_sound(now, faults[0]), now)
            self._writer.urgent()
        else:
            self._alarms.clear(conn, store_causes.SOUND, now)
