"""Lots: started, moved on, measured, taken back, ended, and how each stands."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response

from monitor.api.access import READ
from monitor.api.bodies import Check, EnterStep, Measure, Placement, StartLot, Undo, When
from monitor.api.inner import TheDesk, Working
from monitor.api.paging import TaggedRoute, ThePage, paged, tagged
from monitor.lot_views import CHART_LEAST, CHART_MOST, CHART_WIDTH

router = APIRouter(prefix="/api/v1/lots", tags=["lots"])

Width = Annotated[
    int,
    Query(
        ge=CHART_LEAST,
        le=CHART_MOST,
        description="The width in pixels for which the chart is made; its letters keep their size, its curves grow finer.",
        examples=[CHART_WIDTH],
    ),
]


@router.get("", dependencies=[Depends(READ)])
def list_lots(desk: TheDesk, page: ThePage) -> dict[str, Any]:
    """Open lots first, then those that ended last."""
    return paged("lots", desk.lots(), page, "lot")


@router.post("", status_code=201)
def start_lot(body: StartLot, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Start a lot."""
    return desk.start_lot(hand, body.product, lot=body.lot, at=body.at, same_as_last=body.same_as_last)


def get_lot(lot: str, desk: TheDesk) -> dict[str, Any]:
    """One lot: its step, its verdicts limit by limit, where it is heading, predicted growth, its probes, and every entry.

    304 for an If-None-Match that still fits.
    """
    return desk.lot(lot) | {"growth": desk.growth(lot)}


router.add_api_route("/{lot}", get_lot, methods=["GET"], dependencies=[Depends(READ)], route_class_override=TaggedRoute)


@router.get("/{lot}/chart.svg", dependencies=[Depends(READ)], response_class=Response)
def get_chart(lot: str, desk: TheDesk, request: Request, width: Width = CHART_WIDTH) -> Response:
    """The lot's temperatures against its limits, as SVG; 304 for an If-None-Match that still fits."""
    return tagged(request, desk.chart(lot, width), "image/svg+xml")


@router.post("/{lot}/steps", status_code=201)
def enter_step(lot: str, body: EnterStep, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Enter a step, or confirm the one the lot awaits."""
    return desk.step(hand, lot, body.step, at=body.at)


@router.post("/{lot}/placements", status_code=201)
def place_probe(lot: str, body: Placement, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Put a core probe in, or, with a reason, take it out."""
    if body.reason is None:
        return desk.place(hand, lot, body.probe, at=body.at)
    return desk.remove(hand, lot, body.probe, body.reason, at=body.at)


@router.post("/{lot}/measures", status_code=201)
def add_measure(lot: str, body: Measure, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Note a measured value, such as pH, nitrite_ppm or weight_kg."""
    value = body.value if isinstance(body.value, str) else f"{body.value:.12g}"
    return desk.measure(hand, lot, body.name, value, at=body.at)


@router.post("/{lot}/checks", status_code=201)
def add_check(lot: str, body: Check, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Note a temperature taken by hand."""
    return desk.check(hand, lot, body.place, body.value, at=body.at)


@router.post("/{lot}/undo", status_code=201)
def undo_entry(lot: str, body: Undo, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """Take back one entry of the lot; both stay on record."""
    return desk.undo(hand, lot, body.at)


@router.post("/{lot}/end", status_code=201)
def end_lot(lot: str, body: When, desk: TheDesk, hand: Working) -> dict[str, Any]:
    """End the lot; what its limits still lack is decided then."""
    return desk.end(hand, lot, at=body.at)
