"""Alarms: those that stand, one with its story, and the link that acknowledges one from a message."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from starlette.concurrency import run_in_threadpool

from monitor.alarms.listing import history, messages
from monitor.errors import InputError
from monitor.page.forms import Sent, SignedIn, read_form
from monitor.page.shown import REFUSALS, PageRoute, Shown, anybody, back, page, sentences, status_of

router = APIRouter(route_class=PageRoute, include_in_schema=False)
SHELVE_MINUTES = (10, 20, 30, 60, 120, 240)


@router.get("/alarms")
def show_all(shown: SignedIn) -> Response:
    """Every alarm that is not back to normal and acknowledged."""
    return page(shown, "alarms.html", alarms=shown.desk.alarms())


@router.get("/alarms/{alarm}")
def show_one(alarm: str, shown: SignedIn) -> Response:
    """One alarm: what, where, since when, what to do, who was told, and what became of it."""
    return _one(shown, alarm)


def _one(shown: Shown, alarm: str, status: int = 200, trouble: tuple[str, list[str]] | None = None, values: Any = None) -> Response:
    desk = shown.desk
    with desk.store.read() as conn:
        found = dict(desk.alarm_board.alarm(conn, alarm))
        story, sent = history(conn, alarm), messages(conn, alarm)
    deviation = next((d for d in desk.deviations() if found["lot"] and d["lot"] == found["lot"] and d["closed"] is None), None)
    return page(
        shown, "alarm.html", status=status, alarm=found, story=story, messages=sent, minutes=SHELVE_MINUTES, deviation=deviation,
        trouble=trouble, values=values or {},
    )  # fmt: skip


@router.post("/alarms/{alarm}/acknowledge")
def acknowledge(alarm: str, sent: Sent) -> Response:
    """Somebody has seen it and is on it."""
    found = sent.shown.desk.acknowledge(sent.hand, alarm, sent.text("comment")[:2000])
    where = sent.text("next")
    do = found["do"][0] if found["do"] else ""
    return back(where if where in ("/", "/alarms") else f"/alarms/{alarm}", f"{found['id']} is acknowledged by {sent.hand.by}.", do)


@router.post("/alarms/{alarm}/shelve")
def shelve(alarm: str, sent: Sent) -> Response:
    """Silence it for a while, with the reason."""
    try:
        minutes = sent.text("minutes")
        if not minutes.isdigit():
            raise InputError("no time is chosen; choose for how long it may be silent")
        found = sent.shown.desk.shelve(sent.hand, alarm, int(minutes), sent.text("reason")[:2000])
    except REFUSALS as error:
        return _one(sent.shown, alarm, status_of(error), ("shelve", sentences(error)), sent.values)
    return back(
        f"/alarms/{alarm}", f"{found['id']} is silent for {minutes} min. It is judged on underneath, and rings again if it still stands."
    )


# ---- the link in a message ----


@router.get("/a/{token}")
def show_linked(token: str, shown: Annotated[Shown, Depends(anybody)]) -> Response:
    """The alarm a signed link is for. Acknowledges nothing: previewers fetch links."""
    linked = shown.desk.alarm_of_link(token)
    return page(shown, "link.html", linked=linked, alarm=linked["alarm"], token=token, done=False)


@router.post("/a/{token}")
async def acknowledge_linked(token: str, request: Request, shown: Annotated[Shown, Depends(anybody)]) -> Response:
    """Acknowledge as the person the link was sent to; asks for no sign-in."""
    values, _ = await read_form(request)

    def work() -> Response:
        linked = shown.desk.alarm_of_link(token)
        alarm = shown.desk.acknowledge_by_link(token, values.get("comment", "").strip()[:2000])
        return page(shown, "link.html", linked=linked, alarm=alarm, token=token, done=True)

    return await run_in_threadpool(work)
