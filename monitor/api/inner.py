"""What routes ask for: the desk, and the hand that makes an entry, with its idempotency key."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Annotated, cast

from fastapi import Depends, Header, Request

from monitor.api.access import REVIEW, WORK, Allow
from monitor.api.problems import Problem
from monitor.desk import Desk, Hand
from monitor.once import Key, request_key
from monitor.people import Who

KeyHeader = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        max_length=130,
        description="The same key with the same request is carried out once and answered alike.",
        examples=["6f1c2a54-3b6e-4b1f-9a55-0d2f6c1c7a10"],
    ),
]


def desk_of(request: Request) -> Desk:
    """The app's desk."""
    return cast(Desk, request.app.state.desk)


async def _desk(request: Request) -> Desk:
    """The same as a dependency: FastAPI calls a plain function in another thread, which costs more than many a route."""
    return desk_of(request)


async def key_of(request: Request, given: str | None) -> Key | None:
    """The idempotency key of a request, with the hash of what was asked; quoted as a structured field or bare."""
    if given is None:
        return None
    key = given.strip().removeprefix('"').removesuffix('"')
    if not 1 <= len(key) <= 128 or not key.isascii() or not key.isprintable():
        raise Problem("invalid", f"Idempotency-Key is {given[:40]!r}; write 1 to 128 printable ASCII characters")
    return request_key(key, request.method, request.url.path, await request.body())


def _hand(rule: Allow) -> Callable[..., Awaitable[Hand]]:
    async def hand(request: Request, who: Who = Depends(rule), idempotency_key: KeyHeader = None) -> Hand:
        return Hand(who.name, who.role, await key_of(request, idempotency_key))

    return hand


TheDesk = Annotated[Desk, Depends(_desk)]
#: An operator's or reviewer's entry.
Working = Annotated[Hand, Depends(_hand(WORK))]
#: A reviewer's entry.
Reviewing = Annotated[Hand, Depends(_hand(REVIEW))]
