"""What can go wrong in `monitor`.

MonitorError
├── StoreError                the store cannot do something
│   ├── StoreUnavailable      nothing can be written just now; nothing acknowledged was lost; try again
│   │   ├── StoreFull         no room left on the disk
│   │   ├── StoreReadOnly     the file or its disk is read-only
│   │   ├── StoreLocked       somebody else holds the database for too long
│   │   ├── StoreFailed       the disk or file answers with an I/O error, or cannot be opened
│   │   └── StoreClosed       the writer has been closed
│   ├── StoreDamaged          the file is no sound database
│   ├── StoreVersion          the database was made by another version of the program
│   └── RecordRefused         a record that contradicts what is stored
│       └── TextRefused       a text that the database cannot keep
├── LedgerError               a record that cannot be written to the ledger, or proven from it
├── ConfigError       a configuration that cannot be run by; carries every mistake found
├── InputError        what was sent cannot be read or is outside what is allowed
├── NotFoundError     there is no such lot, alarm, deviation, day or person
├── RefusedError      what was asked contradicts what is already recorded
│   └── NotClosable   a deviation that something is still missing from; carries every missing piece
├── KeyReuseError     an idempotency key that came back with a different request
├── BusyError         too much waits already; try again shortly
│   └── IntakeFull    readings could not be taken in: the queue stayed full
├── SignInError       a secret or code that does not open a session; `wait` says how long until the next try
├── LinkError         a signed link that is altered or has expired
└── DemoError         the demonstration cannot go on

Every message is one sentence: what, with which value, where, and what to write instead.
"""

from __future__ import annotations

from collections.abc import Sequence


class MonitorError(Exception):
    """Root of this package's errors."""


class StoreError(MonitorError):
    """The store cannot do something."""


class StoreUnavailable(StoreError):
    """Nothing can be written just now. Nothing acknowledged was lost; the same write may be tried again."""


class StoreFull(StoreUnavailable):
    """No room left on the disk."""


class StoreReadOnly(StoreUnavailable):
    """The database file or its disk is read-only."""


class StoreLocked(StoreUnavailable):
    """Somebody else held the database for longer than the busy timeout."""


class StoreFailed(StoreUnavailable):
    """The disk or file answers with an I/O error, or cannot be opened."""


class StoreClosed(StoreUnavailable):
    """The writer has been closed."""


class StoreDamaged(StoreError):
    """The file is no sound database."""


class StoreVersion(StoreError):
    """The database was made by another version of the program."""


class RecordRefused(StoreError):
    """A record that contradicts what is stored."""


class TextRefused(RecordRefused):
    """A text that the database cannot keep, or look for. Another try has it refused again."""


class LedgerError(MonitorError):
    """A record that cannot be written to the ledger, or proven from it."""


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


class DemoError(MonitorError):
    """The demonstration cannot go on."""


class IntakeFull(BusyError):
    """Readings could not be taken in: the queue stayed full. They were counted as lost unless sent again."""


class KeyFileError(MonitorError):
    """The site's signing key cannot be read, made or trusted."""


class ExportError(MonitorError):
    """A day cannot be exported."""


class ExportMismatch(ExportError):
    """Judging the exported files does not repeat what the service had found while it ran."""


class ConfigError(MonitorError):
    """A configuration that cannot be run by; `problems` holds every mistake found, one sentence each."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class NotClosable(RefusedError):
    """A deviation that cannot be closed yet; `missing` holds one sentence for each thing it lacks."""

    def __init__(self, missing: Sequence[str]) -> None:
        super().__init__("\n".join(missing))
        self.missing = tuple(missing)
