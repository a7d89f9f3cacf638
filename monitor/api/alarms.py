"""Alarms: which stand, and that somebody is on it."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Depends

from monitor.api.access import OPEN, READ
from monitor.api.bodies import Acknowledge, OutOfService, Shelve
from monitor.api.inner import TheDesk, Working
from monitor.api.paging import ThePage, paged

router = APIRouter(prefix="/api/v1", tags=["alarms"])


@router.get("/alarms", dependencies=[Depends(READ)])
def list_alarms(desk: TheDesk, page: ThePage) -> dict[str, Any]:
    """Open alarms, the worst first."""
    return paged("alarms", desk.alarms(), page)


@router.post("/alarms/{alarm}/acknowledge")
def acknowledge(alarm: str, body: Acknowledge, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Acknowledge an alarm."""
    return desk.acknowledge(hand, alarm, body.comment)


@router.post("/alarms/{alarm}/shelve")
def shelve(alarm: str, body: Shelve, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Silence an alarm for some minutes; a critical limit's for 30 at most."""
    return desk.shelve(hand, alarm, body.minutes, body.reason)


@router.post("/alarms/{alarm}/out-of-service")
def out_of_service(alarm: str, body: OutOfService, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Take an alarm out of service for maintenance until somebody returns it; never one of a critical limit."""
    return desk.out_of_service(hand, alarm, body.reason)


@router.post("/alarms/{alarm}/in-service")
def in_service(alarm: str, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Return an alarm to service."""
    return desk.in_service(hand, alarm)


@router.get("/acknowledge/{token}", dependencies=[Depends(OPEN)])
def show_linked(token: str, desk: TheDesk) -> dict[str, Any]:
    """The alarm that a signed link is for. Acknowledges nothing, since previewers fetch links."""
    return desk.alarm_of_link(token)


@router.post("/acknowledge/{token}", dependencies=[Depends(OPEN)])
def acknowledge_linked(token: str, desk: TheDesk, body: Acknowledge | None = None) -> dict[str, Any]:
    """Acknowledge by signed link, as the person it was sent to; asks for no sign-in."""
    return desk.acknowledge_by_link(token, body.comment if body else "")
