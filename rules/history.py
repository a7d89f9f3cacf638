"""Events of any order and origin, arranged as the engine takes them.

Taken-back lot events go, rows of one probe at one instant become one, and everything is sorted by
instant, lot events before readings, in the order given (`judging.md` section 1).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from itertools import groupby
from operator import attrgetter

from rules.errors import EventError, QuantityError
from rules.quantity import format_instant, parse_instant
from rules.reading import Event, Fault, LotEvent, Reading, Tick

_AT = attrgetter("at")
_PROBE = attrgetter("probe")


def arrange(events: Iterable[Event]) -> list[Event]:
    """The events in the engine's order; raises EventError for an undo that takes back nothing."""
    lot_events: list[LotEvent] = []
    rows: list[Reading | Fault] = []
    ticks: list[Tick] = []
    for event in events:
        if isinstance(event, Reading | Fault):
            rows.append(event)
        elif isinstance(event, LotEvent):
            lot_events.append(event)
        else:
            ticks.append(event)
    rows.sort(key=_AT)
    if not lot_events and not ticks and len({row.at for row in rows}) == len(rows):
        return [*rows]  # as nearly all that comes live: no instant has two rows, so nothing is to be put in order or made one
    return list(in_order(lot_events, rows, ticks))


def in_order(lot_events: Iterable[LotEvent], rows: Iterable[Reading | Fault], ticks: Iterable[Tick] = ()) -> Iterator[Event]:
    """`arrange` of rows that come by instant already, one by one: a long day need not be held."""
    ordered = sorted(standing(lot_events), key=_AT)
    return heapq.merge(ordered, _merged(rows), sorted(ticks, key=_AT), key=_AT)  # stable: events, then rows, then ticks


def _merged(rows: Iterable[Reading | Fault]) -> Iterator[Reading | Fault]:
    """Rows as they come, those of one instant by probe, those of one probe made one."""
    for _, at_once in groupby(rows, _AT):
        together = list(at_once)
        if len(together) == 1:
            yield from together
            continue
        together.sort(key=_PROBE)
        for _, of_one in groupby(together, _PROBE):
            yield from merge(list(of_one))


def standing(events: Iterable[LotEvent]) -> list[LotEvent]:
    """Lot events less those taken back, and less the undo events themselves, in the order given."""
    kept: list[LotEvent] = []
    for event in events:
        if event.event != "undo":
            kept.append(event)
            continue
        where = f"event undo of lot {event.lot} at {format_instant(event.at)}"
        try:
            target = parse_instant(event.value)
        except QuantityError as error:
            raise EventError(f"{where}: {error}") from None
        index = next((i for i in range(len(kept) - 1, -1, -1) if kept[i].lot == event.lot and kept[i].at == target), None)
        if index is None:
            raise EventError(f"{where}: lot {event.lot} has no event at {format_instant(target)}; write the time of the event taken back")
        del kept[index]
    return kept


def merge(group: list[Reading | Fault]) -> list[Reading | Fault]:
    """Rows of one probe at one instant as one good reading (spanning conflicting values), or what else is left."""
    if len(group) == 1:
        return group
    readings = [r for r in group if isinstance(r, Reading)]
    if not readings:
        return [group[0]]
    doubtful = {r.celsius: r for r in readings if r.suspect}
    good = {r.celsius: r for r in readings if not r.suspect and r.celsius not in doubtful}
    kept: list[Reading | Fault] = [doubtful[c] for c in sorted(doubtful)]
    if good:
        low, high = min(good), max(good)
        kept.append(good[low] if low == high else good[low]._replace(high_c=high))
    return kept
