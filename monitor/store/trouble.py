"""The database's troubles, told as ours: the edge at which database errors become the StoreError family.

SQLite: "Result and Error Codes" in its documentation; the low byte of an extended code is its kind.
PostgreSQL: "PostgreSQL Error Codes" (appendix A of its documentation); the first two characters are the class.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from monitor.errors import (
    RecordRefused,
    StoreDamaged,
    StoreError,
    StoreFailed,
    StoreFull,
    StoreLocked,
    StoreReadOnly,
    TextRefused,
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


_UNREACHED = StoreFailed, "{where} cannot be reached ({what}); check that the server runs, that [store] url names it and that it lets us in"
_SERVER_FULL = StoreFull, "the server's disk of {where} is full ({what}); free some room, what waits is then stored by itself"
_DENIED = StoreReadOnly, "{where} cannot be written ({what}); let the user in [store] url own the database, and write to it"
_SERVER_FAILED = StoreFailed, "the server of {where} failed ({what}); look into its log"
_UNDONE = StoreFailed, "{where} undid what was being written ({what}); it will be tried again"
_NO_TEXT = TextRefused, "a text cannot be kept ({what}); leave that character out"
_SERVER_DAMAGED = StoreDamaged, "{where} is not sound ({what}); stop the server, keep its files and restore the newest backup"

#: By the whole SQLSTATE first, then by its class.
_BY_STATE: dict[str, tuple[type[StoreError], str]] = {
    "53100": _SERVER_FULL,
    "58030": _SERVER_FAILED,
    "25006": _DENIED,
    "42501": _DENIED,
    "25P02": _UNDONE,
    "55P03": _LOCKED,
    "57014": (StoreLocked, "{where} took too long ({what}); look for what else holds or burdens the server"),
    "40": _UNDONE,
    "08": _UNREACHED,
    "28": _UNREACHED,
    "3D": _UNREACHED,
    "53": _SERVER_FAILED,
    "57": _UNREACHED,
    "58": _SERVER_FAILED,
    "XX": _SERVER_FAILED,
    "XX001": _SERVER_DAMAGED,
    "XX002": _SERVER_DAMAGED,
    "22": _REFUSED,
    "23": _REFUSED,
}


def sqlstate(origin: BaseException | None) -> str | None:
    """The code of a PostgreSQL error; blank where the server gave none, None for any other error."""
    psycopg: Any = sys.modules.get("psycopg")  # where it is not loaded, it raised nothing
    if psycopg is None or not isinstance(origin, psycopg.Error):
        return None
    return getattr(origin, "sqlstate", None) or ""


def _of_server(origin: BaseException | None, state: str) -> tuple[type[StoreError], str] | None:
    psycopg: Any = sys.modules["psycopg"]
    if not state:
        if isinstance(origin, psycopg.OperationalError):  # no connection, or it broke: nobody was there to give a code
            return _UNREACHED
        return _NO_TEXT if isinstance(origin, psycopg.DataError) else None  # refused before any server was asked
    return _BY_STATE.get(state) or _BY_STATE.get(state[:2])


def translate(error: BaseException, where: str) -> StoreError | None:
    """Our error for a database error, or None where it is a mistake in the program (bad SQL, a closed result)."""
    if isinstance(error, StoreError):
        return error
    origin = error.orig if isinstance(error, DBAPIError) else error
    if (state := sqlstate(origin)) is not None:
        found = _of_server(origin, state)
        if found is None:
            return None
        said = " ".join(str(origin).split())
        return found[0](found[1].format(where=where, what=f"{said}, {state}" if state else said))
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
    except Exception as error:
        if not isinstance(error, SQLAlchemyError | sqlite3.Error) and sqlstate(error) is None:
            raise
        ours = translate(error, where)
        if ours is None:
            raise
        raise ours from error
