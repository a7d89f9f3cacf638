"""What people are shown of lots: the written side from the log, the verdicts from the engine."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from sqlalchemy import Connection

from monitor import lot_log, lot_results
from monitor.errors import NotFoundError
from monitor.parts import Pipeline
from monitor.provisional import doubt
from monitor.recalls import Recalled
from monitor.store import events, readings
from monitor.store.database import Store
from rules.growth_over_lot import add_growth, asks_growth
from rules.growth_over_lot import words as growth_words
from rules.history import arrange
from rules.lot_forecast import line_words
from rules.plan import Plan
from rules.quantity import format_instant
from rules.reading import MINUTE, SECOND, Instant, Reading, Span

#: Widths of a chart in pixels of the page: of a phone held upright, and the bounds within which a chart can be read.
CHART_WIDTH, CHART_LEAST, CHART_MOST = 360, 240, 1200
#: A forecast from older readings is shown no more.
FRESH: Span = 5 * MINUTE
_NOTHING_KEPT = "Its judgement is not kept here; `larderer judge` on the export of its day shows it."


class LotViews:
    """The lots; see `views.py`."""

    store: Store
    plan: Plan
    pipeline: Pipeline
    clock: Callable[[], Instant]

    def lots(self) -> list[dict[str, Any]]:
        """Open lots first, then those that ended last; each as `lot` gives it, without entries, limits and probes."""
        reports = self._reports()
        with self.store.read() as conn:
            logs = [log for log in self._known(conn, reports).values() if log.started is not None]
            shown = self._lot_lines(conn, logs, reports)
        shown.sort(key=lambda one: one["ended"] or one["started"] or "", reverse=True)
        return sorted(shown, key=lambda one: one["ended"] is not None)

    def lot(self, lot: str) -> dict[str, Any]:
        """One lot.

        `lot, product, product_name, started, ended, step, step_since` (None where it advanced by itself), `steps_now` (two while
        it straddles), `awaits` (the step a person must confirm, or ""), `asked` (since when), `verdict`, `provisional` ("time", "verdicts"
        or "": what is), `summary`, `forecasts` (where its cores are heading: `step, limit, kind, probe, to_c, expected, earliest, latest,
        due, hold_s, air_c, read, text`); `placed` (probe to instant), `free_probes` (core probes in no lot), `steps` (names in order),
        `limits` (of the Judge JSON), and
        `entries` (`seq, at, entered, event, name, value, by, undone`). Raises NotFoundError.
        """
        reports = self._reports()
        with self.store.read() as conn:
            log = self._log(conn, lot)
            report = reports.get(lot) or lot_results.kept(conn, [lot]).get(lot)
            others = self._known(conn, reports)
        taken = {probe for one in others.values() for probe in one.placed}
        product = self.plan.product_by_code.get(log.product)
        return self._lot_line(log, report) | {
            "placed": {probe: format_instant(at) for probe, at in log.placed.items()},
            "free_probes": [p.id for p in self.plan.probes if p.place == "core" and p.id not in taken],
            "steps": [s.name for s in product.steps] if product else [],
            "limits": report["limits"] if report else [],
            "entries": [
                {
                    "seq": e.seq,
                    "at": format_instant(e.at),
                    "entered": _text(e.entered),
                    "event": e.event,
                    "name": e.name,
                    "value": e.value,
                    "by": e.by,
                    "undone": e.undone,
                }
                for e in log.entries
            ],
        }

    def chart(self, lot: str, width: int = CHART_WIDTH) -> str:
        """The lot's temperatures against its limits, as SVG; raises NotFoundError.

        `width` is what the picture is made for, in pixels of the page (CHART_LEAST to CHART_MOST): its letters are then of
        a size to read, and its curves as fine as the width can show.
        """
        from monitor.charts.drawing import svg
        from monitor.charts.lot_chart import LotPicture

        report = self._reports().get(lot)
        with self.store.read() as conn:
            log = self._log(conn, lot)
            judged = report or lot_results.kept(conn, [lot]).get(lot) or {"lot": lot, "product": log.product, "limits": []}
            until = max(self.clock(), log.entries[-1].at)
            columns = width * 2 // 3
            picture = LotPicture(judged, self.plan, [e.event for e in events.of_lot(conn, lot)], until=until, columns=columns)
            rows = readings.between(conn, picture.begins - 1, picture.ends, list(picture.curves))
            for row in Recalled.read(conn).applied(rows):
                if isinstance(row.item, Reading):
                    picture.add(row.item, row.received_at)
        coming = self._forecasts(lot) if log.open else []
        return svg(picture.drawing(width, max(300, width // 2), forecasts=coming))

    def _reports(self) -> dict[str, Mapping[str, Any]]:
        return {one["lot"]: one for one in self.pipeline.report()["lots"]}

    def _known(self, conn: Connection, reports: Mapping[str, Mapping[str, Any]]) -> dict[str, lot_log.LotLog]:
        """Lots started last, and any still open that was started long before them."""
        going = [name for name, one in reports.items() if one["ended"] is None]
        return lot_log.read_lots(conn, list(dict.fromkeys([*going, *lot_log.recent_lots(conn)])))

    def _log(self, conn: Connection, lot: str) -> lot_log.LotLog:
        log = lot_log.read_lot(conn, lot)
        if log is None:
            raise NotFoundError(f'there is no lot "{lot}"; GET /api/v1/lots lists them')
        return log

    def _lot_lines(
        self, conn: Connection, logs: Iterable[lot_log.LotLog], reports: Mapping[str, Mapping[str, Any]]
    ) -> list[dict[str, Any]]:
        """One line for each lot; those that the engine has let go of as they were kept."""
        listed = list(logs)
        older = lot_results.kept(conn, [log.lot for log in listed if log.lot not in reports])
        return [self._lot_line(log, reports.get(log.lot) or older.get(log.lot)) for log in listed]

    def _lot_line(self, log: lot_log.LotLog, report: Mapping[str, Any] | None) -> dict[str, Any]:
        product = self.plan.product_by_code.get(log.product)
        first = product.steps[0].name if product else ""
        at = report["steps"] if report and report["steps"] else [log.step or first]
        since = log.step_since if log.step == at[0] else log.started if at[0] == first else None
        return {
            "lot": log.lot,
            "product": log.product,
            "product_name": product.name if product else log.product,
            "started": _text(log.started),
            "ended": _text(log.ended),
            "step": at[0],
            "step_since": _text(since),
            "steps_now": list(at),
            "awaits": report["prompt"]["to"] if report and report["unconfirmed"] else "",
            "asked": report["prompt"]["at"] if report and report["unconfirmed"] else None,
            "verdict": report["verdict"] if report else "open" if log.open else "unproven",
            "provisional": doubt(self.clock),
            "summary": _summary(report) if report else "" if log.open else _NOTHING_KEPT,
            "forecasts": self._forecasts(log.lot) if log.open else [],
        }

    def _forecasts(self, lot: str) -> list[dict[str, Any]]:
        """The lot's forecasts from readings that are not older than FRESH, with the sentence that people are shown."""
        site, now = self.plan.site, self.clock()
        return [
            {
                "step": one["step"], "limit": one["limit"], "kind": one["kind"], "probe": one["probe"], "to_c": round(one["to_c"], 3),
                "expected": _text(one["at"]), "earliest": _text(one["early"]), "latest": _text(one["late"]), "due": _text(one["by"]),
                "hold_s": one["hold"] / SECOND, "air_c": round(one["air_c"], 2), "read": _text(one["read"]),
                "text": line_words(one, site.unit, site.zone, now),
            }
            for one in self.pipeline.forecasts().get(lot, [])
            if now - one["read"] <= FRESH
        ]  # fmt: skip

    def growth(self, lot: str, step: str = "", limit: str = "") -> list[dict[str, Any]]:
        """Predicted growth over the lot's own curve, for its limits of that step and name that ask for it: facts for the corrective action.

        As the Judge JSON of its files gives it (`rules.growth_over_lot`), each with `step`, `limit` and `sentences`; empty for most lots.
        """
        site = self.plan.site
        with self.store.read() as conn:
            report = self._reports().get(lot) or lot_results.kept(conn, [lot]).get(lot)
            if report is None or not asks_growth(report):
                return []
            entries = [e.event for e in events.of_lot(conn, lot)]
            until = max(self.clock(), *(e.at for e in entries))
            probes = {e.name for e in entries if e.event == "place"}
            rows = Recalled.read(conn).applied(readings.between(conn, min(e.at for e in entries) - 1, until, list(probes)))
            judged = {"lots": [copy.deepcopy(dict(report))]}
            add_growth(judged, self.plan, arrange([*entries, *(row.item for row in rows)]))
        return [
            told | {"step": one["step"], "limit": one["limit"], "sentences": growth_words(told, site.zone, self.clock())}
            for one in judged["lots"][0]["limits"]
            for told in one.get("growth", ())
            if step in ("", one["step"]) and limit in ("", one["limit"])
        ]


def _summary(report: Mapping[str, Any] | None) -> str:
    """The sentence of the watch that decides how the lot stands: the worst critical limit's, else the first open one's."""
    if report is None:
        return ""
    order = ("deviated", "unproven", "open", "met")
    limits = sorted(report["limits"], key=lambda one: (one["class"] != "critical", order.index(one["verdict"])))
    for limit in limits:
        for watch in sorted(limit["watches"], key=lambda one: order.index(one["verdict"])):
            if watch["reason"] and watch["verdict"] == limit["verdict"]:
                return f"{limit['limit']}: {watch['reason']}"
    return ""


def _text(at: Instant | None) -> str | None:
    return None if at is None else format_instant(at)
