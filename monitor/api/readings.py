"""Readings pushed over HTTP: JSON or SenML (RFC 8428), answered item by item once they are durable."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Coroutine, Sequence
from concurrent.futures import Future
from functools import lru_cache
from typing import Any, Protocol, cast

from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse, Response
from fastapi.routing import APIRoute

from monitor import once
from monitor.api.access import PUSH
from monitor.api.brought_back import brought_back
from monitor.api.inner import KeyHeader, TheDesk, desk_of, key_of
from monitor.api.problems import Problem, problem
from monitor.errors import BusyError
from monitor.outcomes import REFUSED, TAKEN, Outcome
from monitor.people import Who
from probes.push import Refused, decode_push
from probes.senml import MEDIA_TYPES
from rules.reading import Fault, Reading


class _PushRoute(APIRoute):
    """The route of a push. Described and guarded like every other, but a push without a key goes straight to its function.

    What FastAPI does to find the values of a function's parameters costs as much as a push of one reading does to take in.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """FastAPI's own way for a push with a key, ours for all others."""
        whole = super().get_route_handler()

        async def handle(request: Request) -> Response:
            if "idempotency-key" in request.headers:
                return await whole(request)
            return await push(request, desk_of(request), await PUSH(request))

        return handle


router = APIRouter(prefix="/api/v1", tags=["readings"], route_class=_PushRoute)
#: Beyond so many waiting items a push is turned away; the rest of the queue is for the probes on wires, which cannot keep theirs.
_QUEUED = 10_000
_PATIENCE_S = 30.0
#: The answers to pushes of so many items, 17 kB each, may be kept.
_USUAL = 500
_TAKEN = ("application/json", *MEDIA_TYPES)


class Intake(Protocol):
    """The only door for readings: `monitor.intake` in the service."""

    @property
    def queued(self) -> int:
        """How many items wait to become durable."""
        ...

    def readings(
        self, items: Sequence[Reading | Fault], *, waiting: bool = True, patience_s: float | None = None, source: object = None
    ) -> Future[tuple[Outcome, ...]]:
        """Queue items; the future gives one outcome for each once they are durable."""
        ...


_ITEM = {"probe": "core-1", "value": 71.1, "unit": "C", "time": "2026-03-02T13:04:10-06:00"}
_PACK = [{"bn": "core-1", "u": "Cel", "bt": 1772478250, "v": 71.1}, {"t": 5, "u": "Cel", "v": 71.3}]
_ONE = {"$ref": "#/components/schemas/PushedReading"}
_VALUE = [{"type": "number"}, {"type": "string"}, {"type": "null"}]
_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": {"oneOf": [_ONE, {"type": "array", "items": _ONE}]},
                "examples": {"one": {"value": _ITEM}, "list": {"value": [_ITEM, {"probe": "core-2", "value": "ERR"}]}},
            },
            "application/senml+json": {"schema": {"type": "array", "items": {"type": "object"}}, "examples": {"pack": {"value": _PACK}}},
        },
    }
}

#: The schema that `_BODY` refers to.
PUSHED_READING = {
    "title": "PushedReading",
    "type": "object",
    "required": ["probe", "value"],
    "properties": {
        "probe": {"type": "string"},
        "value": {"description": 'A number, or a fault word such as "ERR".', "anyOf": _VALUE},
        "unit": {"type": "string", "enum": ["C", "F", "K"], "default": "C"},
        "time": {"type": "string", "description": "ISO 8601 with its offset, or Unix seconds; absent: the time of arrival."},
        "quality": {"type": "string", "enum": ["ok", "suspect", "fault"], "default": "ok"},
        "reason": {"type": "string"},
    },
}


@router.post("/readings", openapi_extra=_BODY)
async def push(request: Request, desk: TheDesk, who: Who = Depends(PUSH), idempotency_key: KeyHeader = None) -> Response:
    """Hand in one reading or a list; each item is answered with what became of it.

    Outcomes: stored, duplicate, late, future, unknown-probe, refused. 422 where not one item could be read.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in _TAKEN:
        raise Problem("media-type", f'Content-Type is "{kind[:60]}"; send {" or ".join(_TAKEN)}')
    body = await request.body()
    key = await key_of(request, idempotency_key)
    if key is not None:
        earlier = await asyncio.to_thread(_earlier, desk, who.name, key)
        if earlier is not None:
            return JSONResponse(earlier)
    now = desk.clock()
    decoded = decode_push(body, kind, now)
    good = [one for one in decoded if not isinstance(one, Refused)]
    refused = [one for one in decoded if isinstance(one, Refused)] if len(good) < len(decoded) else []
    if refused and not good:
        more = f" (and {len(refused) - 1} more, listed in errors)" if len(refused) > 1 else ""
        return problem("invalid", refused[0].text + more, errors=[{"pointer": f"/{one.item}", "detail": one.text} for one in refused])
    outcomes = await _stored(cast(Intake, request.app.state.intake), good)
    if key is None and not refused and outcomes.count(TAKEN) == len(outcomes) <= _USUAL:
        return Response(_all_taken(len(outcomes)), media_type=JSONResponse.media_type)
    told = iter(outcomes)
    items = [_shown(n, Outcome(REFUSED, one.text) if isinstance(one, Refused) else next(told)) for n, one in enumerate(decoded)]
    answer = _answer(items)
    if key is not None:
        await asyncio.wrap_future(desk.keep_answer(who.name, key, answer))
    return JSONResponse(answer)


async def _stored(intake: Intake, items: Sequence[Reading | Fault]) -> tuple[Outcome, ...]:
    """The outcomes of items, once durable. The event loop never waits for room: a sender keeps what is not answered."""
    if intake.queued > _QUEUED:
        raise BusyError(f"{intake.queued} readings already wait for the store; keep these and send them again shortly")
    try:
        return await brought_back(intake.readings(items, patience_s=0.0, source="http"), _PATIENCE_S)
    except TimeoutError:
        raise BusyError("the store has not taken these readings yet; send them again, what is stored by then counts once") from None


def _answer(items: list[dict[str, Any]]) -> dict[str, Any]:
    return {"items": items, "counts": dict(Counter(one["outcome"] for one in items))}


@lru_cache(maxsize=16)
def _all_taken(count: int) -> bytes:
    """The answer to a push of which every item is stored, as nearly all are: from a sender it is the same each time."""
    return bytes(JSONResponse(_answer([_shown(n, TAKEN) for n in range(count)])).body)


def _shown(item: int, outcome: Outcome) -> dict[str, Any]:
    shown = {"item": item, "outcome": outcome.what}
    return shown | {"detail": outcome.text} if outcome.text else shown


def _earlier(desk: TheDesk, who: str, key: once.Key) -> Any:
    with desk.store.read() as conn:
        return once.recall(conn, who, key)
