"""Events CSV: what people did and noted about lots, read strictly and written back exactly.

Columns `time,event,lot,name,value` and optionally `entered` (when it was written down, if later) and `by` (who wrote it).
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TextIO

from probes.csv_text import instant, instant_text, read_file, row_writer, rows
from probes.errors import CsvError
from probes.value import check_celsius, parse_number
from rules.errors import QuantityError
from rules.quantity import parse_temperature
from rules.reading import EVENTS, REMOVAL_REASONS, Instant, LotEvent

NEED = ("time", "event", "lot", "name", "value")
MAY = ("entered", "by")

#: What `name` must hold, for the events that need one.
_NAMED = {
    "start": "the product's code",
    "step": "the step's name",
    "place": "the probe's id",
    "remove": "the probe's id",
    "check": "the place that was measured, such as core",
    "measure": "what was measured, such as pH or weight_kg",
}


def read_events(text: str | Iterable[str], name: str) -> list[LotEvent]:
    """Every lot event of an Events CSV, in the order of its rows.

    Raises CsvError, one sentence with file, line and field, at the first mistake; nothing is returned then.
    Whether the plan and the lot's state allow an event is the engine's to say.
    """
    lines = rows(text, name, NEED, MAY)
    _, header = next(lines)
    place = {column: n for n, column in enumerate(header)}
    out: list[LotEvent] = []
    for line, row in lines:
        cell = {column: row[n].strip() for column, n in place.items()}
        at = _instant(cell["time"], name, line, "time")
        entered = _instant(cell["entered"], name, line, "entered") if cell.get("entered") else None
        if entered is not None and entered < at:
            raise CsvError(name, line, "entered", f"it is {cell['entered']!r}, before the event's own time; write when it was written down")
        event = cell["event"]
        if event not in EVENTS:
            raise CsvError(name, line, "event", f"the event is {event!r}; write one of {', '.join(EVENTS)}")
        if not cell["lot"]:
            raise CsvError(name, line, "lot", "the lot is blank; write the lot's number")
        if event in _NAMED and not cell["name"]:
            raise CsvError(name, line, "name", f"it is blank; {event} needs {_NAMED[event]}")
        _check_value(event, cell["value"], name, line)
        out.append(LotEvent(at, event, cell["lot"], cell["name"], cell["value"], entered, cell.get("by", "")))
    return out


def _instant(text: str, name: str, line: int, field: str) -> Instant:
    try:
        return instant(text)
    except QuantityError as error:
        raise CsvError(name, line, field, str(error)) from error


def _check_value(event: str, value: str, name: str, line: int) -> None:
    if event == "remove" and value not in REMOVAL_REASONS:
        raise CsvError(name, line, "value", f"the reason is {value!r}; write one of {', '.join(REMOVAL_REASONS)}")
    if event == "measure" and parse_number(value) is None:
        raise CsvError(name, line, "value", f"the measure is {value!r}; write a number with a decimal point, such as 5.3")
    try:
        if event == "check" and isinstance(reason := check_celsius(parse_temperature(value)), str):
            raise CsvError(name, line, "value", f"the temperature is {value!r}, {reason}; write what the handheld showed, with its unit")
        if event == "undo":
            instant(value)
    except QuantityError as error:
        raise CsvError(name, line, "value", str(error)) from error


def read_events_file(path: Path) -> list[LotEvent]:
    """`read_events` of a file; also raises CsvError where the file cannot be read or is not UTF-8."""
    return read_events(read_file(path), str(path))


def write_events(out: TextIO, events: Iterable[LotEvent]) -> int:
    """Write lot events so that `read_events` gives them back exactly; returns the number of rows."""
    writer = row_writer(out)
    writer((*NEED, *MAY))
    count = 0
    for e in events:
        entered = "" if e.entered is None else instant_text(e.entered)
        writer((instant_text(e.at), e.event, e.lot, e.name, e.value, entered, e.by))
        count += 1
    return count
