"""SQLite's troubles, told as ours: the edge at which database errors become the StoreError family.

Result codes: SQLite documentation, "Result and Error Codes"; the low byte of an extended code is its kind.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from monitor.errors import (
    RecordRefused,
    StoreDamaged,
    StoreError,
    StoreFailed,
    StoreFull,
    StoreLocked,
    StoreReadOnly,
)

_FULL = StoreFull, "the disk of {where} is full ({what}); free some room, what waits is then stored by itself"
_READONLY = StoreReadOnly, "{where} cannot be written ({what}); make the file, its folder and its disk writable for the service"
_LOCKED = StoreLocked, "{where} is held by another program ({what}); end that program, or wait until it has finished"
_FAILED = StoreFailed, "the disk of {where} failed ({what}); check its cable, its mount and its health"
_CLOSED_FILE = StoreFailed, "{where} cannot be opened ({what}); check that its folder exists and belongs to the service"
_DAMAGED = StoreDamaged, "{where} is no sound database ({what}); keep the file and restore the newest backup"
_REFUSED = RecordRefused, "{where} refused a record that contradicts what is stored ({what})"

_BY_CODE: dict[int, tuple[type[StoreError], str]] = {
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_READONLY: _READONLY,
    sqlite3.SQLITE_PERM: _READONLY,
    sqlite3.SQLITE_AUTH: _READONLY,
    sqlite3.SQLITE_BUSY: _LOCKED,
    sqlite3.SQLITE_LOCKED: _LOCKED,
    sqlite3.SQLITE_PROTOCOL: _LOCKED,
    sqlite3.SQLITE_IOERR: _FAILED,
    sqlite3.SQLITE_NOLFS: _FAILED,
    sqlite3.SQLITE_NOMEM: _FAILED,
    sqlite3.SQLITE_CANTOPEN: _CLOSED_FILE,
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
    sqlite3.SQLITE_CONSTRAINT: _REFUSED,
    sqlite3.SQLITE_MISMATCH: _REFUSED,
}


def translate(error: BaseException, where: str) -> StoreError | None:
    """Our error for a database error, or None where it is a mistake in the program (bad SQL, a closed result)."""
    if isinstance(error, StoreError):
        return error
    origin = error.orig if isinstance(error, DBAPIError) else error
    if not isinstance(origin, sqlite3.Error):
        return None
    code = getattr(origin, "sqlite_errorcode", None)
    found = _BY_CODE.get(code & 0xFF) if code is not None else None
    if found is None:
        return None
    kind, sentence = found
    name = getattr(origin, "sqlite_errorname", "") or ""
    return kind(sentence.format(where=where, what=f"{origin}, {name}" if name else f"{origin}"))


@contextmanager
def translated(where: str) -> Iterator[None]:
    """Database errors inside come out as StoreError; mistakes in the program come out as they are."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        ours = translate(error, where)
        if ours is None:
            raise
        raise ours from error
