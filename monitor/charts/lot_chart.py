"""The chart of one lot, made from what was judged, the plan and the readings.

`lot_chart` gives SVG for the page; `LotPicture` takes readings one by one, for exports that hold millions of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from monitor.charts.ahead import ahead_of
from monitor.charts.curve import Curve
from monitor.charts.drawing import Drawing, svg
from monitor.charts.layout import CoolingBox, LimitLine, Moment, StepBand, lot_drawing
from monitor.lot_log import Entry, fold
from rules.limits.spec import Ceiling, ComeUp, Cooling, Dwell, Exposure, Floor, HoldLethality, Humidity, IntegratedLethality
from rules.plan import Limit, Plan, Product
from rules.quantity import format_span, parse_instant
from rules.reading import MINUTE, SECOND, Instant, LotEvent, Reading, Span
from rules.wording import temperature

#: A reading that came this long after its own time is drawn as late (store-and-forward gateways).
LATE: Span = 5 * MINUTE


class Stay(NamedTuple):
    """A stretch of time: a probe in the lot, or the lot in a step."""

    name: str
    begins: Instant
    ends: Instant


class LotPicture:
    """One lot's chart in the making: give it the lot as judged, then the readings in rising time per probe.

    `report_lot` is one of `lots` of the Judge JSON; `until` is where an open lot is drawn to. Steps that the lot entered by
    itself are no events: give them among `events` as `step` (see `advanced`).
    """

    def __init__(
        self, report_lot: Mapping[str, Any], plan: Plan, events: Iterable[LotEvent], *, until: Instant, columns: int = 240,
    ) -> None:  # fmt: skip
        self.report, self.plan = report_lot, plan
        self.lot = str(report_lot["lot"])
        self.product = plan.product_by_code.get(str(report_lot.get("product", "")))
        entries = _standing(events, self.lot)
        self.begins = min((e.at for e in entries if e.event == "start"), default=min((e.at for e in entries), default=until))
        self.ends = max(min((e.at for e in entries if e.event == "end"), default=until), self.begins)
        self.steps = self._steps(entries)
        self.stays = self._stays(entries)
        gap = _shortest_gap(self.product)
        places = {s.name: self._place(s.name) for s in self.stays}
        self.curves = {
            n: Curve(n, self.begins, self.ends, max_gap=gap.get(at, 30 * MINUTE), columns=columns, percent=at == "humidity")
            for n, at in places.items()
        }

    def add(self, reading: Reading, received_at: Instant | None = None) -> None:
        """Draw a reading if its probe served this lot at that instant."""
        curve = self.curves.get(reading.probe)
        stay = next((s for s in self.stays if s.name == reading.probe and s.begins <= reading.at <= s.ends), None)
        if curve is None or stay is None:
            return
        if self._place(reading.probe) != "core" and curve.last is not None and self._was_away(reading.probe, curve.last.at, reading.at):
            curve.lift()  # the lot was in another room meanwhile: that is no gap in what was measured
        late = received_at is not None and received_at - reading.at > LATE
        curve.add(reading.at, reading.celsius + reading.offset_c, suspect=bool(reading.suspect), late=late)

    def _was_away(self, probe: str, since: Instant, until: Instant) -> bool:
        """Whether the probe did not serve the lot at some instant between two of its readings."""
        at = since
        for stay in sorted((s for s in self.stays if s.name == probe and s.ends >= since), key=lambda s: s.begins):
            if stay.begins > at:
                break
            at = max(at, stay.ends)
        return at < until

    def drawing(self, width: float = 360, height: float = 300, *, forecasts: Sequence[Mapping[str, Any]] = ()) -> Drawing:
        """The chart as shapes; `forecasts` of the lot (`ahead.py`) are drawn on as faint lines."""
        site = self.plan.site
        curves = [c for c in self.curves.values() if c.count or c.suspects or self._place(c.name) == "core"] or list(self.curves.values())
        title = f"Lot {self.lot}: temperatures against their limits"
        marks: list[StepBand | Moment] = [*(StepBand(s.name, s.begins, s.ends) for s in self.steps), *self._moments()]
        ahead = {c.name: ahead_of(c, forecasts) for c in curves}
        return lot_drawing(curves, self._limits(), marks, site.zone, site.unit, width, height, title=title, ahead=ahead)

    def _place(self, probe: str) -> str:
        known = self.plan.probe_by_id.get(probe)
        return known.place if known else "core"

    def _steps(self, entries: Sequence[Entry]) -> list[Stay]:
        """The lot's steps in time, as entered; a step that the lot straddles into runs beside the one before it."""
        entered = sorted((e.at, e.name) for e in entries if e.event == "step" and e.at <= self.ends)
        if self.product and (not entered or entered[0][0] > self.begins):
            entered.insert(0, (self.begins, self.product.steps[0].name))
        ends = [at for at, _ in entered[1:]] + [self.ends]
        bands = [Stay(name, at, end) for (at, name), end in zip(entered, ends, strict=True)]
        prompt = self.report.get("prompt") or {}
        asked = instant(prompt.get("at"))
        if asked is not None and prompt.get("to") in self.report.get("steps", ()):
            bands.append(Stay(str(prompt["to"]), asked, max(asked, self.ends)))
        return bands

    def _stays(self, entries: Sequence[Entry]) -> list[Stay]:
        """Where each probe served: core probes while placed, fixed ones while the lot was in their room."""
        stays: list[Stay] = []
        placed: dict[str, Instant] = {}
        for e in entries:
            if e.event == "place":
                placed.setdefault(e.name, e.at)
            elif e.event == "remove" and e.name in placed:
                stays.append(Stay(e.name, placed.pop(e.name), e.at))
        stays += [Stay(name, at, self.ends) for name, at in placed.items()]
        if not any(e.event == "place" for e in entries):
            # Files with no placements of their own: every core probe that a judged watch names served the whole lot.
            watched = {str(w["probe"]) for limit in self.report.get("limits", ()) for w in limit.get("watches", ())}
            stays += [Stay(p.id, self.begins, self.ends) for p in self.plan.probes if p.place == "core" and p.id in watched]
        for probe in self.plan.probes:
            for step in self.steps if probe.place != "core" else ():
                found = self.product.step(step.name) if self.product else None
                if not self.plan.rooms or (found is not None and found.room == probe.room):
                    stays.append(Stay(probe.id, step.begins, step.ends))
        return stays

    def _moments(self) -> list[Moment]:
        """Where limits deviated or stayed unproven: the first of each limit, six at most."""
        seen: dict[tuple[str, str], Moment] = {}
        for limit in self.report.get("limits", ()):
            for watch in limit.get("watches", ()):
                at = instant(watch.get("at"))
                if watch["verdict"] in ("deviated", "unproven") and at is not None:
                    key = (limit["limit"], watch["verdict"])
                    if key not in seen or at < seen[key].at:
                        seen[key] = Moment(f"{limit['limit']} {watch['verdict']}", at)
        return sorted(seen.values(), key=lambda m: m.at)[:6]

    def _limits(self) -> list[LimitLine | CoolingBox]:
        lines: dict[str, LimitLine | CoolingBox] = {}
        for judged in self.report.get("limits", ()):
            step = self.product.step(judged["step"]) if self.product else None
            limit = next((x for x in step.limits if x.name == judged["limit"]), None) if step else None
            stays = [s for s in self.steps if s.name == judged["step"] or (limit and s.name in limit.over)]
            if limit is None or not stays:
                continue
            for line in _lines(limit, judged, min(s.begins for s in stays), max(s.ends for s in stays), self.plan.site.unit):
                if isinstance(line, LimitLine) and line.percent and not any(c.percent for c in self.curves.values()):
                    continue  # judged from a wet bulb: there is no curve of it to compare
                have = lines.get(line.text)
                if isinstance(have, LimitLine) and isinstance(line, LimitLine):
                    # The same words in several steps are one limit to the eye.
                    begins = min(x.begins for x in (have, line) if x.begins is not None)
                    lines[line.text] = have._replace(begins=begins, ends=max(x.ends for x in (have, line) if x.ends is not None))
                else:
                    lines[line.text] = line
        return list(lines.values())


def lot_chart(
    report_lot: Mapping[str, Any],
    plan: Plan,
    readings: Iterable[Reading],
    *,
    events: Iterable[LotEvent] = (),
    received: Mapping[tuple[str, Instant], Instant] | None = None,
    until: Instant | None = None,
    width: float = 360,
    height: float = 300,
) -> str:
    """The lot's chart as SVG. Readings in any order; `until` (default: the newest reading) ends an open lot's chart.

    `received` gives the arrival of readings, by probe and instant, where late ones should show as such.
    """
    rows = sorted(readings, key=lambda r: r.at)
    newest = until if until is not None else (rows[-1].at if rows else 0)
    picture = LotPicture(report_lot, plan, events, until=newest)
    for row in rows:
        picture.add(row, received.get((row.probe, row.at)) if received else None)
    return svg(picture.drawing(width, height))


def advanced(findings: Iterable[Mapping[str, Any]]) -> list[LotEvent]:
    """The steps that lots entered by themselves, as step events, from findings with `what` "advanced"."""
    found = [(instant(f["at"]), f) for f in findings if f.get("what") == "advanced"]
    return [LotEvent(at, "step", str(f["lot"]), str(f["step"])) for at, f in found if at is not None]


def instant(value: object) -> Instant | None:
    """An instant of the Judge JSON: ISO 8601 text, or whole microseconds inside the engine."""
    if value is None or isinstance(value, int):
        return value
    return parse_instant(str(value))


def _standing(events: Iterable[LotEvent], lot: str) -> list[Entry]:
    """The lot's events that were not taken back, in order of time."""
    rows = [(n, e) for n, e in enumerate(events) if e.lot == lot]
    entries = [Entry(n, e.at, e.entered, e.event, e.name, e.value, e.by) for n, e in sorted(rows, key=lambda x: (x[1].at, x[0]))]
    return [e for e in fold(lot, entries).entries if not e.undone and e.event != "undo"]


def _shortest_gap(product: Product | None) -> dict[str, Span]:
    """Per place, the strictest monitoring frequency but lethality's, whose 2 min would break every line of a slow logger."""
    gaps: dict[str, Span] = {}
    for step in product.steps if product else ():
        for limit in step.limits:
            if limit.kind != "lethality" and limit.sampled is None:
                gaps[limit.place] = min(gaps.get(limit.place, limit.max_gap), limit.max_gap)
    return gaps


def _lines(limit: Limit, judged: Mapping[str, Any], begins: Instant, ends: Instant, unit: str) -> list[LimitLine | CoolingBox]:
    """What one limit looks like in its time."""

    def line(words: str, celsius: float, side: str) -> LimitLine:
        return LimitLine(f"{words} ({limit.name})", celsius, side, begins, ends)

    rule, name = limit.rule, limit.name
    if isinstance(rule, Ceiling):
        extra = f", {format_span(rule.allowed)} over allowed" if rule.allowed else ""
        return [line(f"at most {temperature(rule.max_c, unit)}{extra}", rule.max_c, "most")]
    if isinstance(rule, Floor):
        extra = f", {format_span(rule.allowed)} under allowed" if rule.allowed else ""
        return [line(f"at least {temperature(rule.min_c, unit)}{extra}", rule.min_c, "least")]
    if isinstance(rule, Exposure):
        return [line(f"above {temperature(t.above_c, unit)} no more than {format_span(t.within)}", t.above_c, "most") for t in rule.tiers]
    if isinstance(rule, Dwell):
        if rule.max_c is not None:
            return [line(f"{format_span(rule.length)} at or below {temperature(rule.max_c, unit)}", rule.max_c, "most")]
        least = rule.min_c if rule.min_c is not None else 0.0
        return [line(f"{format_span(rule.length)} at or above {temperature(least, unit)}", least, "least")]
    if isinstance(rule, ComeUp):
        low, high = temperature(rule.low_c, unit), temperature(rule.high_c, unit)
        return [line(f"from {low} to {high} within {format_span(rule.within)}", rule.high_c, "least")]
    if isinstance(rule, HoldLethality):
        at_c, length = _row(rule, judged)
        held = f"held for {format_span(length)}" if length else "in two readings"
        return [line(f"at least {temperature(at_c, unit)} {held}", at_c, "least")]
    if isinstance(rule, IntegratedLethality):
        return [line(f"{rule.target_log:g} log10 summed above {temperature(rule.floor_c, unit)}", rule.floor_c, "least")]
    if isinstance(rule, Humidity) and rule.min_rh is not None:
        share = "" if rule.share is None else f"{100 * rule.share:g} % of the cook"
        held = " and ".join(text for text in (share, format_span(rule.at_least) if rule.at_least else "") if text)
        told = f"at least {rule.min_rh:g} % relative humidity" + (f" for {held}" if held else "")
        return [line(told, rule.min_rh, "least")._replace(percent=True)]
    if isinstance(rule, Cooling):
        return list(_boxes(rule, judged, name, unit))
    return []


def _row(rule: HoldLethality, judged: Mapping[str, Any]) -> tuple[float, Span]:
    """The row to draw: the coldest that a watch met; else the one that came nearest; else the lowest."""
    facts = [w.get("evidence", {}) for w in judged.get("watches", ())]
    met = [e["met_row"] for e in facts if e.get("met_row")]
    if met:
        row = min(met, key=lambda r: float(r["at_c"]))
        return float(row["at_c"]), round(float(row["needed_s"]) * SECOND)
    near = [r for e in facts for r in e.get("rows", ()) if r.get("needed_s")]
    if near:
        row = max(near, key=lambda r: float(r["summed_s"]) / float(r["needed_s"]))
        return float(row["at_c"]), round(float(row["needed_s"]) * SECOND)
    return rule.rows[0].at_c, rule.rows[0].length


def _boxes(rule: Cooling, judged: Mapping[str, Any], name: str, unit: str) -> Iterable[CoolingBox]:
    """A box per window whose clock has started, of the watch that decides the limit."""
    rank = {"deviated": 0, "unproven": 1, "open": 2, "met": 3}
    watches = [w for w in judged.get("watches", ()) if instant(w.get("evidence", {}).get("clock_at")) is not None]
    if not watches:
        return
    watch = min(watches, key=lambda w: (rank.get(w["verdict"], 4), float(w.get("margin", {}).get("seconds", 0))))
    evidence = watch["evidence"]
    clock = begins = instant(evidence["clock_at"])
    from_c = rule.start_c
    for window, seen in zip(rule.windows, evidence.get("windows", ()), strict=False):
        deadline = instant(seen.get("deadline_at"))
        if begins is None or clock is None or deadline is None:
            return
        within = (
            format_span(deadline - begins) if window.by is None else f"{format_span(deadline - clock)} of {temperature(rule.start_c, unit)}"
        )
        text = f"{temperature(from_c, unit)} to {temperature(window.to_c, unit)} within {within} ({name}, {watch['probe']})"
        yield CoolingBox(text, begins if window.by is None else clock, deadline, from_c if window.by is None else rule.start_c, window.to_c)
        begins, from_c = instant(seen.get("mark_at")), window.to_c
