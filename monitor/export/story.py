"""What a day's PDF tells, gathered from the day's own files in one pass over its readings."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.charts.curve import Gap
from monitor.charts.lot_chart import LotPicture, advanced, instant
from monitor.export.wording import Clock
from probes.csv_text import instant as csv_instant
from probes.events_csv import read_events_file
from rules.plan import Plan
from rules.reading import MINUTE, Fault, Instant, LotEvent, Reading, Span

#: A probe's day lists no more gaps than this, the longest first; the rest is counted.
MOST_GAPS = 12


@dataclass(frozen=True, slots=True)
class Colophon:
    """What identifies an export, and what the files do not hold: each probe's newest calibration check up to the day's end."""

    day: str
    since: Instant
    until: Instant
    revision: int
    made_at: str
    head: str
    key: str
    fingerprint: str
    program: str
    problems: Sequence[str]
    being_judged: str
    changed: Sequence[str]
    checks: Mapping[str, Mapping[str, Any]]
    day_over: bool


@dataclass(slots=True)
class ProbeDay:
    """One probe's day: how much it measured, and when it did not.

    `duty` is when it ought to measure: while it is in a lot, while a lot is in its room, and all day where its room has
    standing limits.
    """

    probe: str
    max_gap: Span
    duty: list[tuple[Instant, Instant]]
    good: int = 0
    suspect: int = 0
    faults: int = 0
    late: int = 0
    gap_count: int = 0
    blind: Span = 0
    gaps: list[Gap] = field(default_factory=list)
    offset_c: float = 0.0
    last_at: Instant | None = None

    def silent(self, begins: Instant, ends: Instant) -> None:
        """Note what of a stretch without a good reading fell into the probe's duty, if longer than the monitoring frequency."""
        for on, off in self.duty:
            low, high = max(begins, on), min(ends, off)
            if high - low > self.max_gap:
                self.gap_count += 1
                self.blind += high - low
                self.gaps.append(Gap(low, high))
        if len(self.gaps) > 4 * MOST_GAPS:
            self.gaps = self.longest()

    def longest(self) -> list[Gap]:
        """The longest gaps, in order of time."""
        return sorted(sorted(self.gaps, key=lambda g: g.begins - g.ends)[:MOST_GAPS])


@dataclass(slots=True)
class Story:
    """Everything the PDF lays out."""

    colophon: Colophon
    clock: Clock
    plan: Plan
    plans: list[Plan]
    report: Mapping[str, Any]
    events: list[LotEvent]
    records: list[dict[str, Any]]
    pictures: dict[str, LotPicture]
    probes: dict[str, ProbeDay]
    readings: int

    def plan_of(self, lot: str) -> Plan:
        """The plan by which a lot is judged."""
        return self.pictures[lot].plan

    def of_kind(self, *kinds: str) -> list[dict[str, Any]]:
        """The day's records of these kinds, in order."""
        return [r for r in self.records if r["kind"] in kinds]


def tell(
    folder: Path,
    plans: Sequence[tuple[Plan, Sequence[str]]],
    report: Mapping[str, Any],
    colophon: Colophon,
    concerns: Callable[[Mapping[str, Any]], bool],
) -> Story:
    """Gather the day from its files. `plans` are the plan versions with their lots, the day's own last."""
    events = read_events_file(folder / "events.csv")
    records = [e for e in _entries(folder / "ledger.jsonl") if concerns(e)]
    steps = advanced(e["body"] | {"at": e["body"].get("at", e["at"])} for e in records if e["kind"] == "finding")
    own = plans[-1][0]
    plan_by_lot = {lot: plan for plan, lots in plans for lot in lots}
    pictures = {
        str(lot["lot"]): LotPicture(lot, plan_by_lot.get(lot["lot"], own), [*events, *steps], until=colophon.until)
        for lot in report["lots"]
    }
    probes = {p.id: ProbeDay(p.id, _frequency(own, p.id), _duty(own, p.id, pictures.values(), colophon)) for p in own.probes}
    drawn: dict[str, list[LotPicture]] = {}  # a day of sixteen probes is a million readings, most of them of another lot
    for picture in pictures.values():
        for name in picture.curves:
            drawn.setdefault(name, []).append(picture)
    count = 0
    for item, received_at in read_rows(folder / "readings.csv"):
        count += 1
        if isinstance(item, Reading):
            for picture in drawn.get(item.probe, ()):
                picture.add(item, received_at)
        if item.at > colophon.since and item.probe in probes:
            _note(probes[item.probe], item, received_at, colophon.since)
    for probe in probes.values():
        probe.silent(probe.last_at if probe.last_at is not None else colophon.since, colophon.until)
    clock = Clock(own.site.zone, min([colophon.since, *(p.begins for p in pictures.values())]), colophon.until)
    return Story(colophon, clock, own, [p for p, _ in plans], report, events, records, pictures, probes, count)


def read_rows(path: Path) -> Iterator[tuple[Reading | Fault, Instant]]:
    """The rows of an exported readings file, one by one, each with the instant it was received."""
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file, strict=True):
            at, received_at = csv_instant(row["time"]), csv_instant(row["received"])
            if row["quality"] == "fault":
                yield Fault(row["probe"], at, row["reason"], row["value"]), received_at
            else:
                suspect = row["reason"] if row["quality"] == "suspect" else ""
                yield Reading(row["probe"], at, float(row["value"]), float(row["offset_c"] or 0), suspect), received_at


def _note(probe: ProbeDay, item: Reading | Fault, received_at: Instant, since: Instant) -> None:
    if isinstance(item, Fault):
        probe.faults += 1
        return
    if item.suspect:
        probe.suspect += 1
        return
    probe.good += 1
    probe.late += received_at - item.at > 5 * MINUTE
    probe.offset_c = item.offset_c
    probe.silent(probe.last_at if probe.last_at is not None else since, item.at)
    probe.last_at = item.at


def _duty(plan: Plan, probe: str, pictures: Iterable[LotPicture], colophon: Colophon) -> list[tuple[Instant, Instant]]:
    known = plan.probe_by_id[probe]
    if any(s.room == known.room and any(x.place == known.place for x in s.limits) for s in plan.standing):
        return [(colophon.since, colophon.until)]
    stays = sorted((max(s.begins, colophon.since), min(s.ends, colophon.until)) for p in pictures for s in p.stays if s.name == probe)
    merged: list[tuple[Instant, Instant]] = []
    for on, off in stays:
        if merged and on <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(off, merged[-1][1]))
        elif on < off:
            merged.append((on, off))
    return merged


def _frequency(plan: Plan, probe: str) -> Span:
    """The strictest monitoring frequency that any limit asks of this probe's place; 30 min where none does."""
    place = plan.probe_by_id[probe].place
    limits = [x for p in plan.products for s in p.steps for x in s.limits] + [x for s in plan.standing for x in s.limits]
    return min((x.max_gap for x in limits if x.place == place and x.sampled is None), default=30 * MINUTE)


def _entries(path: Path) -> Iterable[dict[str, Any]]:
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            yield json.loads(line)


def judged_at(watch: Mapping[str, Any]) -> Instant | None:
    """The instant a watch's verdict is dated."""
    return instant(watch.get("at"))
