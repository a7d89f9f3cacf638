"""Days: the record of one local day, its pre-shipment review, its export."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from monitor.api.access import READ
from monitor.api.bodies import Review
from monitor.api.inner import Reviewing, TheDesk
from monitor.api.paging import tagged_file
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


@router.get("/{day}/export.zip", dependencies=[Depends(READ)], response_class=Response)
def export_day(day: str, desk: TheDesk, request: Request) -> Response:
    """The day's export folder as a ZIP, made now if it is not there yet; 304 for an If-None-Match that still fits."""
    since, _ = day_span(day, desk.plan.site.zone)
    if since > desk.clock():
        raise InputError(f"day is {day}, which has not begun (it is {format_instant(desk.clock())}); ask for a day that has")
    export = cast(Callable[[str], Path], request.app.state.export)
    return tagged_file(request, export(day), "application/zip", f"{desk.plan.site.id}-{day}.zip")
