"""The store on a PostgreSQL server (13 or newer), through psycopg.

What SQLite's file lock does, two advisory locks do here ("Advisory Locks" in PostgreSQL's documentation): each writing
transaction takes one, so that writers follow on each other as with BEGIN IMMEDIATE; the service's connection holds
another for its whole life, so that one database serves one service. A commit whose answer was lost with the connection
is looked up by its transaction's number afterwards ("pg_xact_status"), so that it is neither lost nor done twice.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from monitor.errors import StoreError, StoreFailed, StoreLocked, StoreReadOnly
from monitor.store.dialect import Dialect
from monitor.store.trouble import sqlstate

#: Advisory locks are numbered by whoever uses a database; these two spell "lard" and our purpose.
_WRITING, _SERVICE = (0x6C617264 << 8) + 1, (0x6C617264 << 8) + 2
#: A statement that takes longer than this is ended; the largest of ours takes seconds.
_WRITE_MS, _READ_MS = 120_000, 300_000
#: For so long the server is asked what became of a commit whose answer was lost.
_SETTLE_S = 10.0
_LOCK_NOT_AVAILABLE = "55P03"

#: A connection that died with its network is noticed within about 25 s instead of hours; what the URL says goes before.
_LIVELINESS = {
    "connect_timeout": "5",
    "keepalives_idle": "10",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "25000",
}


class PostgresDialect(Dialect):
    """The database that `url` names; it must exist, its tables are ours to make."""

    def __init__(self, url: URL, busy_timeout_s: float) -> None:
        try:
            import psycopg  # noqa: F401 - only whether it is there
        except ImportError:
            raise StoreError(
                '[store] url asks for PostgreSQL, for which psycopg is not installed; run: pip install "larderer[postgresql]"'
            ) from None
        if not url.database:
            raise StoreError("[store] url names no database; write postgresql://user@host/database")
        host = url.query.get("host", url.host or "localhost")
        self.where = f"postgresql://{host}{f':{url.port}' if url.port else ''}/{url.database}"
        self.busy_ms = int(busy_timeout_s * 1000)
        target = url.set(drivername="postgresql+psycopg").update_query_dict(
            {name: value for name, value in _LIVELINESS.items() if name not in url.query}
        )
        arguments = {"client_encoding": "utf8", "application_name": "larderer"}
        self.readers = create_engine(target, pool_size=4, max_overflow=16, pool_timeout=30, pool_pre_ping=True, connect_args=arguments)
        self.writing = create_engine(target, poolclass=NullPool, connect_args=arguments)
        reading = ("default_transaction_isolation = 'repeatable read'", "default_transaction_read_only = on", "synchronous_commit = off")
        self._connecting(self.readers, _READ_MS, reading)
        # A server or role may have been set to answer before the disk has: not for records.
        self._connecting(self.writing, _WRITE_MS, ("default_transaction_isolation = 'read committed'", "synchronous_commit = on"))

        @event.listens_for(self.writing, "begin")
        def begun(connection: Connection) -> None:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITING})")

    def _connecting(self, engine: Engine, statement_ms: int, more: tuple[str, ...]) -> None:
        settings = (f"statement_timeout = {statement_ms}", f"lock_timeout = {self.busy_ms}", *more)
        said = "; ".join(f"SET {setting}" for setting in settings)

        @event.listens_for(engine, "connect")
        def connected(connection: Any, _record: Any) -> None:
            connection.autocommit = True
            connection.execute(said)
            connection.autocommit = False

    def prepare(self, create: bool) -> None:
        """Nothing to make: who runs the server makes the database and the user."""

    def check(self, connection: Connection) -> None:
        """Refuse a server that is too old, keeps other text than UTF-8, only follows another, or does not write to its disk."""
        asked = (
            "SELECT current_setting('server_version_num')::int AS version, current_setting('server_version') AS named, "
            "current_setting('server_encoding') AS encoding, current_setting('fsync') AS fsync, pg_is_in_recovery() AS follower"
        )
        found = connection.exec_driver_sql(asked).one()
        if found.version < 130_000:
            raise StoreError(f"{self.where} is PostgreSQL {found.named}; the store needs 13 or newer")
        if found.follower:
            raise StoreReadOnly(f"{self.where} only follows another server; name the server that it follows in [store] url")
        if found.encoding != "UTF8":
            raise StoreError(f"{self.where} keeps text as {found.encoding}; make it anew with: createdb -E UTF8 -T template0 NAME")
        if found.fsync != "on":
            raise StoreError(f"{self.where} runs with fsync = {found.fsync}, so that a power cut takes records; set fsync = on")

    def identity(self) -> None:
        """The server holds its files; a connection that breaks tells by itself."""

    def claim(self, connection: Connection) -> None:
        """Hold the service's lock as long as this connection lives; one that has just been killed is waited for."""
        try:
            connection.exec_driver_sql(f"SELECT pg_advisory_lock({_SERVICE})")
            connection.commit()
        except DBAPIError as error:
            if sqlstate(error.orig) != _LOCK_NOT_AVAILABLE:
                raise
            raise StoreLocked(f"another service writes to {self.where}; stop it, or give each service a database of its own") from error

    def commit(self, connection: Connection) -> None:
        """Commit; where the connection broke before the answer, ask on a new one whether it was done."""
        driver, transaction = connection.connection.driver_connection, connection.get_transaction()
        if transaction is None or driver is None or driver.info.transaction_status.name != "INTRANS":
            # COMMIT would end a failed transaction with a ROLLBACK, and not call that an error.
            raise StoreFailed(f"{self.where} undid what was being written; it will be tried again")
        number = connection.exec_driver_sql("SELECT pg_current_xact_id_if_assigned()::text").scalar()
        try:
            transaction.commit()
        except DBAPIError as error:
            if number is None or not error.connection_invalidated or not self.was_committed(number):
                raise

    def was_committed(self, number: str) -> bool:
        """Whether the transaction with that number is durable; False where the server does not answer in time."""
        deadline = time.monotonic() + _SETTLE_S
        while time.monotonic() < deadline:
            try:
                with self.readers.connect() as connection:
                    found = connection.exec_driver_sql("SELECT pg_xact_status(%s::xid8)", (number,)).scalar()
                if found != "in progress":
                    return bool(found == "committed")
            except DBAPIError:
                pass  # the server is starting again; whoever waits is told once the time is over
            time.sleep(0.05)
        return False

    def trim(self, connection: Connection) -> None:
        """Nothing to do: the server keeps its log by itself."""

    def backup(self, target: Path) -> None:
        """Copy every table, as of one instant, to a SQLite file that opens, verifies and restores as any backup does."""
        from monitor.store.copying import copy_to_file

        copy_to_file(self.readers, target)
