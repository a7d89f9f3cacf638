"""What the desk stands on: the pipeline, the alarms and the deviation records, as it uses them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Protocol

from sqlalchemy import Connection

from monitor.closing import Closing
from rules.finding import Finding
from rules.reading import Instant, LotEvent, Span


class Pipeline(Protocol):
    """What judges: `monitor.pipeline` in the service."""

    def event(self, conn: Connection, event: LotEvent) -> Sequence[Finding]:
        """Store and judge one lot event in the caller's transaction; raises EventError, with nothing changed, where it is refused."""
        ...

    def report(self) -> dict[str, Any]:
        """The Judge JSON of this instant; from any thread."""
        ...

    def forecasts(self) -> dict[str, list[dict[str, Any]]]:
        """Where the cores of each open lot are heading, as `rules.lot_forecast` gives it; from any thread."""
        ...


class Still:
    """A pipeline whose report is made once, at the first asking: for as long as one page is being made."""

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self._report: dict[str, Any] | None = None
        self._forecasts: dict[str, list[dict[str, Any]]] | None = None

    def event(self, conn: Connection, event: LotEvent) -> Sequence[Finding]:
        """Store and judge one lot event; what was reported before does not stand any more."""
        self._report = self._forecasts = None
        return self._pipeline.event(conn, event)

    def report(self) -> dict[str, Any]:
        """The Judge JSON of the instant of the first asking."""
        if self._report is None:
            self._report = self._pipeline.report()
        return self._report

    def forecasts(self) -> dict[str, list[dict[str, Any]]]:
        """The forecasts of the instant of the first asking."""
        if self._forecasts is None:
            self._forecasts = self._pipeline.forecasts()
        return self._forecasts


class AlarmBoard(Protocol):
    """What rings: `monitor.alarms` in the service. Each alarm is a mapping as that module describes it."""

    def open_alarms(self, conn: Connection, now: Instant | None = None) -> Sequence[Mapping[str, Any]]:
        """Alarms that are not back to normal and acknowledged, the worst first."""
        ...

    def alarm(self, conn: Connection, alarm_id: int | str) -> Mapping[str, Any]:
        """One alarm, open or not; raises NotFoundError."""
        ...

    def acknowledge(self, conn: Connection, alarm_id: int | str, by: str, now: Instant, comment: str = "") -> Mapping[str, Any]:
        """Acknowledge one alarm and give it back."""
        ...

    def shelve(self, conn: Connection, alarm_id: int | str, by: str, now: Instant, length: Span, reason: str) -> Mapping[str, Any]:
        """Silence one alarm for a while and give it back."""
        ...

    def out_of_service(self, conn: Connection, scope: str, by: str, reason: str, now: Instant) -> None:
        """Silence what a scope names until it is returned to service."""
        ...

    def return_to_service(self, conn: Connection, scope: str, by: str, now: Instant) -> None:
        """Return it to service."""
        ...


class DeviationBook(Protocol):
    """The deviation records: `monitor.deviations` in the service, which describes what each mapping holds."""

    def listed(self, conn: Connection, since: Instant | None = None) -> Sequence[Mapping[str, Any]]:
        """Every record, open ones first; `since` leaves out those closed before."""
        ...

    def get(self, conn: Connection, deviation_id: int | str) -> Mapping[str, Any]:
        """One record; raises NotFoundError."""
        ...

    def open_unforeseen(
        self, conn: Connection, by: str, now: Instant, lot: str, what: str, product: str = "", at: Instant | None = None
    ) -> int:
        """Open a record for what the plan does not foresee; its number."""
        ...

    def act(
        self, conn: Connection, deviation_id: int | str, by: str, now: Instant, what: str | int, at: Instant | None = None
    ) -> Mapping[str, Any]:
        """Write down an action taken: words, or the number of a planned one."""
        ...

    def close(
        self, conn: Connection, ids: int | str | Iterable[int | str], by: str, now: Instant, closing: Closing
    ) -> Sequence[Mapping[str, Any]]:
        """Answer records; they are closed, or wait for the second person."""
        ...

    def review(
        self, conn: Connection, ids: int | str | Iterable[int | str], by: str, now: Instant, comment: str = "", *, agreed: bool = True
    ) -> Sequence[Mapping[str, Any]]:
        """The second person's word."""
        ...
