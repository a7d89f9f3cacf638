"""Readings CSV: read it exactly, write it back exactly, and replay it as a driver.

Columns `time,probe,value`, optionally `unit` (C, F), `quality` (ok, suspect, fault), `offset_c`, `received`, `reason` (why
suspect or fault), and `stored_offset_c` (what a row was stored with, where a recall has changed its offset since; not read).
Rows in any order; a row that cannot be read is an error that names file, line and field, and nothing of the file is returned.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from probes.csv_text import instant, instant_text, lines_of, row_writer, rows
from probes.driver import Sink
from probes.errors import CsvError
from probes.settings import Settings
from probes.value import ABSOLUTE_ZERO_C, HIGHEST_C
from rules.errors import QuantityError
from rules.reading import SECOND, Fault, Instant, Reading

NEED = ("time", "probe", "value")
MAY = ("unit", "quality", "offset_c", "received", "reason")
#: Written beside them where a probe was recalled.
STORED = "stored_offset_c"

#: What a row says that gives no reason of its own.
SUSPECT = "marked suspect by the source"
FAULT = "fault"


def read_csv(
    text_or_lines: str | Iterable[str], name: str, known_probes: Collection[str] | None = None, humidity: Collection[str] | None = None
) -> list[Reading | Fault]:
    """Every reading and fault of a Readings CSV, in the order of its rows.

    `name` is the file's name for messages. `known_probes`: any other probe is a bad row. Values in °C are kept to
    the last bit; °F are converted once. `humidity`: the humidity probes, whose values are per cent (unit "%" or blank) and no other's;
    None: not known, then "%" may stand anywhere. Raises CsvError at the first bad row; nothing is returned then.
    """
    return list(iter_csv(text_or_lines, name, known_probes, humidity))


def iter_csv(
    text_or_lines: str | Iterable[str], name: str, known_probes: Collection[str] | None = None, humidity: Collection[str] | None = None
) -> Iterator[Reading | Fault]:
    """`read_csv` row by row. What came before a bad row has been given out when CsvError is raised: keep nothing that was made of it."""
    lines = rows(text_or_lines, name, NEED, (*MAY, STORED))
    _, header = next(lines)
    place = {column: n for n, column in enumerate(header)}
    i_time, i_probe, i_value = place["time"], place["probe"], place["value"]
    i_unit, i_quality, i_offset = place.get("unit"), place.get("quality"), place.get("offset_c")
    i_received, i_reason = place.get("received"), place.get("reason")
    plain = i_quality is None and i_offset is None and i_received is None
    known = None if known_probes is None else frozenset(known_probes)
    seen: dict[str, str] = {}
    last_text: str | None = None
    last_at = 0
    for line, row in lines:
        text = row[i_time]
        if text != last_text:
            try:
                last_at = instant(text)
            except QuantityError as error:
                raise CsvError(name, line, "time", str(error)) from error
            last_text = text
        raw_probe = row[i_probe]
        probe = seen.get(raw_probe)
        if probe is None:
            probe = seen[raw_probe] = _probe(raw_probe, known, name, line)
        unit = "" if i_unit is None else row[i_unit]
        if unit and ("%" in unit or (humidity and probe in humidity)):
            unit = _percent(unit, probe, humidity, name, line)
        quality = "" if plain or i_quality is None else row[i_quality]
        if unit and unit.strip().removeprefix("°") not in ("", "C", "F"):
            raise CsvError(name, line, "unit", f"the unit is {unit!r}; write C or F, % for a humidity probe, or leave it blank for °C")
        value = row[i_value]
        if quality and quality.strip() not in ("", "ok", "suspect"):
            if quality.strip() != "fault":
                raise CsvError(name, line, "quality", f"the quality is {quality!r}; write ok, suspect or fault, or leave it blank for ok")
            _check_rest(row, i_offset, i_received, name, line)
            yield Fault(probe, last_at, (row[i_reason] if i_reason is not None else "") or FAULT, value)
            continue
        try:
            celsius = float(value)
        except ValueError:
            raise _value_error(name, line, value) from None
        if "F" in unit:
            celsius = (celsius - 32.0) * 5.0 / 9.0
        if not ABSOLUTE_ZERO_C <= celsius <= HIGHEST_C or "_" in value:
            raise _value_error(name, line, value)
        if plain:
            yield Reading(probe, last_at, celsius)
            continue
        offset = _check_rest(row, i_offset, i_received, name, line)
        if not ABSOLUTE_ZERO_C <= celsius + offset <= HIGHEST_C:
            raise CsvError(name, line, "offset_c", f"the offset {offset:g} makes the value {celsius + offset:g} °C; write the offset in °C")
        suspect = ""
        if quality.strip() == "suspect":
            suspect = (row[i_reason] if i_reason is not None else "") or SUSPECT
        yield Reading(probe, last_at, celsius, offset, suspect)


def _percent(unit: str, probe: str, humidity: Collection[str] | None, name: str, line: int) -> str:
    """The unit of a row with per cent or of a humidity probe: none, since its value stands as it is."""
    if humidity is None or probe in humidity:
        if unit.strip() in ("", "%"):
            return ""
        raise CsvError(name, line, "unit", f"the unit is {unit!r} and {probe} is a humidity probe; write %, or leave it blank for %")
    raise CsvError(name, line, "unit", f"the unit is {unit!r} and {probe} is no humidity probe; write C or F, or leave it blank for °C")


def _probe(text: str, known: frozenset[str] | None, name: str, line: int) -> str:
    probe = text.strip()
    if not probe:
        raise CsvError(name, line, "probe", "the probe is blank; write the probe's id")
    if known is not None and probe not in known:
        raise CsvError(
            name, line, "probe", f"the plan knows no probe {probe!r}; write one of {', '.join(sorted(known)) or '(it has none)'}"
        )
    return probe


def _value_error(name: str, line: int, value: str) -> CsvError:
    if not value.strip():
        return CsvError(name, line, "value", "the value is blank; write a number, or quality fault if the probe gave none")
    if _is_finite(value):
        return CsvError(
            name, line, "value", f"the value is {value!r}, which no thermometer reads; write quality fault where it is an error code"
        )
    return CsvError(name, line, "value", f"the value is {value!r}; write a temperature as a number with a decimal point, such as 71.1")


def _is_finite(value: str) -> bool:
    try:
        return "_" not in value and math.isfinite(float(value))
    except ValueError:
        return False


def _check_rest(row: list[str], i_offset: int | None, i_received: int | None, name: str, line: int) -> float:
    """The offset of a row, having also checked that `received` can be read. Offline nothing is late, so it is not kept."""
    if i_received is not None and row[i_received].strip():
        try:
            instant(row[i_received])
        except QuantityError as error:
            raise CsvError(name, line, "received", str(error)) from error
    if i_offset is None or not row[i_offset].strip():
        return 0.0
    try:
        offset = float(row[i_offset])
    except ValueError:
        offset = math.nan
    if not math.isfinite(offset) or "_" in row[i_offset]:
        raise CsvError(
            name, line, "offset_c", f"the offset is {row[i_offset]!r}; write °C as a number, such as -0.3, or leave it blank for 0"
        )
    return offset


def read_csv_file(
    path: Path, known_probes: Collection[str] | None = None, humidity: Collection[str] | None = None
) -> list[Reading | Fault]:
    """`read_csv` of a file; also raises CsvError where the file cannot be read or is not UTF-8."""
    return list(iter_csv_file(path, known_probes, humidity))


def iter_csv_file(
    path: Path, known_probes: Collection[str] | None = None, humidity: Collection[str] | None = None
) -> Iterator[Reading | Fault]:
    """`iter_csv` of a file; raises as `read_csv_file` does."""
    return iter_csv(lines_of(path), str(path), known_probes, humidity)


def write_csv(
    out: TextIO,
    items: Iterable[tuple[Reading | Fault, Instant | None]],
    recalled: Callable[[Reading], Reading] | None = None,
    humidity: Collection[str] = (),
) -> int:
    """Write readings and faults, each with the instant it was received (None: not known), so that `read_csv` gives them back exactly.

    Returns the number of rows. Values stay raw, in °C, with their offset beside them: the one that `recalled` gives, and then what the
    row was stored with in a column of its own. Those of the probes in `humidity` are per cent and say so.
    """
    writer = row_writer(out)
    more: tuple[str, ...] = () if recalled is None else ("",)
    writer((*NEED, *MAY, *((STORED,) if more else ())))
    count = 0
    for item, received_at in items:
        received = "" if received_at is None else instant_text(received_at)
        if isinstance(item, Fault):
            writer((instant_text(item.at), item.probe, item.raw, "", "fault", "", received, item.reason, *more))
        else:
            judged = item.offset_c
            if recalled is not None:
                judged = recalled(item).offset_c
                more = ("" if judged == item.offset_c else repr(item.offset_c),)
            offset = repr(judged) if judged else ""
            quality = "suspect" if item.suspect else ""
            unit = "%" if item.probe in humidity else ""
            writer((instant_text(item.at), item.probe, repr(item.celsius), unit, quality, offset, received, item.suspect, *more))
        count += 1
    return count


@dataclass(frozen=True)
class Replay:
    """Plays a file's readings in event time. `speed` 1 is as they happened, 60 an hour a minute, 0 flat out."""

    name: str
    path: Path
    speed: float = 0.0
    batch: int = 500

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Hand over everything once, in order of time, then say so and return."""
        try:
            items = sorted(read_csv_file(self.path), key=lambda item: item.at)
        except CsvError as error:
            sink.state(self.name, False, str(error))
            return
        sink.state(self.name, True, f"Replaying {len(items)} rows of {self.path.name}.")
        futures = self._flat_out(items, sink, stop) if self.speed == 0 else self._paced(items, sink, stop)
        failed = next((e for e in (_outcome(future, stop) for future in futures) if e is not None), None)
        if failed is not None:
            sink.state(self.name, False, f"Replay of {self.path.name}: some rows were not stored ({failed}); play it again.")
        elif stop.is_set():
            sink.state(self.name, False, f"Replay of {self.path.name} was stopped.")
        else:
            # Nobody needs to be called because a file has come to its end.
            sink.state(self.name, True, f"Replay of {self.path.name} has ended: {len(items)} rows.")

    def _flat_out(self, items: Sequence[Reading | Fault], sink: Sink, stop: threading.Event) -> list[Future[object]]:
        futures: list[Future[object]] = []
        for start in range(0, len(items), self.batch):
            if stop.is_set():
                break
            futures.append(sink.readings(items[start : start + self.batch]))
        return futures

    def _paced(self, items: Sequence[Reading | Fault], sink: Sink, stop: threading.Event) -> list[Future[object]]:
        futures: list[Future[object]] = []
        begun_s, first, start = time.monotonic(), items[0].at if items else 0, 0
        while start < len(items) and not stop.is_set():
            due = first + int((time.monotonic() - begun_s) * self.speed * SECOND)
            end = start
            while end < len(items) and end - start < self.batch and items[end].at <= due:
                end += 1
            if end > start:
                futures.append(sink.readings(items[start:end]))
                start = end
            else:
                stop.wait(min(0.5, (items[start].at - due) / SECOND / self.speed))
        return futures


def _outcome(future: Future[object], stop: threading.Event) -> BaseException | None:
    """The future's exception, having waited for it; None if it went well or the program stops."""
    while not stop.is_set():
        try:
            return future.exception(timeout=0.2)
        except TimeoutError:
            continue
    return None


def load(config: Mapping[str, object]) -> Replay:
    """A replay from its `[[source]]` table: `file`, `speed` (0: flat out)."""
    settings = Settings(config, "source csv")
    path = Path(settings.text("file", want="the path of a readings CSV"))
    replay = Replay(settings.text("name", f"replay of {path.name}"), path, settings.number("speed", 1.0, 0.0, 1e6))
    settings.done()
    return replay
