"""The record of who came in: sign-ins and sign-outs one by one, refused ones counted.

A refused try is written at once, and what follows it under the same name within a minute in one entry after that minute, so
that guessing by the thousand costs the card one entry a minute. A name that nobody here has is never written down: a secret
typed into the wrong field would stand in the record for ever. All such names count as one.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection

from monitor import ledger
from rules.quantity import format_instant
from rules.reading import MINUTE, SECOND, Instant, Span

KIND: Final = "access"
EVERY: Final[Span] = MINUTE
#: So many addresses are named in one entry, the others counted.
_NAMED: Final = 4


def signed_in(conn: Connection, name: str, role: str, remote: str, now: Instant) -> None:
    """Somebody has shown who they are; `remote`: from which address."""
    ledger.append(conn, KIND, {"what": "signed in", "role": role, "from": remote[:64]}, now, name, entered_at=now)


def signed_out(conn: Connection, name: str, now: Instant) -> None:
    """Somebody has ended their session."""
    ledger.append(conn, KIND, {"what": "signed out"}, now, name, entered_at=now)


@dataclass(slots=True)
class _Count:
    first: Instant
    last: Instant
    tries: int = 0
    unlooked: int = 0  # of them refused unlooked at, since their wait was not over
    wait: Span = 0
    remotes: dict[str, None] = field(default_factory=dict)
    more_remotes: bool = False


class Refused:
    """Counts refused tries by name and gives, at most once a minute a name, what the record says of them. From any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._open: dict[str, _Count] = {}
        self._told_at: dict[str, Instant] = {}

    def add(self, name: str, remote: str, now: Instant, wait: Span = 0, *, looked: bool = True) -> bool:
        """One more under `name` (blank: one that nobody here has); `wait`: how long the next has to. Whether an entry is due now."""
        with self._lock:
            one = self._open.setdefault(name, _Count(now, now))
            one.last, one.tries, one.wait = now, one.tries + 1, max(one.wait, wait)
            one.unlooked += not looked
            if len(one.remotes) < _NAMED:
                one.remotes[remote[:64]] = None
            elif remote[:64] not in one.remotes:
                one.more_remotes = True
            return self._due(name, now)

    def write(self, conn: Connection, now: Instant) -> None:
        """Write down what is due."""
        with self._lock:
            due = {name: self._open.pop(name) for name in [*self._open] if self._due(name, now)}
            self._told_at = {name: at for name, at in self._told_at.items() if 0 <= now - at < EVERY} | dict.fromkeys(due, now)
        for name, one in due.items():
            ledger.append(conn, KIND, _body(name, one), min(one.last, now), entered_at=now)

    def _due(self, name: str, now: Instant) -> bool:
        told_at = self._told_at.get(name)
        return told_at is None or not 0 <= now - told_at < EVERY


def _body(name: str, one: _Count) -> dict[str, Any]:
    body: dict[str, Any] = {"what": "locked out" if one.wait else "refused", "name": name, "tries": one.tries}
    body |= {"first": format_instant(one.first), "from": [*one.remotes, *(["and others"] if one.more_remotes else [])]}
    if not name:
        body["name"] = "a name that nobody here has"
    if one.wait:
        body |= {"wait_s": round(one.wait / SECOND, 1), "not_looked_at": one.unlooked}
    return body
