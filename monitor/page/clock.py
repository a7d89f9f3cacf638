"""What time it is, said by a person where the board does not know."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response

from monitor.api.clock import TheClock
from monitor.clock_desk import ClockDesk
from monitor.page.forms import Sent, SignedIn
from monitor.page.shown import REFUSALS, PageRoute, Shown, back, page, sentences, status_of

router = APIRouter(route_class=PageRoute, include_in_schema=False)


@router.get("/clock")
def show(shown: SignedIn, clock: TheClock) -> Response:
    """How the time stands, and the form."""
    return _clock(shown, clock)


def _clock(shown: Shown, clock: ClockDesk, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Any = None) -> Response:
    return page(shown, "clock.html", status=status, clock=clock.view(), trouble=trouble, values=values or {})


@router.post("/clock")
def say(sent: Sent, clock: TheClock) -> Response:
    """It is that time now."""
    try:
        made = clock.set(sent.hand, sent.text("when"))
    except REFUSALS as error:
        return _clock(sent.shown, clock, status_of(error), ("clock", sentences(error)), sent.values)
    return back("/clock", f"It is {sent.shown.words.when(made['at'])}, by {made['by']}. What was read since the start is put right by it.")
