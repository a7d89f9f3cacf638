"""Server-sent events (WHATWG HTML, section 9.2): every new ledger entry, resumed by Last-Event-ID.

The id of an event is the entry's place in the ledger. One task reads the ledger for all listeners, and only
while somebody listens.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from typing import Annotated, Any, cast
from weakref import WeakSet

from fastapi import APIRouter, Depends, Header, Request
from fastapi.responses import StreamingResponse

from monitor import ledger
from monitor.api.access import READ, who_asks
from monitor.api.problems import Problem
from monitor.desk import Desk
from rules.quantity import format_instant

router = APIRouter(prefix="/api/v1", tags=["service"])
_MOST_LISTENERS = 32
_PAGE = 500


class Feed:
    """Wakes the listeners when the ledger has grown. `close()` ends every stream, so that the server can stop."""

    def __init__(self, desk: Desk, *, every_s: float = 1.0, beat_s: float = 15.0) -> None:
        self._desk, self._every_s, self.beat_s = desk, every_s, beat_s
        # Weakly: of a listener that hangs up before its stream is read nobody else would ever hear.
        self._listeners: WeakSet[asyncio.Event] = WeakSet()
        self._task: asyncio.Task[None] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self.closed = False

    def close(self) -> None:
        """End every stream; from any thread."""
        self.closed = True
        self.changed()

    def changed(self) -> None:
        """Say that the ledger may have grown, so that nobody waits for the next look; from any thread."""
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake)

    def join(self) -> asyncio.Event:
        """A new listener's bell; raises Problem when there are too many."""
        if len(self._listeners) >= _MOST_LISTENERS:
            raise Problem("busy", f"{_MOST_LISTENERS} listeners are connected already; close one and try again", {"Retry-After": "30"})
        bell = asyncio.Event()
        self._listeners.add(bell)
        if self._task is None or self._task.done():
            self._loop = asyncio.get_running_loop()
            self._task = self._loop.create_task(self._look())
        return bell

    def leave(self, bell: asyncio.Event) -> None:
        """The listener has gone."""
        self._listeners.discard(bell)

    def after(self, seq: int) -> list[ledger.Entry]:
        """Up to a page of entries after `seq`."""
        with self._desk.store.read() as conn:
            found = []
            for entry in ledger.entries(conn, seq):
                found.append(entry)
                if len(found) >= _PAGE:
                    break
            return found

    def head(self) -> int:
        """The place of the newest entry."""
        with self._desk.store.read() as conn:
            return ledger.head(conn).seq

    def _wake(self) -> None:
        for bell in self._listeners:
            bell.set()

    async def _look(self) -> None:
        seen = -1
        while self._listeners and not self.closed:
            newest = await asyncio.to_thread(self.head)
            if newest != seen:
                seen = newest
                self._wake()
            await asyncio.sleep(self._every_s)


@router.get("/events", response_class=StreamingResponse, dependencies=[Depends(READ)])
async def events(
    request: Request, last_event_id: Annotated[str | None, Header(description="The id of the last event seen; later ones follow.")] = None
) -> StreamingResponse:
    """New ledger entries as they are recorded; with Last-Event-ID, first those missed."""
    feed = cast(Feed, request.app.state.feed)
    if last_event_id is None or last_event_id == "":
        seq = await asyncio.to_thread(feed.head)
    elif last_event_id.isascii() and last_event_id.isdigit() and len(last_event_id) < 19:
        seq = int(last_event_id)
    else:
        raise Problem("invalid", f"Last-Event-ID is {last_event_id[:40]!r}; write the id of the last event seen, a whole number")
    bell = feed.join()
    return StreamingResponse(_stream(feed, bell, seq, request), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})


async def _stream(feed: Feed, bell: asyncio.Event, seq: int, request: Request) -> AsyncIterator[str]:
    try:
        yield f"retry: 3000\nid: {seq}\nevent: hello\ndata: {{}}\n\n"
        asked = time.monotonic()
        while not feed.closed:
            if time.monotonic() - asked >= feed.beat_s:
                asked = time.monotonic()
                if who_asks(request) is None:  # signed out meanwhile, or the session ran out
                    return
            bell.clear()
            page = await asyncio.to_thread(feed.after, seq)
            for entry in page:
                seq = entry.seq
                yield _event(entry)
            if page:
                continue
            try:
                await asyncio.wait_for(bell.wait(), feed.beat_s)
            except TimeoutError:
                yield ": beat\n\n"
    finally:
        feed.leave(bell)


def _event(entry: ledger.Entry) -> str:
    body: dict[str, Any] = {"seq": entry.seq, "at": format_instant(entry.at), "kind": entry.kind, "by": entry.by, "body": entry.body}
    return f"id: {entry.seq}\nevent: {entry.kind}\ndata: {json.dumps(body, ensure_ascii=False)}\n\n"
