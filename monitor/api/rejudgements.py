"""Late readings: what is being judged anew, what came too late to be judged by itself, and the asking for it."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Depends

from monitor.api.access import READ
from monitor.api.bodies import Rejudge
from monitor.api.inner import TheDesk, Working

router = APIRouter(prefix="/api/v1/rejudgements", tags=["rejudgements"])


@router.get("", dependencies=[Depends(READ)])
def list_late(desk: TheDesk) -> dict[str, Any]:
    """`waiting`: what is being judged anew; `unjudged`: readings that came more than 48 h late, by probe."""
    return desk.late()


@router.post("", status_code=201)
def rejudge(body: Rejudge, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Have the readings that came more than 48 h late judged, from `since` on."""
    return desk.rejudge(hand, body.since, body.reason)
