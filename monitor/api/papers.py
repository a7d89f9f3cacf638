"""The papers of a lot: what was received for it, what holds it, and its release."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path

from monitor.api.access import READ
from monitor.api.bodies import Receipt, Release, Withdraw
from monitor.api.inner import Reviewing, TheDesk, Working

router = APIRouter(prefix="/api/v1/lots", tags=["lots"])

Seq = Annotated[int, Path(ge=1, le=2**53, description="`seq` of the receipt, as GET /lots/{lot}/papers gives it.")]


@router.get("/{lot}/papers", dependencies=[Depends(READ)])
def get_papers(lot: str, desk: TheDesk) -> dict[str, Any]:
    """What was received for the lot, which deviations hold it, what a release still waits for, and the newest release."""
    return desk.papers(lot)


@router.post("/{lot}/receipts", status_code=201)
def receive(lot: str, body: Receipt, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Write down what was received for the lot; its `seq` names the receipt."""
    weight = body.weight_kg if isinstance(body.weight_kg, str) else f"{body.weight_kg:.12g}"
    return desk.receive(
        hand, lot, body.material, body.supplier, body.supplier_lot, body.temperature, weight,
        accepted=body.accepted, note=body.note, at=body.at,
    )  # fmt: skip


@router.post("/{lot}/receipts/{receipt}/withdraw", status_code=201)
def withdraw_receipt(lot: str, receipt: Seq, body: Withdraw, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Take back one receipt that was written wrongly, with the reason; both stay on record."""
    return desk.withdraw_receipt(hand, lot, receipt, body.reason)


@router.post("/{lot}/release", status_code=201)
def release(lot: str, body: Release, desk: TheDesk, hand: Reviewing) -> dict[str, Any]:
    """Sign the release of a lot that has ended; refused while anything holds it, and the refusal names it all."""
    return desk.release(hand, lot, body.comment)
