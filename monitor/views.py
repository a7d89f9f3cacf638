"""What people are shown, as plain dicts: the API sends them, the page writes them out.

Instants are ISO 8601 text with Z, temperatures °C under keys ending `_c`, durations seconds under keys ending
`_s`; None where there is nothing. Each view is one short read, so that no reader holds the store's log.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any, Self

from sqlalchemy import Connection, func, select

from monitor import calibrations, check_watch, days, lot_log, reviews
from monitor import ledger as records
from monitor.clock_board import BoardClock
from monitor.lot_views import LotViews
from monitor.parts import AlarmBoard, DeviationBook, Still
from monitor.store import readings
from monitor.store.schema import ledger
from rules.plan import Probe
from rules.quantity import format_instant, format_span
from rules.reading import HOUR, SECOND, Instant

#: Records that are not made of a day's work: they do not ask for another review of it.
_UPKEEP = ("review", "person", "seal", "monitoring", "retention", "check", "backup", "restore-rehearsal")


class Views(LotViews):
    """The read models; `Desk` adds what can be done."""

    alarm_board: AlarmBoard
    deviation_book: DeviationBook

    def still(self) -> Self:
        """The same desk over one report: whoever asks for several views at once has all of them speak of one instant.

        The report is made at the first asking and costs as much as everything else of a page; keep no still desk
        longer than it takes to make an answer.
        """
        if isinstance(self.pipeline, Still):
            return self
        held = copy.copy(self)
        held.pipeline = Still(self.pipeline)
        return held

    # ---- probes ----

    def probes(self) -> list[dict[str, Any]]:
        """Every probe of the plan, then those heard that the plan does not know.

        `probe, place, room, lot` (the one it is in), `at, age_s, celsius_c` (offset added; of a humidity probe `humidity_pct`), `raw_c,
        offset_c, suspect, fault, fault_at, health`, `checked` (its last check), `check_due_at`, `check_overdue`. `health`: good,
        suspect, fault, silent, never heard, not in the plan.
        """
        now = self.clock()
        with self.store.read() as conn:
            heard = readings.newest_by_probe(conn)
            logs = self._known(conn, self._reports())
            checks = {str(one["probe"]): one for one in check_watch.standing(conn, self.plan)}
        home = {probe: log.lot for log in logs.values() for probe in log.placed}
        planned = {p.id: p for p in self.plan.probes}
        return [
            self._probe_line(name, planned.get(name), heard.get(name), now)
            | {"lot": home.get(name, "")}
            | _check_line(checks.get(name), now)
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
        humid = probe is not None and probe.place == "humidity"
        return {
            "probe": name,
            "place": probe.place if probe else "",
            "room": (probe.room or "") if probe else "",
            "at": _text(at),
            "age_s": None if at is None else max(0.0, (now - at) / SECOND),
            "celsius_c": None if reading is None or humid else reading.celsius + reading.offset_c,
            "humidity_pct": reading.celsius + reading.offset_c if reading is not None and humid else None,
            "raw_c": None if reading is None or humid else reading.celsius,
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
            lines = self._lot_lines(conn, logs.values(), report)
            signed = reviews.of_day(conn, day)
            last = signed[-1]["ledger_seq"] if signed else 0
            of_day = (ledger.c.at > since) & (ledger.c.at <= until)
            kinds = conn.execute(select(ledger.c.kind, func.count()).where(of_day).group_by(ledger.c.kind).order_by(ledger.c.kind))
            counts: dict[str, int] = {row[0]: row[1] for row in kinds}
            after = conn.execute(select(func.count()).where(of_day & (ledger.c.seq > last) & ledger.c.kind.notin_(_UPKEEP))).scalar_one()
            matters = self.open_matters(conn, since, until)
            makers = sorted(days.makers_of(conn, since, until))
        return {
            "day": day,
            "begins": format_instant(since),
            "ends": format_instant(until),
            "lots": lines,
            "records": counts,
            "reviews": signed,
            "reviewed_to": last or None,
            "since_review": after if signed else None,
            "open_matters": matters,
            "makers": makers,
        }

    def open_matters(self, conn: Connection, since: Instant, until: Instant) -> list[str]:
        """What must be done before the day can be signed, one phrase each: open deviations, steps nobody confirmed, the time."""
        lots = set(lot_log.lots_between(conn, since, until))
        matters = []
        for one in self.deviation_book.listed(conn, since):
            if one["closed"] is None and (one["lot"] in lots or since < one["opened_at"] <= until):
                matters.append(f"deviation {one['id']}{' of lot ' if one['lot'] else ''}{one['lot']} is not closed")
        for lot, one in self._reports().items():
            if lot in lots and one["unconfirmed"]:
                matters.append(f"nobody has confirmed when lot {lot} went to {one['prompt']['to']}")
        if isinstance(self.clock, BoardClock) and self.clock.doubtful(0, until):
            matters.append("its times are provisional until the time is known and what was read is judged by it")
        return matters

    def now_view(self) -> dict[str, Any]:
        """What needs somebody now.

        `at`, `needs`: most urgent first, each `{kind, text, lot, id, since}` with kind alarm, confirm, deviation,
        probe or review; `lots`: those open, as in `lots`; `quiet`: True where nothing needs anybody.
        """
        return self.still()._now_view()

    def _now_view(self) -> dict[str, Any]:
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


def _check_line(check: Mapping[str, Any] | None, now: Instant) -> dict[str, Any]:
    if check is None:
        return {"checked": None, "check_due_at": None, "check_overdue": False}
    return {"checked": check["check"], "check_due_at": format_instant(check["due_at"]), "check_overdue": check["due_at"] <= now}


def _need(kind: str, text: str, lot: str, ident: Any, since: str | None) -> dict[str, Any]:
    return {"kind": kind, "text": text, "lot": lot, "id": ident, "since": since}


def _health(probe: Mapping[str, Any]) -> str:
    if probe["health"] == "silent":
        return f"nothing heard for {format_span(int(probe['age_s'] * SECOND))}"
    return f"{probe['health']}, {probe['fault'] if probe['health'] == 'fault' else probe['suspect']}"


def _text(at: Instant | None) -> str | None:
    return None if at is None else format_instant(at)
