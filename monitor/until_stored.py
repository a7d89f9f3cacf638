"""Records that must not be lost because the store cannot be written just now: kept, one for each key, until they are durable.

What tells of a full disk is needed most while the disk is full. Bounded by the keys: what comes for a key meanwhile is merged.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Generic, Protocol, TypeVar

from sqlalchemy import Connection

from monitor.errors import StoreClosed, StoreError
from monitor.log import get_logger

log = get_logger(__name__)
V = TypeVar("V")


class Submit(Protocol):
    """How a job gets into the writer's transaction."""

    def __call__(self, job: Callable[[Connection], None], /, *, waiting: bool) -> Future[None]:
        """Queue a job."""
        ...


class UntilStored(Generic[V]):
    """`record(conn, key, value)` writes one record; `merge(older, newer)` makes one of two for the same key."""

    def __init__(self, submit: Submit, record: Callable[[Connection, str, V], None], merge: Callable[[V, V], V]) -> None:
        self._submit, self._record, self._merge = submit, record, merge
        self._lock = threading.Lock()
        self._kept: dict[str, V] = {}
        self._writing = False

    def add(self, key: str, value: V) -> None:
        """Record this as soon as it can be; from any thread."""
        with self._lock:
            self._kept[key] = self._merge(self._kept[key], value) if key in self._kept else value
        self.write()

    def write(self) -> None:
        """Try what is kept, unless it is being tried already."""
        with self._lock:
            if self._writing or not self._kept:
                return
            values, self._kept, self._writing = self._kept, {}, True
        try:
            future = self._submit(lambda conn: self._all(conn, values), waiting=False)
        except StoreClosed:
            self._back(values)
            return
        future.add_done_callback(lambda done: self._done(done, values))

    def _all(self, conn: Connection, values: Mapping[str, V]) -> None:
        for key, value in values.items():
            self._record(conn, key, value)

    def _done(self, done: Future[None], values: Mapping[str, V]) -> None:
        error = done.exception()
        if isinstance(error, StoreError):
            self._back(values)
            return
        if error is not None:  # a mistake of the program: trying it again for ever would only hide it
            log.error("a record could not be made", keys=list(values), text=str(error))
        with self._lock:
            self._writing = False
        self.write()

    def _back(self, values: Mapping[str, V]) -> None:
        with self._lock:
            self._kept = {**values, **{k: self._merge(values[k], v) if k in values else v for k, v in self._kept.items()}}
            self._writing = False
