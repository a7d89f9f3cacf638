"""Days: the record of one local day, its pre-shipment review, its export."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

from fastapi import APIRouter, Depends, Request
from fastapi.responses import FileResponse

from monitor.api.access import READ
from monitor.api.bodies import Review
from monitor.api.inner import Reviewing, TheDesk
from monitor.days import day_span
from monitor.errors import InputError
from rules.quantity import format_instant

router = APIRouter(prefix="/api/v1/days", tags=["days"])


@router.get("/{day}", dependencies=[Depends(READ)])
def get_day(day: str, desk: TheDesk) -> dict[str, Any]:
    """The day's lots, records and reviews, and what keeps it from being signed."""
    return desk.day(day)


@router.post("/{day}/review", status_code=201)
def review_day(day: str, body: Review, desk: TheDesk, hand: Reviewing) -> dict[str, Any]:
    """Sign the pre-shipment review of a day."""
    return desk.review_day(hand, day, body.comment)


@router.get("/{day}/export.zip", dependencies=[Depends(READ)], response_class=FileResponse)
def export_day(day: str, desk: TheDesk, request: Request) -> FileResponse:
    """The day's export folder as a ZIP; made now if it is not there yet."""
    since, _ = day_span(day, desk.plan.site.zone)
    if since > desk.clock():
        raise InputError(f"day is {day}, which has not begun (it is {format_instant(desk.clock())}); ask for a day that has")
    export = cast(Callable[[str], Path], request.app.state.export)
    return FileResponse(export(day), media_type="application/zip", filename=f"{desk.plan.site.id}-{day}.zip")
