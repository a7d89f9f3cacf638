"""Which statements of the service read the whole of a table that grows: today they cost little, in a year they are the hot path."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path
from typing import Any

from sqlalchemy import event
from sqlalchemy.engine import Engine

#: What is added to every day and never, or seldom, deleted.
GROWING = ("reading", "fault", "ledger", "lot_event", "alarm", "alarm_event", "outbox", "deviation", "action")
#: Parts of statements that may, and why.
MAY = {
    "SELECT DISTINCT lot_event.lot FROM lot_event": "retention asks once an hour which lots are not over, and the sweep is slow anyhow",
    "lot_event.event = ? ORDER BY lot_event.at DESC, lot_event.seq DESC LIMIT": "the newest lots: read from the newest on, and soon found",
    "ledger.entered_at < ? ORDER BY ledger.seq DESC LIMIT": "once after a start: from the newest entry back to midnight",
    "deviation.closed_at IS NOT NULL, deviation.id DESC": "the page of the deviations, asked for by a person",
}
#: The first row in the order of an index ends the reading.
_FIRST = re.compile(r"FROM \w+ +ORDER BY [^()]* LIMIT \?( OFFSET \?)?$")
_SCAN = re.compile(r"^SCAN (\w+?)(?:_\d+)?(?: USING (?:COVERING )?INDEX (\w+))?$")


class Reads:
    """Every statement that this process executes, once; `whole` has SQLite say how it would carry out those that are new."""

    def __init__(self) -> None:
        self._seen: set[str] = set()
        self._new: dict[str, Any] = {}
        event.listen(Engine, "before_cursor_execute", self._note)

    def _note(self, _conn: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, many: bool) -> None:
        if not many and statement not in self._seen and statement.startswith(("SELECT", "UPDATE", "DELETE", "WITH")):
            self._new[statement] = parameters

    def whole(self, store: Path) -> list[str]:
        """A sentence for each new statement that reads the whole of a table that grows."""
        new, self._new = self._new, {}
        self._seen.update(new)
        conn = sqlite3.connect(store)
        try:
            return [text for statement, parameters in new.items() if (text := whole(conn, statement, parameters))]
        finally:
            conn.close()

    def close(self) -> None:
        """Listen no more."""
        event.remove(Engine, "before_cursor_execute", self._note)


def whole(conn: sqlite3.Connection, statement: str, parameters: Any) -> str:
    """What is wrong with how SQLite carries out `statement`, or ""."""
    text = " ".join(statement.split())
    if _FIRST.search(text) or any(part in text for part in MAY):
        return ""
    plan = [row[3] for row in conn.execute(f"EXPLAIN QUERY PLAN {statement}", parameters)]
    # An index of some rows alone (what waits, what is open) is as short as these are few.
    short = {name for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'index' AND sql LIKE '% WHERE %'")}
    found = [match for step in plan if (match := _SCAN.match(step)) and match[1] in GROWING and match[2] not in short]
    tables = ", ".join(sorted({match[1] for match in found}))
    return f"a statement reads the whole of {tables}: {text[:60]} … {text[-160:]}" if tables else ""
