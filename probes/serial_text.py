"""Instruments that write text lines to a serial port. What the lines may hold is in `probes/lines.py`.

The loop opens the port, reads, and when the port goes away (unplugged, powered off) says so and opens it again, waiting
longer each time. The first stretch of bytes after opening may be the rest of a line and is passed over.
"""

from __future__ import annotations

import os
import termios
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import serial

from probes.clock import Clock, now
from probes.driver import Sink, backoff, tell_if_lost
from probes.errors import SettingError
from probes.lines import ROLES, LineDecoder, LineFormat
from probes.settings import Settings
from rules.reading import Fault, Reading

#: A serial device never answers at once; this is how soon `stop` is noticed.
_WAIT_S = 0.2
#: Not read for longer than this, a fast line has filled the system's buffer.
_HELD_S = 2.0


@dataclass(frozen=True)
class SerialText:
    """One serial port and how its lines are read. `port` is a device path or a pyserial URL."""

    name: str
    port: str
    form: LineFormat
    baud: int = 9600
    byte_size: int = 8
    parity: str = "N"
    stop_bits: float = 1.0
    clock: Clock = now

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Read lines until `stop`; an outage is told once, when it begins, and once when it ends."""
        waits, told = backoff(), ""
        decoder = LineDecoder(self.form, mid_line=True)
        while not stop.is_set():
            try:
                with self._open() as port:
                    sink.state(self.name, True, f"{self.name}: {self.port} is open.")
                    told = ""
                    decoder.reopened()
                    while not stop.is_set():
                        data = port.read(max(1, port.in_waiting))
                        if data:
                            waits = backoff()
                            items = decoder.feed(data, self.clock())
                            if items and self._hand_over(items, sink) > _HELD_S:
                                # The system keeps a few thousand bytes of a line that nobody reads and drops the rest, so that what waits
                                # now may be two halves of two lines.
                                port.reset_input_buffer()
                                decoder.reopened()
            except (serial.SerialException, termios.error, OSError, ValueError) as error:
                text = f"{self.name}: {self.port} cannot be read ({_reason(error)}); check its plug and power."
                if text != told:
                    sink.state(self.name, False, text)
                    told = text
                stop.wait(next(waits))
        if not told:
            sink.state(self.name, False, f"{self.name}: {self.port} is closed.")

    def _hand_over(self, items: Sequence[Reading | Fault], sink: Sink) -> float:
        """Hand items over; how long the store held this thread up, in seconds, having told it where lines may be lost by it."""
        begun_s = time.monotonic()
        tell_if_lost(sink.readings(items), sink, self.name)
        held_s = time.monotonic() - begun_s
        if held_s > _HELD_S:
            sink.state(self.name, True, f"{self.name}: the store held the line up for {held_s:.0f} s; what was sent meanwhile is lost.")
        return held_s

    def _open(self) -> serial.Serial:
        return serial.serial_for_url(
            self.port, baudrate=self.baud, bytesize=self.byte_size, parity=self.parity, stopbits=self.stop_bits, timeout=_WAIT_S
        )


def _reason(error: Exception) -> str:
    """The system's own words where there are any; pyserial wraps them in several layers."""
    if "returned no data" in str(error):
        return "it was unplugged, or another program reads it"
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, serial.SerialException) and cause.errno:
            return os.strerror(cause.errno)
        if isinstance(cause, OSError) and cause.strerror:
            return cause.strerror
        cause = cause.__cause__ or cause.__context__
    return str(error).splitlines()[0] if str(error) else type(error).__name__


def load(config: Mapping[str, object]) -> SerialText:
    """A serial source from its `[[source]]` table.

    `port`; `baud` 9600, `byte_size` 8, `parity` "N", `stop_bits` 1; one of `probe`, `labels` = { CH1 = "core-1" }, `columns` =
    ["core-1", "-"] or ["time", "channel", "value", "unit"]; `unit` "C", "F" or "line" (each value carries its own);
    `decimal` ".", `decimals`, `separator`, `faults` = ["9998"], `lowest_c`, `highest_c`, `device_time` true.
    """
    s = Settings(config, "source serial")
    port = s.text("port", want='the device, such as "/dev/ttyUSB0"')
    s.where = f"source serial {port}"
    labels, columns, probe = s.names("labels"), s.texts("columns"), s.text("probe", "")
    decimal = s.choice("decimal", (".", ","), ".")
    unit = s.choice("unit", ("C", "F", "K", "line"))
    form = LineFormat(
        probe=probe,
        labels=labels,
        columns=columns,
        unit=None if unit == "line" else unit,
        decimal=decimal,
        decimals=s.whole("decimals", 0, 0, 9) if s.has("decimals") else None,
        separator=s.choice("separator", ("", ",", ";", "\t", " "), ""),
        faults=frozenset(word.strip().lower() for word in s.texts("faults")),
        span_c=(s.number("lowest_c", -100.0, -273.15, 1400.0), s.number("highest_c", 500.0, -273.15, 1400.0)),
        device_time=s.flag("device_time", True),
    )
    driver = SerialText(
        name=s.text("name", f"serial {port}"),
        port=port,
        form=form,
        baud=s.whole("baud", 9600, 50, 4_000_000),
        byte_size=s.whole("byte_size", 8, 5, 8),
        parity=s.choice("parity", ("N", "E", "O"), "N"),
        stop_bits=s.number("stop_bits", 1.0, 1.0, 2.0),
    )
    s.done()
    _check(form, s.where)
    return driver


def _check(form: LineFormat, where: str) -> None:
    """Refuse a format that leaves open which value belongs to which probe."""
    if not form.probes:
        raise SettingError(f'{where}: no probe is named; write probe = "core-1", or labels, or columns')
    if form.probe and form.labels:
        raise SettingError(f"{where}: probe and labels are both there; keep labels where a line speaks of several probes")
    named = [c for c in form.columns if c != "-"]
    if len(set(named)) != len(named):
        raise SettingError(f"{where}: columns names {max(named, key=named.count)!r} twice; name each once")
    fed_by_columns = [c for c in named if c not in ROLES]
    if form.columns and not fed_by_columns and "value" not in named:
        raise SettingError(f'{where}: columns has neither a probe nor "value"; name where the temperature stands')
    if "value" in named and not form.probe and not ("channel" in named and form.labels):
        raise SettingError(f'{where}: columns has "value" but no probe for it; write probe, or "channel" and labels')
    if form.columns and (form.probe or form.labels) and "value" not in named:
        raise SettingError(f'{where}: columns names probes itself; leave probe and labels out, or write a "value" column')
    if form.decimal == "," and form.separator == ",":
        raise SettingError(f"{where}: the comma cannot be both decimal mark and separator; write another separator")
    if form.span_c[0] >= form.span_c[1]:
        raise SettingError(f"{where}: lowest_c is {form.span_c[0]:g}, not below highest_c {form.span_c[1]:g}; exchange them")
