"""The board's time: how far it is known, and a person's word for it where nothing else gives it."""

from __future__ import annotations

from typing import Annotated, Any, cast

from fastapi import APIRouter, Depends, Request

from monitor.api.access import READ
from monitor.api.bodies import SetClock
from monitor.api.inner import Working
from monitor.clock_desk import ClockDesk

router = APIRouter(prefix="/api/v1/clock", tags=["service"])


def clock_of(request: Request) -> ClockDesk:
    """The app's desk for the time."""
    return cast(ClockDesk, request.app.state.clock)


TheClock = Annotated[ClockDesk, Depends(clock_of)]


@router.get("", dependencies=[Depends(READ)])
def show(clock: TheClock) -> dict[str, Any]:
    """What time it is here, and whether that is known."""
    return clock.view()


@router.post("", status_code=201)
def set_clock(body: SetClock, clock: TheClock, hand: Working) -> dict[str, Any]:
    """Say what time it is, where the board does not know: all that it read since its start is put right by it."""
    return clock.set(hand, body.at)
