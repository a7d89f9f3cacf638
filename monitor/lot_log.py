"""What people entered about each lot, read back in order: events, those taken back, probes in the meat.

Where a lot *is* (a step may advance by itself) is the engine's to say; this is the written side of it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from sqlalchemy import Connection, or_, select

from monitor.store import evidence
from monitor.store.schema import lot_event
from rules.errors import QuantityError
from rules.quantity import parse_instant
from rules.reading import Instant


class Entry(NamedTuple):
    """One stored lot event. `undone` says whether it was taken back later; it stays visible all the same."""

    seq: int
    at: Instant
    entered: Instant | None
    event: str
    name: str
    value: str
    by: str
    undone: bool = False


@dataclass(slots=True)
class LotLog:
    """One lot as entered. `placed`: probes in it now, and since when; `served`: every probe that ever was in it."""

    lot: str
    product: str = ""
    started: Instant | None = None
    ended: Instant | None = None
    step: str = ""
    step_since: Instant | None = None
    placed: dict[str, Instant] = field(default_factory=dict)
    served: list[str] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)

    @property
    def open(self) -> bool:
        """Whether the lot was started and has not ended."""
        return self.started is not None and self.ended is None


def recent_lots(conn: Connection, most: int = 60) -> list[str]:
    """The lots started last, newest first."""
    rows = conn.execute(
        select(lot_event.c.lot).where(lot_event.c.event == "start").order_by(lot_event.c.at.desc(), lot_event.c.seq.desc()).limit(most)
    )
    return list(dict.fromkeys(r.lot for r in rows))


def lots_of_product(conn: Connection, product: str, most: int = 5) -> list[str]:
    """The lots of one product started last, newest first."""
    rows = conn.execute(
        select(lot_event.c.lot)
        .where(lot_event.c.event == "start", lot_event.c.name == product)
        .order_by(lot_event.c.at.desc(), lot_event.c.seq.desc())
        .limit(most)
    )
    return list(dict.fromkeys(r.lot for r in rows))


def lots_not_ended_before(conn: Connection, seq: int) -> list[str]:
    """The lots with no end written before place `seq`, and those of which something was taken back; `fold` knows what stands."""
    ended = select(lot_event.c.lot).where(lot_event.c.event == "end", lot_event.c.seq < seq)
    undone = select(lot_event.c.lot).where(lot_event.c.event == "undo")
    lot = lot_event.c.lot
    rows = conn.execute(select(lot).distinct().where(lot_event.c.event == "start", or_(lot.not_in(ended), lot.in_(undone))).order_by(lot))
    return [row.lot for row in rows]


def lots_between(conn: Connection, since: Instant, until: Instant) -> list[str]:
    """Lots with an event after `since` and up to `until`, in order of the first one."""
    rows = conn.execute(
        select(lot_event.c.lot).where(lot_event.c.at > since, lot_event.c.at <= until).order_by(lot_event.c.at, lot_event.c.seq)
    )
    return list(dict.fromkeys(r.lot for r in rows))


def read_lots(conn: Connection, lots: Collection[str]) -> dict[str, LotLog]:
    """The logs of the named lots that exist, in the order named."""
    found: dict[str, list[Entry]] = {}
    if lots:
        query = select(lot_event).where(lot_event.c.lot.in_(list(lots)), *evidence.rule(conn).event_condition(lot_event))
        rows = conn.execute(query.order_by(lot_event.c.at, lot_event.c.seq))
        for r in rows:
            found.setdefault(r.lot, []).append(Entry(r.seq, r.at, r.entered, r.event, r.name, r.value, r.by))
    return {lot: fold(lot, found[lot]) for lot in lots if lot in found}


def read_lot(conn: Connection, lot: str) -> LotLog | None:
    """The log of one lot, or None where nothing was ever entered for it."""
    return read_lots(conn, [lot]).get(lot)


def fold(lot: str, entries: Iterable[Entry]) -> LotLog:
    """The lot that these entries, in order of time, add up to."""
    log = LotLog(lot)
    listed = list(entries)
    gone = _undone(listed)
    for raw in listed:
        entry = raw._replace(undone=raw.seq in gone)
        log.entries.append(entry)
        if entry.undone:
            continue
        if entry.event == "start":
            log.product, log.started = entry.name, entry.at
        elif entry.event == "step":
            log.step, log.step_since = entry.name, entry.at
        elif entry.event == "place":
            log.placed[entry.name] = entry.at
            if entry.name not in log.served:
                log.served.append(entry.name)
        elif entry.event == "remove":
            log.placed.pop(entry.name, None)
        elif entry.event == "end":
            log.ended = entry.at
            log.placed.clear()
    return log


def _undone(entries: list[Entry]) -> set[int]:
    """Which entries an `undo` takes back: the last one written before it that stands at the instant it names."""
    gone: set[int] = set()
    for undo in sorted((e for e in entries if e.event == "undo"), key=lambda e: e.seq):
        try:
            at = parse_instant(undo.value)
        except QuantityError:
            continue  # the engine refused it, or an import brought it; it takes nothing back
        hit = [e.seq for e in entries if e.at == at and e.seq < undo.seq and e.event != "undo" and e.seq not in gone]
        if hit:
            gone.add(max(hit))
    return gone
