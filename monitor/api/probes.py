"""Probes with their age and health, and the checks made of them."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Depends

from monitor.api.access import READ
from monitor.api.bodies import Calibration
from monitor.api.inner import TheDesk, Working

router = APIRouter(prefix="/api/v1", tags=["probes"])


@router.get("/probes", dependencies=[Depends(READ)])
def list_probes(desk: TheDesk) -> dict[str, Any]:
    """Every probe: its newest value, how old that is, its health, the lot it is in, its last check."""
    return {"probes": desk.probes()}


@router.post("/calibrations", status_code=201)
def add_calibration(body: Calibration, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Record a thermometer check. It changes no reading and no verdict by itself."""
    return desk.calibrate(hand, body.probe, body.method, body.reference, body.indicated, at=body.at, comment=body.comment)


@router.get("/calibrations", dependencies=[Depends(READ)])
def list_calibrations(desk: TheDesk, probe: str = "") -> dict[str, Any]:
    """The newest thermometer checks, of one probe or of all."""
    return {"calibrations": desk.calibrations(probe)}
