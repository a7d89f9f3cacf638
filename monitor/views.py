"""What people are shown, as plain dicts: the API sends them, the page writes them out.

Instants are ISO 8601 text with Z, temperatures °C under keys ending `_c`, durations seconds under keys ending
`_s`; None where there is nothing. Each view is one short read, so that no reader holds the store's log.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Protocol

from sqlalchemy import Connection, func, select

from monitor import calibrations, days, lot_log, reviews
from monitor import ledger as records
from monitor.closing import Closing
from monitor.errors import NotFoundError
from monitor.store import events, readings
from monitor.store.database import Store
from monitor.store.schema import ledger
from rules.finding import Finding
from rules.plan import Plan, Probe
from rules.quantity import format_instant, format_span
from rules.reading import HOUR, SECOND, Instant, LotEvent, Reading, Span

_NO_LOT = 'there is no lot "{}"; GET /api/v1/lots lists them'


class Pipeline(Protocol):
    """What judges: `monitor.pipeline` in the service."""

    def event(self, conn: Connection, event: LotEvent) -> Sequence[Finding]:
        """Store and judge one lot event in the caller's transaction; raises EventError, with nothing changed, where it is refused."""
        ...

    def report(self) -> dict[str, Any]:
        """The Judge JSON of this instant; from any thread."""
        ...


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


class Views:
    """The read models; `Desk` adds what can be done."""

    store: Store
    plan: Plan
    pipeline: Pipeline
    alarm_board: AlarmBoard
    deviation_book: DeviationBook
    clock: Callable[[], Instant]

    # ---- lots ----

    def lots(self) -> list[dict[str, Any]]:
        """Open lots first, then those that ended last; each as `lot` gives it, without entries, limits and probes."""
        report = self._reports()
        with self.store.read() as conn:
            logs = self._known(conn, report)
        shown = [self._lot_line(log, report.get(log.lot)) for log in logs.values()]
        shown.sort(key=lambda one: one["ended"] or one["started"] or "", reverse=True)
        return sorted(shown, key=lambda one: one["ended"] is not None)

    def lot(self, lot: str) -> dict[str, Any]:
        """One lot.

        `lot, product, product_name, started, ended, step, step_since` (None where it advanced by itself), `steps_now` (two while
        it straddles), `awaits` (the step a person must confirm, or ""), `asked` (since when), `verdict, summary`; `placed` (probe to
        instant), `free_probes` (core probes in no lot), `steps` (names in order), `limits` (of the Judge JSON), and
        `entries` (`seq, at, entered, event, name, value, by, undone`). Raises NotFoundError.
        """
        reports = self._reports()
        report = reports.get(lot)
        with self.store.read() as conn:
            log = lot_log.read_lot(conn, lot)
            if log is None:
                raise NotFoundError(_NO_LOT.format(lot))
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

    def chart(self, lot: str) -> str:
        """The lot's temperatures against its limits, as SVG; raises NotFoundError."""
        from monitor.charts import LotPicture
        from monitor.drawing import svg

        report = self._reports().get(lot)
        with self.store.read() as conn:
            log = lot_log.read_lot(conn, lot)
            if log is None:
                raise NotFoundError(_NO_LOT.format(lot))
            judged = report or {"lot": lot, "product": log.product, "limits": []}
            until = max(self.clock(), log.entries[-1].at)
            picture = LotPicture(judged, self.plan, [e.event for e in events.of_lot(conn, lot)], until=until)
            for row in readings.between(conn, picture.begins - 1, picture.ends, list(picture.curves)):
                if isinstance(row.item, Reading):
                    picture.add(row.item, row.received_at)
        return svg(picture.drawing())

    def _reports(self) -> dict[str, Mapping[str, Any]]:
        return {one["lot"]: one for one in self.pipeline.report()["lots"]}

    def _known(self, conn: Connection, reports: Mapping[str, Mapping[str, Any]]) -> dict[str, lot_log.LotLog]:
        """Lots started last, and any still open that was started long before them."""
        going = [name for name, one in reports.items() if one["ended"] is None]
        return lot_log.read_lots(conn, list(dict.fromkeys([*going, *lot_log.recent_lots(conn)])))

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
            "summary": _summary(report),
        }

    # ---- probes ----

    def probes(self) -> list[dict[str, Any]]:
        """Every probe of the plan, then those heard that the plan does not know.

        `probe, place, room, lot` (the one it is in), `at, age_s, celsius_c` (offset added), `raw_c, offset_c, suspect,
        fault, fault_at, health` and `checked` (its last thermometer check). `health`: good, suspect, fault, silent,
        never heard, not in the plan.
        """
        now = self.clock()
        with self.store.read() as conn:
            heard = readings.newest_by_probe(conn)
            logs = self._known(conn, self._reports())
            checks = {one["probe"]: one for one in reversed(calibrations.newest(conn))}
        home = {probe: log.lot for log in logs.values() for probe in log.placed}
        planned = {p.id: p for p in self.plan.probes}
        return [
            self._probe_line(name, planned.get(name), heard.get(name), now) | {"lot": home.get(name, ""), "checked": checks.get(name)}
            for name in [*planned, *(n for n in heard if n not in planned)]
        ]

    def _probe_line(self, name: str, probe: Probe | None, newest: readings.Newest | None, now: Instant) -> dict[str, Any]:
        reading = newest.reading if newest else None
        fault = newest.fault if newest else None
        at = newest.at if newest else None
        quiet = at is not None and probe is not None and now - at > probe.silent_after
        if probe is None:
            health = "not in the plan"
        elif at is None:
            health = "never heard"
        elif quiet:
            health = "silent"
        elif fault is not None and (reading is None or fault.at > reading.at):
            health = "fault"
        else:
            health = "suspect" if reading is not None and reading.suspect else "good"
        return {
            "probe": name,
            "place": probe.place if probe else "",
            "room": (probe.room or "") if probe else "",
            "at": _text(at),
            "age_s": None if at is None else max(0.0, (now - at) / SECOND),
            "celsius_c": None if reading is None else reading.celsius + reading.offset_c,
            "raw_c": None if reading is None else reading.celsius,
            "offset_c": None if reading is None else reading.offset_c,
            "suspect": reading.suspect if reading else "",
            "fault": fault.reason if fault else "",
            "fault_at": _text(fault.at if fault else None),
            "health": health,
        }

    def calibrations(self, probe: str = "") -> list[dict[str, Any]]:
        """The newest thermometer checks, of one probe or of all, as `monitor.calibrations` describes them."""
        with self.store.read() as conn:
            return calibrations.newest(conn, probe)

    def newest_age_s(self) -> float | None:
        """Seconds since anything was heard of any probe; None where nothing ever was."""
        with self.store.read() as conn:
            heard = readings.newest_by_probe(conn).values()
        return max(0.0, (self.clock() - max(one.at for one in heard)) / SECOND) if heard else None

    # ---- alarms, deviations ----

    def alarms(self) -> list[dict[str, Any]]:
        """Open alarms, the worst first, as `monitor.alarms.listing.describe` gives them."""
        with self.store.read() as conn:
            return [dict(one) for one in self.alarm_board.open_alarms(conn, self.clock())]

    def deviations(self) -> list[dict[str, Any]]:
        """Deviation records that are open or were closed in the last 30 days, open ones first, as `monitor.deviations` gives them."""
        with self.store.read() as conn:
            return [dict(one) for one in self.deviation_book.listed(conn, self.clock() - 30 * 24 * HOUR)]

    def deviation(self, deviation: str) -> dict[str, Any]:
        """One deviation record; raises NotFoundError."""
        with self.store.read() as conn:
            return dict(self.deviation_book.get(conn, deviation))

    def counts(self) -> dict[str, int]:
        """How many: `lots_open, alarms_open, alarms_unacknowledged, deviations_open, ledger_entries`."""
        alarms = self.alarms()
        with self.store.read() as conn:
            entries = records.head(conn).seq
        return {
            "lots_open": sum(1 for one in self._reports().values() if one["ended"] is None),
            "alarms_open": len(alarms),
            "alarms_unacknowledged": sum(1 for one in alarms if one["unacknowledged"]),
            "deviations_open": sum(1 for one in self.deviations() if one["closed"] is None),
            "ledger_entries": entries,
        }

    # ---- the day, and now ----

    def day(self, day: str) -> dict[str, Any]:
        """One local day.

        `day, begins, ends, lots` (as in `lots`), `records` (ledger entries by kind), `reviews`, `reviewed_to` (ledger
        place of the last review), `since_review` (records of the day after it), `open_matters` (what keeps it from
        being signed), `makers`. Raises InputError unless `day` is a date.
        """
        since, until = days.day_span(day, self.plan.site.zone)
        report = self._reports()
        with self.store.read() as conn:
            logs = lot_log.read_lots(conn, lot_log.lots_between(conn, since, until))
            signed = reviews.of_day(conn, day)
            last = signed[-1]["ledger_seq"] if signed else 0
            of_day = (ledger.c.at > since) & (ledger.c.at <= until)
            kinds = conn.execute(select(ledger.c.kind, func.count()).where(of_day).group_by(ledger.c.kind).order_by(ledger.c.kind))
            counts: dict[str, int] = {row[0]: row[1] for row in kinds}
            after = conn.execute(
                select(func.count()).where(of_day & (ledger.c.seq > last) & ledger.c.kind.notin_(("review", "person", "seal")))
            ).scalar_one()
            matters = self.open_matters(conn, since, until)
            makers = sorted(days.makers_of(conn, since, until))
        return {
            "day": day,
            "begins": format_instant(since),
            "ends": format_instant(until),
            "lots": [self._lot_line(log, report.get(log.lot)) for log in logs.values()],
            "records": counts,
            "reviews": signed,
            "reviewed_to": last or None,
            "since_review": after if signed else None,
            "open_matters": matters,
            "makers": makers,
        }

    def open_matters(self, conn: Connection, since: Instant, until: Instant) -> list[str]:
        """What must be done before the day can be signed, one phrase each: open deviations, steps nobody confirmed."""
        lots = set(lot_log.lots_between(conn, since, until))
        matters = []
        for one in self.deviation_book.listed(conn, since):
            if one["closed"] is None and (one["lot"] in lots or since < one["opened_at"] <= until):
                matters.append(f"deviation {one['id']}{' of lot ' if one['lot'] else ''}{one['lot']} is not closed")
        for lot, one in self._reports().items():
            if lot in lots and one["unconfirmed"]:
                matters.append(f"nobody has confirmed when lot {lot} went to {one['prompt']['to']}")
        return matters

    def now_view(self) -> dict[str, Any]:
        """What needs somebody now.

        `at`, `needs`: most urgent first, each `{kind, text, lot, id, since}` with kind alarm, confirm, deviation,
        probe or review; `lots`: those open, as in `lots`; `quiet`: True where nothing needs anybody.
        """
        now = self.clock()
        needs: list[dict[str, Any]] = []
        for one in self.alarms():
            if one["unacknowledged"]:
                needs.append(_need("alarm", one["text"], one["lot"], one["id"], one["since"]))
        open_lots = [one for one in self.lots() if one["ended"] is None]
        for one in open_lots:
            if one["awaits"]:
                text = f"Is lot {one['lot']} in {one['awaits']} now? Confirm it and write the time it moved."
                needs.append(_need("confirm", text, one["lot"], one["awaits"], one["asked"]))
        for one in self.deviations():
            if one["closed"] is None:
                text = (
                    f"Waits for {' or '.join(one['reviewers']) or 'its review'}: {one['text']}"
                    if one["state"] == "answered"
                    else one["text"]
                )
                needs.append(_need("deviation", text, one["lot"], one["id"], one["opened"]))
        for one in self.probes():
            if one["health"] in ("silent", "fault", "suspect") and (one["lot"] or one["place"] != "core"):
                text = f"Probe {one['probe']}: {_health(one)}."
                needs.append(_need("probe", text, one["lot"], one["probe"], one["at"]))
        yesterday = days.day_of(days.day_span(days.day_of(now, self.plan.site.zone), self.plan.site.zone)[0], self.plan.site.zone)
        before = self.day(yesterday)
        if before["lots"] and (not before["reviews"] or before["since_review"]):
            needs.append(_need("review", f"The records of {yesterday} wait for their review.", "", yesterday, before["ends"]))
        return {"at": format_instant(now), "needs": needs, "lots": open_lots, "quiet": not needs}


def _need(kind: str, text: str, lot: str, ident: Any, since: str | None) -> dict[str, Any]:
    return {"kind": kind, "text": text, "lot": lot, "id": ident, "since": since}


def _health(probe: Mapping[str, Any]) -> str:
    if probe["health"] == "silent":
        return f"nothing heard for {format_span(int(probe['age_s'] * SECOND))}"
    return f"{probe['health']}, {probe['fault'] if probe['health'] == 'fault' else probe['suspect']}"


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
