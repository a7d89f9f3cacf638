"""Rows of a logger's file, whatever its maker: which column is the time and how it is written, which columns are probes.

Two forms: wide (a column a probe) and long (a column names the probe, another holds the value). A time without a zone is in the zone
that is configured; in the hour that a clock change repeats, rows that go back in time are taken for the second time round, and an hour
that a clock change leaves out is a fault. A row that cannot be read gives faults for its probes, never a number, and costs no other row.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from probes.csv_text import EARLIEST, LATEST, instant
from probes.errors import SettingError
from probes.value import parse_value
from rules.errors import QuantityError
from rules.quantity import from_datetime
from rules.reading import HOUR, Fault, Instant, Reading

_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")
_DAY_ALONE = re.compile(r"\d{4}-?\d\d-?\d\d|\d{4}-?W\d\d(?:-?\d)?")


@dataclass(frozen=True)
class RowForm:
    """How rows are read. `columns` maps a column's title, or its number from 1, to a probe; `-` is no probe.

    `time` and `date` name columns (`date` where the day stands apart); `time_format` is strptime's, blank for ISO 8601 or Unix seconds.
    Long form: `channel` and `value` name columns, `labels` maps what the channel column holds to probes.
    """

    time: str
    zone: ZoneInfo
    columns: tuple[tuple[str, str], ...] = ()
    date: str = ""
    time_format: str = ""
    channel: str = ""
    value: str = ""
    labels: tuple[tuple[str, str], ...] = ()
    delimiter: str = ","
    decimal: str = "."
    unit: str | None = "C"
    faults: frozenset[str] = frozenset()
    span_c: tuple[float, float] = (-200.0, 1400.0)

    @property
    def probes(self) -> tuple[str, ...]:
        """Every probe that rows may feed."""
        return tuple(probe for _, probe in (*self.columns, *self.labels))


class Rows:
    """Rows of one file, in their order. `header` is its line of titles; None where columns are numbered."""

    def __init__(self, form: RowForm, header: str | None, last: Instant | None = None) -> None:
        """`last`: the newest time of the rows before, where a file is read on."""
        self.form = form
        try:
            titles = [] if header is None else [t.strip() for t in self._split(header.removeprefix("\ufeff").rstrip("\r\n"))]
        except csv.Error as error:
            raise SettingError(f"the header is no row of this form ({error})") from error
        wanted = [form.time, *([form.date] if form.date else []), *([form.channel, form.value] if form.channel else [])]
        self._place = {name: _place(name, titles) for name in (*wanted, *(c for c, _ in form.columns))}
        self._labels = dict(form.labels)
        #: The newest time of a row without a zone of its own, to tell the second time round of a repeated hour.
        self.last = last

    def feed(self, line: str, received_at: Instant) -> list[Reading | Fault]:
        """What one whole line says. `received_at` dates the faults of a row whose time cannot be read."""
        text = line.rstrip("\r\n")
        if not text.strip():
            return []
        try:
            cells = [cell.strip() for cell in self._split(text)]
        except csv.Error as error:
            return self._faults(f"no row of this form ({error})", text, received_at)
        if len(cells) <= max(self._place.values()):
            return self._faults("row cut off", text, received_at)
        at = self._time(cells)
        if isinstance(at, str):
            return self._faults(at, text, received_at)
        if self.form.channel:
            probe = self._labels.get(cells[self._place[self.form.channel]])
            return [] if probe is None else [self._value(probe, cells[self._place[self.form.value]], at)]
        return [self._value(probe, cells[self._place[column]], at) for column, probe in self.form.columns]

    def _split(self, text: str) -> list[str]:
        if '"' not in text and "\r" not in text:
            return text.split(self.form.delimiter)  # what csv makes of a row without quotes, in a third of the time
        return next(iter(csv.reader([text], delimiter=self.form.delimiter, strict=True)), [])

    def _value(self, probe: str, text: str, at: Instant) -> Reading | Fault:
        form = self.form
        celsius = parse_value(text, form.unit, decimal=form.decimal, faults=form.faults, span_c=form.span_c)
        return Fault(probe, at, celsius, text[:200]) if isinstance(celsius, str) else Reading(probe, at, celsius)

    def _faults(self, reason: str, raw: str, at: Instant) -> list[Reading | Fault]:
        return [Fault(probe, at, reason, raw[:200]) for probe in dict.fromkeys(self.form.probes)]

    def _time(self, cells: Sequence[str]) -> Instant | str:
        form = self.form
        text = cells[self._place[form.time]]
        if form.date:
            text = f"{cells[self._place[form.date]]} {text}"
        try:
            if form.time_format:
                moment = datetime.strptime(text, form.time_format)
            elif _DAY_ALONE.fullmatch(text):
                return "a day without a time"
            elif _NUMBER.fullmatch(text):
                return instant(text)  # "1712120400" is a number of seconds, whatever else a date parser might see in it
            else:
                try:
                    moment = datetime.fromisoformat(text)
                except ValueError:
                    return instant(text)
        except (ValueError, QuantityError):
            return "time cannot be read"
        at = self._local(moment) if moment.tzinfo is None else from_datetime(moment)
        if at is None:
            return "a time that a clock change leaves out"
        if not EARLIEST <= at <= LATEST:
            return "time cannot be read"
        if moment.tzinfo is None and (self.last is None or at > self.last - 3 * HOUR):
            self.last = at
        return at

    def _local(self, moment: datetime) -> Instant | None:
        """The moment in the configured zone; None where the zone's clocks never showed it."""
        first, second = moment.replace(tzinfo=self.form.zone), moment.replace(tzinfo=self.form.zone, fold=1)
        at = from_datetime(first)
        if first.utcoffset() == second.utcoffset():
            return at  # no clock change is near: of nearly every row this is all there is to ask, and it cannot overflow at year 1 or 9999
        if first.astimezone(UTC).astimezone(self.form.zone).replace(tzinfo=None) != moment:
            return None
        return from_datetime(second) if self.last is not None and at < self.last else at


def _place(name: str, titles: Sequence[str]) -> int:
    """Where a column stands: by its title, or by its number from 1. Raises SettingError."""
    if name in titles:
        if titles.count(name) > 1:
            raise SettingError(f"the header has {titles.count(name)} columns titled {name!r}; name it by its number instead")
        return titles.index(name)
    if name.isdigit() and int(name) > 0:
        return int(name) - 1
    known = ", ".join(titles) or "none, since the file has no header"
    raise SettingError(f"no column is titled {name!r}; titles are {known}")
