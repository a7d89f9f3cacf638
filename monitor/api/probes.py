"""Probes with their age and health, and the checks made of them."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Depends

from monitor.api.access import READ
from monitor.api.bodies import Calibration, Recall
from monitor.api.inner import TheDesk, Working
from monitor.api.paging import ThePage, paged

router = APIRouter(prefix="/api/v1", tags=["probes"])


@router.get("/probes", dependencies=[Depends(READ)])
def list_probes(desk: TheDesk) -> dict[str, Any]:
    """Every probe: its newest value, how old that is, its health, the lot it is in, its last check."""
    return {"probes": desk.probes()}


@router.post("/calibrations", status_code=201)
def add_calibration(body: Calibration, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Record a check of a probe. It changes no verdict by itself; a probe beyond its tolerance rings, and is recalled."""
    return desk.calibrate(hand, body.check())


@router.get("/calibrations", dependencies=[Depends(READ)])
def list_calibrations(desk: TheDesk, page: ThePage, probe: str = "") -> dict[str, Any]:
    """The newest checks of probes, of one or of all."""
    return paged("calibrations", desk.calibrations(probe), page)


@router.get("/recalls/preview", dependencies=[Depends(READ)])
def preview_recall(desk: TheDesk, probe: str, check: int | None = None) -> dict[str, Any]:
    """What recalling a probe would change: every lot whose verdict is another, with both. Changes nothing."""
    return desk.recall_preview(probe, check)


@router.post("/recalls", status_code=201)
def carry_out_recall(body: Recall, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Recall a probe: judge again what it measured since its last good check, with the error found taken off."""
    return desk.recall(hand, body.probe, body.check)


@router.get("/recalls", dependencies=[Depends(READ)])
def list_recalls(desk: TheDesk, page: ThePage, probe: str = "") -> dict[str, Any]:
    """The recalls carried out, of one probe or of all."""
    return paged("recalls", desk.recalls(probe), page)
