"""From the store to the files of a day, row by row: nothing is held that grows with the readings but a few bytes a row."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, or_, select

from monitor import calibrations, chain, ledger, lot_log, retention
from monitor.errors import ExportError
from monitor.recalls import Recalled
from monitor.store import events, evidence, plans, readings
from monitor.store.schema import ledger as ledger_table
from monitor.store.schema import lot_event
from probes.csv_replay import write_csv
from probes.events_csv import write_events
from rules.plan_load import load_plan
from rules.reading import HOUR, Fault, Instant, LotEvent, Reading, Span

Progress = Callable[[str, int], None]
#: The readings of a lot begin so long before it: what a probe said shortly before is part of how its first readings are judged.
LEAD: Span = HOUR


@dataclass(slots=True)
class Window:
    """What a day's export covers: the day itself, and its lots back to a lead before the earliest start of any of them.

    `after < at <= until` for readings; `since` is the day's first midnight, `until` its last.
    `plans` are the plan versions by which those lots are judged, the day's own last; `lots_of` the lots of each.
    """

    day: str
    since: Instant
    until: Instant
    after: Instant
    lots: list[str]
    plans: list[plans.PlanVersion]
    lots_of: list[list[str]]


@dataclass(slots=True)
class Arrivals:
    """By file ("" readings.csv, "u" unjudged.csv), the place of arrival of each of its rows."""

    seqs: dict[str, array[int]] = field(default_factory=lambda: {"": array("q"), "u": array("q")})


def window(conn: Connection, day: str, since: Instant, until: Instant) -> Window:
    """What the export of a local day covers. Raises ExportError where no plan was in force yet."""
    current = plans.in_force(conn, until)
    if current is None:
        raise ExportError(f"no plan was in force on {day}; run the service once with its plan, or name a later day")
    lots, after = [], since - 1
    versions: dict[str, plans.PlanVersion] = {}
    by_plan: dict[str, list[str]] = {}
    for lot, whole in lot_log.read_lots(conn, _candidates(conn, since, until)).items():
        log = lot_log.fold(lot, [e for e in whole.entries if e.at <= until])
        active = log.started is not None and (log.ended is None or log.ended > since)
        if not active and not any(since < e.at <= until for e in log.entries):
            continue
        lots.append(lot)
        started = log.started if log.started is not None else since
        version = plans.in_force(conn, started) or current
        if active:
            after = min(after, started - 1 - lead_of(version))
        versions[version.sha256] = version
        by_plan.setdefault(version.sha256, []).append(lot)
    if retention.reaches(conn, after):
        raise ExportError(f"readings of {day}, or of a lot of that day, were deleted under [store] keep; look at the export made then")
    versions.pop(current.sha256, None)
    ordered = [*sorted(versions.values(), key=lambda v: v.since), current]
    return Window(day, since, until, after, lots, ordered, [by_plan.get(v.sha256, []) for v in ordered])


def lead_of(version: plans.PlanVersion) -> Span:
    """How long before a lot its readings begin: the dry bulb's last before the first wet one, what a stuck probe repeated."""
    return max([LEAD, *(2 * p.stuck_after for p in load_plan(version.text).probes if p.stuck_after is not None)])


def _candidates(conn: Connection, since: Instant, until: Instant) -> list[str]:
    """Lots started by the day's end and not ended before the day; lots with anything taken back are looked into."""
    ended = select(lot_event.c.lot).where(
        lot_event.c.event == "end", lot_event.c.at <= since, *evidence.rule(conn).event_condition(lot_event)
    )
    undone = select(lot_event.c.lot).where(lot_event.c.event == "undo")
    wanted = or_(lot_event.c.lot.notin_(ended), lot_event.c.lot.in_(undone), lot_event.c.at > since)
    query = select(lot_event.c.lot).where(lot_event.c.at <= until, wanted)
    return list(conn.execute(query.group_by(lot_event.c.lot).order_by(func.min(lot_event.c.at), lot_event.c.lot)).scalars())


def write_readings(
    conn: Connection, folder: Path, span: Window, known: Collection[str], progress: Progress, humidity: Collection[str] = ()
) -> Arrivals:
    """Write readings.csv, and unjudged.csv if there are rows that are stored but not judged.

    Not judged are stamps ahead of the receiving clock, what came more than 48 h late and nobody asked to be judged
    (`store/evidence.py`), and probes the plan does not know.
    """
    arrivals, left_out, rule = Arrivals(), 0, evidence.rule(conn)
    found = Recalled.read(conn, span.after, span.until)
    recalled = found.item if found else None  # a day that no recall touches keeps its file as it was

    def judged(stored: readings.Stored) -> bool:
        return rule.counts(stored.item.at, stored.received_at, stored.seq) and stored.item.probe in known

    def rows(mark: str) -> Iterator[tuple[Reading | Fault, Instant]]:
        nonlocal left_out
        seqs = arrivals.seqs[mark]
        for stored in readings.between(conn, span.after, span.until, unjudged=True):
            if judged(stored) is (mark == ""):
                seqs.append(stored.seq)
                if len(seqs) % 5000 == 0:
                    progress("readings", len(seqs))
                yield stored.item, stored.received_at
            else:
                left_out += mark == ""

    with (folder / "readings.csv").open("w", encoding="utf-8", newline="") as out:
        write_csv(out, rows(""), recalled, humidity)
    if left_out:
        with (folder / "unjudged.csv").open("w", encoding="utf-8", newline="") as out:
            write_csv(out, rows("u"), recalled, humidity)
    return arrivals


def lot_events(conn: Connection, span: Window, lots: Collection[str]) -> list[LotEvent]:
    """The events of these lots up to the day's end, in order of time, then of arrival."""
    found = [e for lot in lots for e in events.of_lot(conn, lot) if e.event.at <= span.until]
    return [e.event for e in sorted(found, key=lambda e: (e.event.at, e.seq))]


def ended_by(listed: Sequence[LotEvent], until: Instant) -> set[str]:
    """The lots that had ended by `until`, as far as was not taken back."""
    by_lot: dict[str, list[lot_log.Entry]] = {}
    for n, e in enumerate(listed):
        by_lot.setdefault(e.lot, []).append(lot_log.Entry(n, e.at, e.entered, e.event, e.name, e.value, e.by))
    logs = [lot_log.fold(lot, entries) for lot, entries in by_lot.items()]
    return {log.lot for log in logs if log.ended is not None and log.ended <= until}


def write_lot_events(path: Path, listed: Sequence[LotEvent]) -> None:
    """Write events.csv."""
    with path.open("w", encoding="utf-8", newline="") as out:
        write_events(out, listed)


@dataclass(slots=True)
class Slice:
    """The part of the ledger an export carries: the hash before its first entry, its ends, and the seals in it."""

    before: str = chain.GENESIS
    first: int = 0
    last: int = 0
    head: str = chain.GENESIS
    seals: list[ledger.Entry] = field(default_factory=list)


def write_ledger(conn: Connection, path: Path, since: Instant) -> Slice:
    """Write ledger.jsonl: every entry from the first that happened or was written after `since`, up to the head."""
    table = ledger_table
    first = conn.execute(select(func.min(table.c.seq)).where(or_(table.c.at > since, table.c.entered_at > since))).scalar()
    part = Slice()
    start = first if first is not None else ledger.head(conn).seq + 1
    part.before = conn.execute(select(table.c.hash).where(table.c.seq == start - 1)).scalar() or chain.GENESIS
    part.head = part.before
    with path.open("wb") as out:
        for entry in ledger.entries(conn, start - 1):
            out.write(chain.canonical(entry._asdict()) + b"\n")
            part.first = part.first or entry.seq
            part.last, part.head = entry.seq, entry.hash
            if entry.kind == ledger.SEAL:
                part.seals.append(entry)
    return part


def calibration_checks(conn: Connection, probes: Collection[str], until: Instant) -> dict[str, dict[str, Any]]:
    """Each probe's newest calibration check up to `until`, with the instant of its last good one."""
    return calibrations.last_of_each(conn, probes, until)
