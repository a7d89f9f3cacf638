"""Brings what the writer's thread has done back to the event loop.

A commit ends the wait of many requests at once. `asyncio.wrap_future` wakes the loop for each of them; with the first wake the loop's
thread takes the interpreter's lock, and the writer's waits 5 ms for it before it can go on to the second. Here one wake brings all.
"""

from __future__ import annotations

import asyncio
from collections import deque
from concurrent.futures import Future
from contextlib import suppress
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

T = TypeVar("T")


class BroughtBack:
    """What is done and still to be told on one loop."""

    def __init__(self) -> None:
        self._done: deque[tuple[asyncio.Future[Any], Future[Any]]] = deque()
        self._woken = False

    def add(self, waiter: asyncio.Future[Any], done: Future[Any]) -> None:
        """From any thread: `done` is done, and `waiter` is to be given it."""
        self._done.append((waiter, done))
        if not self._woken:
            self._woken = True
            with suppress(RuntimeError):  # the loop is closed: the service has ended, and nobody is answered any more
                waiter.get_loop().call_soon_threadsafe(self._tell)

    def _tell(self) -> None:
        self._woken = False  # before looking: what is added from now on wakes the loop again
        while self._done:
            waiter, done = self._done.popleft()
            if not waiter.done():
                waiter.set_result(done)


_OF_LOOP: WeakKeyDictionary[asyncio.AbstractEventLoop, BroughtBack] = WeakKeyDictionary()


async def brought_back(future: Future[T], patience_s: float) -> T:
    """The result of a future of another thread, or its exception; raises TimeoutError after `patience_s`, and leaves the future alone."""
    loop = asyncio.get_running_loop()
    back = _OF_LOOP.setdefault(loop, BroughtBack())
    waiter: asyncio.Future[Future[T]] = loop.create_future()
    future.add_done_callback(lambda done: back.add(waiter, done))
    await asyncio.wait((waiter,), timeout=patience_s)
    if not waiter.done():
        waiter.cancel()
        raise TimeoutError
    return waiter.result().result()
