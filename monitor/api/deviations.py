"""Deviations: what went wrong, what was done about it, and the record closed when nothing is missing."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Depends

from monitor.api.access import READ
from monitor.api.bodies import Action, Close, CloseTogether, OpenDeviation, SecondWord
from monitor.api.inner import Reviewing, TheDesk, Working
from monitor.api.paging import ThePage, paged

router = APIRouter(prefix="/api/v1/deviations", tags=["deviations"])


@router.get("", dependencies=[Depends(READ)])
def list_deviations(desk: TheDesk, page: ThePage) -> dict[str, Any]:
    """Open records, and those closed last."""
    return paged("deviations", desk.deviations(), page)


@router.post("", status_code=201)
def open_deviation(body: OpenDeviation, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Open a record for something a person saw that no probe could."""
    return desk.open_deviation(hand, body.text, lot=body.lot, at=body.at)


@router.post("/close")
def close_together(body: CloseTogether, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Answer several records of one cause with the same answers, all of them or none."""
    return desk.close_deviation(hand, body.deviations, body.model_dump(exclude={"deviations"}))


@router.get("/{deviation}", dependencies=[Depends(READ)])
def get_deviation(deviation: str, desk: TheDesk) -> dict[str, Any]:
    """One record with its actions, what it still lacks and, of a cooling or come-up, the growth that models predict."""
    record = desk.deviation(deviation)
    return record | {"growth": desk.growth(record["lot"], record["step"], record["limit"]) if record["lot"] and record["limit"] else []}


@router.post("/{deviation}/actions", status_code=201)
def add_action(deviation: str, body: Action, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Write down an action taken."""
    return desk.act(hand, deviation, body.text if body.planned is None else body.planned, at=body.at)


@router.post("/{deviation}/close")
def close_deviation(deviation: str, body: Close, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Answer the record: it is closed, or waits for a second person; refused while something is missing, listed in `errors`."""
    closed: dict[str, Any] = desk.close_deviation(hand, [deviation], body.model_dump())["deviations"][0]
    return closed


@router.post("/{deviation}/review")
def review_deviation(deviation: str, body: SecondWord, desk: TheDesk, hand: Reviewing) -> dict[str, Any]:
    """A second person's word on an answered record: agreed closes it, otherwise it is sent back."""
    reviewed: dict[str, Any] = desk.review_deviation(hand, [deviation], body.comment, agreed=body.agreed)["deviations"][0]
    return reviewed
