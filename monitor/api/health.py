"""Whether the service is well (open to everybody), and its numbers for a scraper (OpenMetrics)."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, cast

from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse, Response

from monitor.api.access import METRICS, OPEN
from monitor.api.inner import TheDesk
from monitor.desk import Desk
from monitor.provisional import doubt

router = APIRouter(prefix="/api/v1", tags=["service"])
OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"


@router.get("/health", dependencies=[Depends(OPEN)])
def health(desk: TheDesk, request: Request) -> JSONResponse:
    """`status` (ok or trouble), `newest_reading_age_s`, `provisional` (time, verdicts or ""), `version`; 503 in trouble. Names nobody."""
    trouble = cast(Callable[[], str], request.app.state.trouble)()
    body = {
        "status": "trouble" if trouble else "ok",
        "newest_reading_age_s": desk.newest_age_s(),
        "provisional": doubt(desk.clock),
        "version": request.app.version,
    }
    return JSONResponse(body, 503 if trouble else 200)


@router.get("/metrics", dependencies=[Depends(METRICS)], response_class=Response)
def metrics(desk: TheDesk) -> Response:
    """The service's numbers as OpenMetrics text."""
    from prometheus_client import CollectorRegistry  # nobody may ever ask
    from prometheus_client.openmetrics.exposition import generate_latest

    registry = CollectorRegistry(auto_describe=False)
    registry.register(DeskCollector(desk))
    text = generate_latest(registry)  # type: ignore[no-untyped-call]  # the library types it only in part
    return Response(text, media_type=OPENMETRICS)


class DeskCollector:
    """Numbers read from the desk at the moment they are asked for."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def collect(self) -> Iterable[Any]:
        """Metric families: probes, lots, alarms, deviations, ledger."""
        from prometheus_client.core import GaugeMetricFamily

        desk = self._desk
        age = GaugeMetricFamily("larderer_probe_age_seconds", "Seconds since the probe's newest reading or fault.", labels=["probe"])
        value = GaugeMetricFamily("larderer_probe_celsius", "Newest temperature with its offset, in degrees Celsius.", labels=["probe"])
        humidity = GaugeMetricFamily("larderer_probe_humidity_percent", "Newest relative humidity with its offset.", labels=["probe"])
        for one in desk.probes():
            if one["age_s"] is not None:
                age.add_metric([one["probe"]], one["age_s"])
            if one["celsius_c"] is not None:
                value.add_metric([one["probe"]], one["celsius_c"])
            if one["humidity_pct"] is not None:
                humidity.add_metric([one["probe"]], one["humidity_pct"])
        counts = desk.counts()
        yield age
        yield value
        yield humidity
        yield GaugeMetricFamily("larderer_lots_open", "Lots started and not ended.", value=counts["lots_open"])
        yield GaugeMetricFamily("larderer_alarms_open", "Alarms not back to normal and acknowledged.", value=counts["alarms_open"])
        yield GaugeMetricFamily("larderer_alarms_unacknowledged", "Alarms nobody has acknowledged.", value=counts["alarms_unacknowledged"])
        yield GaugeMetricFamily("larderer_deviations_open", "Deviation records not closed.", value=counts["deviations_open"])
        yield GaugeMetricFamily("larderer_ledger_entries", "Entries of the ledger.", value=counts["ledger_entries"])
