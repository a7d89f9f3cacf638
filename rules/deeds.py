"""What a lot event does: checked first, so that a refused event changes nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from rules.errors import EventError
from rules.lot import Lot
from rules.plan import PLACES, Probe
from rules.quantity import format_instant, parse_temperature
from rules.reading import EVENTS, REMOVAL_REASONS, LotEvent

if TYPE_CHECKING:
    from rules.engine import Engine


def deed(engine: Engine, event: LotEvent) -> Callable[[], None]:
    """What to carry out for `event` once time has come to it; EventError where it is refused."""
    at, name, value = event.at, event.name, event.value
    where = f"event {event.event} of lot {event.lot} at {format_instant(at)}"
    lot = engine.lots.get(event.lot)
    if event.event == "start":
        return _start(engine, event, where)
    if lot is None:
        raise EventError(f"{where}: lot {event.lot} was not started; write its `start` event first")
    if lot.ended is not None:
        raise EventError(f"{where}: lot {event.lot} ended at {format_instant(lot.ended)}; start a new lot")
    if event.event == "step":
        lot.step(name)
        return lambda: lot.to_step(name, at)
    if event.event == "place":
        probe = _placeable(engine, lot, name, where)
        return lambda: lot.place(probe, at)
    if event.event == "remove":
        reason = value or "done"
        if reason not in REMOVAL_REASONS:
            raise EventError(f"{where}: the reason is {value!r}; write one of {', '.join(REMOVAL_REASONS)}")
        if name not in lot.placed:
            raise EventError(f'{where}: probe "{name}" is not in this lot; write the probe that was taken out')
        return lambda: lot.remove(name, reason, at)
    if event.event == "check":
        places = [p for p in PLACES if p != "humidity"]  # a value by hand is a temperature
        if name not in places:
            raise EventError(f"{where}: the place is {name!r}; write one of {', '.join(places)}")
        try:
            celsius = parse_temperature(value)
        except ValueError as error:
            raise EventError(f"{where}: {error}") from None
        return lambda: lot.check(name, celsius, at)
    if event.event == "measure":
        try:
            number = float(value)
        except ValueError:
            raise EventError(f"{where}: {name} is {value!r}; write a number") from None
        if not math.isfinite(number):
            raise EventError(f"{where}: {name} is {value!r}; write a number")
        return lambda: lot.measure(name, number, at)
    if event.event == "end":
        return lambda: lot.end(at)
    raise EventError(f"{where}: no such event; write one of {', '.join(EVENTS)}")


def _start(engine: Engine, event: LotEvent, where: str) -> Callable[[], None]:
    plan = engine.plan
    product = plan.product_by_code.get(event.name)
    if event.lot in engine.lots or event.lot in engine.forgotten:
        raise EventError(f"{where}: lot {event.lot} was started before; write another lot name")
    if product is None:
        raise EventError(f"{where}: product is {event.name!r}; write one of {', '.join(plan.product_by_code)}")

    def begin() -> None:
        lot = engine.lots[event.lot] = Lot(engine, plan, product, event.lot, event.at)
        lot.begin(event.at)

    return begin


def _placeable(engine: Engine, lot: Lot, name: str, where: str) -> Probe:
    probe = lot.plan.probe_by_id.get(name)
    if probe is None or probe.place != "core":
        cores = ", ".join(p.id for p in lot.plan.probes if p.place == "core")
        raise EventError(f'{where}: "{name}" is no core probe of the plan; write one of {cores}')
    holder = next((o for o in engine.lots.values() if name in o.placed and o.ended is None), None)
    if holder is not None:
        raise EventError(f'{where}: probe "{name}" is in lot {holder.id}; take it out there first')
    return probe
