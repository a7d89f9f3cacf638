"""What can go wrong in `monitor`.

MonitorError
├── InputError        what was sent cannot be read or is outside what is allowed
├── NotFoundError     there is no such lot, alarm, deviation, day or person
├── RefusedError      what was asked contradicts what is already recorded
├── KeyReuseError     an idempotency key that came back with a different request
├── BusyError         too much waits already; try again shortly
├── SignInError       a secret or code that does not open a session; `wait` says how long until the next try
└── LinkError         a signed link that is altered or has expired

Every message is one sentence: what, with which value, where, and what to write instead.
"""

from __future__ import annotations


class MonitorError(Exception):
    """Root of this package's errors."""


class InputError(MonitorError):
    """What was sent cannot be read or is outside what is allowed."""


class NotFoundError(MonitorError):
    """There is no such lot, alarm, deviation, day or person."""


class RefusedError(MonitorError):
    """What was asked contradicts what is already recorded; nothing was changed."""


class KeyReuseError(MonitorError):
    """An idempotency key that came back with a different request."""


class BusyError(MonitorError):
    """Too much waits to be stored already; nothing was taken, try again shortly."""


class SignInError(MonitorError):
    """A secret or code that does not open a session; `wait` is how many microseconds until the next try."""

    def __init__(self, text: str, wait: int = 0) -> None:
        super().__init__(text)
        self.wait = wait


class LinkError(MonitorError):
    """A signed link that is altered or has expired."""
