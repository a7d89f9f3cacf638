"""Instruments that answer SCPI queries, over a serial line or a TCP socket: a query goes out, one line of numbers comes back.

Numbers come as NR1 (273), NR2 (0.273) or NR3 (2.73E+2), several joined by commas; 9.91E37 is "not a number", 9.9E37 and beyond overload.
The unit is the instrument's setting and is configured here, never guessed. The reply to a query is read before the next is sent; whatever
waits on the line before a query is a late reply to an earlier one and is thrown away. A reply names no query: after one that did not come
whole, the round's other queries are left out and the line is opened anew, so that a late reply is not taken for the next one's.
Source: programming sections of bench-meter manuals (secondary); overload values from memory.
"""

from __future__ import annotations

import socket
import termios
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import serial

from probes.clock import Clock, now
from probes.driver import Sink
from probes.errors import RawValueError, SettingError, SourceGone
from probes.polling import poll
from probes.raw_sensor import Conversion, read_conversion
from probes.settings import Settings
from probes.value import check_celsius, parse_number, to_celsius
from rules.reading import Fault, Instant, Reading

NOT_A_NUMBER, OVERLOAD = 9.91e37, 9.9e37
MOST_BYTES = 4096
#: So many pieces of late replies are thrown away before a query; what sends more is no instrument that answers.
_DRAINED = 64


@dataclass(frozen=True)
class Query:
    """One query and the probes that its numbers feed, in their order; "-" for a number that feeds none."""

    text: str
    probes: tuple[str, ...]
    unit: str = "C"
    span_c: tuple[float, float] = (-200.0, 1400.0)
    convert: Conversion | None = None

    def decode(self, line: bytes, at: Instant) -> list[Reading | Fault]:
        """What a whole reply line says: one reading or fault of each probe. A line without its end is cut off and gives faults."""
        text = line.decode("ascii", "replace").strip()
        if not line.endswith(b"\n"):
            return self.faults("cut off" if text else "no answer", at, text)
        parts = text.split(",")
        if len(parts) != len(self.probes):
            return self.faults(f"{len(parts)} numbers where {len(self.probes)} are expected", at, text)
        return [self._one(probe, part, at) for probe, part in zip(self.probes, parts, strict=True) if probe != "-"]

    def faults(self, reason: str, at: Instant, raw: str = "") -> list[Reading | Fault]:
        """One fault of each probe that this query feeds."""
        return [Fault(probe, at, reason, raw[:200]) for probe in self.probes if probe != "-"]

    def _one(self, probe: str, text: str, at: Instant) -> Reading | Fault:
        celsius = self._celsius(text)
        return Fault(probe, at, celsius, text.strip()[:200]) if isinstance(celsius, str) else Reading(probe, at, celsius)

    def _celsius(self, text: str) -> float | str:
        value = parse_number(text)
        if value is None:
            return "not a number"
        if abs(value) >= OVERLOAD * 0.999999:
            return "not a number" if abs(value - NOT_A_NUMBER) < 1e34 else "overload"
        if self.convert is None:
            return check_celsius(to_celsius(value, self.unit), self.span_c)
        try:
            return check_celsius(self.convert(value), self.span_c)
        except RawValueError as error:
            return str(error)


class Link(Protocol):
    """A line to an instrument that is open."""

    def ask(self, query: str, timeout_s: float) -> bytes:
        """The reply line with its end, or what came of it in time. Raises OSError where the line is gone."""
        ...

    def tell(self, command: str) -> None:
        """Send a command that has no reply."""
        ...

    def close(self) -> None:
        """Let go of the line."""
        ...


class _Socket:
    def __init__(self, host: str, port: int, timeout_s: float) -> None:
        self._socket = socket.create_connection((host, port), timeout_s)

    def ask(self, query: str, timeout_s: float) -> bytes:
        self._socket.setblocking(False)
        try:
            for _ in range(_DRAINED):
                if not self._socket.recv(MOST_BYTES):
                    raise ConnectionResetError("the instrument closed the connection")
            raise ConnectionAbortedError("the instrument sends without being asked and does not pause")
        except BlockingIOError:
            pass
        self._socket.settimeout(timeout_s)
        self.tell(query)
        held, end = b"", time.monotonic() + timeout_s
        while not held.endswith(b"\n") and len(held) < MOST_BYTES and (left := end - time.monotonic()) > 0:
            self._socket.settimeout(left)
            try:
                more = self._socket.recv(MOST_BYTES)
            except TimeoutError:
                break
            if not more:
                raise ConnectionResetError("the instrument closed the connection")
            held += more
        return held

    def tell(self, command: str) -> None:
        self._socket.sendall(command.encode("ascii") + b"\n")

    def close(self) -> None:
        self._socket.close()


class _Serial:
    def __init__(self, line: str, baud: int, parity: str, timeout_s: float) -> None:
        self._port = serial.serial_for_url(line, baudrate=baud, parity=parity, timeout=timeout_s, write_timeout=timeout_s)

    def ask(self, query: str, timeout_s: float) -> bytes:
        self._port.timeout = timeout_s
        self._port.reset_input_buffer()
        self.tell(query)
        return bytes(self._port.read_until(b"\n", MOST_BYTES))

    def tell(self, command: str) -> None:
        self._port.write(command.encode("ascii") + b"\n")

    def close(self) -> None:
        self._port.close()


@dataclass(frozen=True)
class Scpi:
    """One instrument. `setup` are commands sent each time the line is opened, such as the choice of a range."""

    name: str
    queries: tuple[Query, ...]
    host: str = ""
    port: int = 5025
    line: str = ""
    baud: int = 9600
    parity: str = "N"
    setup: tuple[str, ...] = ()
    timeout_s: float = 2.0
    every_s: float = 1.0
    clock: Clock = now

    @property
    def where(self) -> str:
        """The line or the address, for people."""
        return self.line or f"{self.host}:{self.port}"

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Ask every query in turn until `stop`."""
        held: list[Link] = []

        def ask() -> Sequence[Reading | Fault]:
            found: list[Reading | Fault] = []
            number = 0
            try:
                if not held:
                    held.append(self._open())
                    for command in self.setup:
                        held[0].tell(command)
                for number, query in enumerate(self.queries):
                    reply = held[0].ask(query.text, self.timeout_s)
                    found += self._decoded(query, reply)
                    if reply.count(b"\n") != 1 or not reply.endswith(b"\n"):
                        held.pop().close()
                        found += [
                            f
                            for left in self.queries[number + 1 :]
                            for f in left.faults("not asked, the query before it failed", self.clock())
                        ]
                        break
                return found
            except (OSError, serial.SerialException, termios.error) as error:
                while held:
                    held.pop().close()
                if found:  # what was answered stands; where the line itself is gone, the next round finds it so
                    return [*found, *(f for left in self.queries[number:] for f in left.faults("the line was lost", self.clock()))]
                why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
                raise SourceGone(f"{self.where} cannot be asked ({why}); check its plug and power") from error

        try:
            poll(self.name, self.every_s, ask, sink, stop, present=f"{self.where} is open.")
        finally:
            while held:
                held.pop().close()

    def _decoded(self, query: Query, reply: bytes) -> list[Reading | Fault]:
        if reply.count(b"\n") > 1:  # two replies at once: which of them answers this query cannot be told
            return query.faults("two answers at once", self.clock(), reply.decode("ascii", "replace").strip())
        return query.decode(reply, self.clock())

    def _open(self) -> Link:
        if self.line:
            return _Serial(self.line, self.baud, self.parity, self.timeout_s)
        return _Socket(self.host, self.port, self.timeout_s)


def load(config: Mapping[str, object]) -> Scpi:
    """An instrument from its `[[source]]` table.

    `line` (a serial port; `baud` 9600, `parity` "N") or `host` and `port` 5025; `setup`, commands without a reply; `timeout_s` 2,
    `every_s` 1; `query`: a list of tables, each with `text` ("MEAS:TEMP?"), `probes` = ["core-1", "-"], `unit` "C", "F" or "K",
    `lowest_c`, `highest_c`, and `raw` for an instrument that measures ohm or mV of a bare sensor.
    """
    s = Settings(config, "source scpi")
    line, host = s.text("line", ""), s.text("host", "")
    if bool(line) == bool(host):
        raise SettingError('source scpi: write either line = "/dev/ttyUSB0" or host = "192.168.1.30"')
    s.where = f"source scpi {line or host}"
    queries = tuple(_query(table) for table in s.tables("query"))
    if not queries:
        raise SettingError(f'{s.where}: query is missing; write [[source.query]] with text = "MEAS:TEMP?", probes = ["core-1"], unit = "C"')
    fed = [probe for query in queries for probe in query.probes if probe != "-"]
    if len(set(fed)) < len(fed):
        raise SettingError(f"{s.where}: probe {max(fed, key=fed.count)!r} is fed twice; give each number its own")
    driver = Scpi(
        name=s.text("name", f"SCPI {line or host}"),
        queries=queries,
        host=host,
        port=s.whole("port", 5025, 1, 65535),
        line=line,
        baud=s.whole("baud", 9600, 300, 1_000_000),
        parity=s.choice("parity", ("N", "E", "O"), "N"),
        setup=s.texts("setup"),
        timeout_s=s.number("timeout_s", 2.0, 0.05, 60.0),
        every_s=s.number("every_s", 1.0, 0.05, 3600.0),
    )
    s.done()
    return driver


def _query(s: Settings) -> Query:
    text, probes = s.text("text", want='the query, such as "MEAS:TEMP?"'), s.texts("probes")
    if not text.isascii() or not text.isprintable() or "?" not in text.split()[0]:
        raise s.wrong("text", 'a query, whose command ends in a question mark, such as "MEAS:TEMP?"')
    if not any(probe != "-" for probe in probes):
        raise SettingError(f'{s.where}: probes names none; write probes = ["core-1"]')
    convert = None
    raw = s.table("raw")
    if raw is not None:
        convert, needs_junction = read_conversion(raw)
        if needs_junction:
            raise SettingError(f"{raw.where}: the terminals' temperature is not known; write cold_junction_c")
    unit = s.choice("unit", ("C", "F", "K"), "C" if convert is not None else None)
    span = (s.number("lowest_c", -200.0, -273.15, 1400.0), s.number("highest_c", 1400.0, -273.15, 1400.0))
    s.done()
    return Query(text, probes, unit, span, convert)
