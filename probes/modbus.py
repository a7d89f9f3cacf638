"""Modbus thermometers, over a serial line (RTU) or the network (TCP): registers asked for in turn, one silent device never stops the rest.

A register has no type of its own: how many registers a value takes, its sign, word order, byte order and scale are the maker's and
are configured, never guessed. Makers report an open sensor as a special value: list it under `faults`. Addresses count from 0, as
on the wire; a manual's register 40001 is address 0.

A device that does not answer is asked again after a growing pause, so that its time-outs do not slow the others, and what else was to be
asked of it in that round is left out: a late answer on a serial line names no question, and must not be taken for the next one's.
Source: the frames of two instrument manuals and pymodbus' test suite; parts of the specification are from memory.
"""

from __future__ import annotations

import logging
import math
import struct
import termios
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from probes.clock import Clock, now
from probes.driver import Sink, backoff
from probes.errors import RawValueError, SettingError, SourceGone
from probes.polling import Absences, poll
from probes.raw_sensor import Conversion, read_conversion
from probes.settings import Settings
from probes.value import check_celsius, to_celsius
from rules.reading import Fault, Reading

if TYPE_CHECKING:
    from pymodbus.client.base import ModbusBaseSyncClient

#: Types by the word the configuration uses, as struct letters for one value of high word and high byte first.
TYPES: Mapping[str, str] = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}
_EXCEPTIONS = {1: "illegal function", 2: "illegal address", 3: "illegal value", 4: "device failure", 6: "device busy"}
_BEHIND_GATEWAY = (10, 11)  # a gateway's word for a device that does not answer
#: So many registers are asked for at once at most; a request may hold 125.
_TOGETHER = 60
#: A float nearer to zero than this and not zero is one whose words stand in the other order: 71.1 read so is 4.2e-8.
_SMALLEST = 1e-6


@dataclass(frozen=True)
class Register:
    """One value of one device. `faults` are raw values that mean "no temperature"; `scale` and `add` turn a raw value into `unit`."""

    probe: str
    unit: int
    address: int
    table: str = "holding"
    type: str = "int16"
    words_low_first: bool = False
    bytes_low_first: bool = False
    scale: float = 1.0
    add: float = 0.0
    degrees: str = "C"
    faults: frozenset[float] = frozenset()
    span_c: tuple[float, float] = (-200.0, 1400.0)
    convert: Conversion | None = None

    @property
    def count(self) -> int:
        """How many registers the value takes."""
        return struct.calcsize(TYPES[self.type]) // 2

    def decode(self, words: Sequence[int]) -> float | str:
        """°C of the registers' 16-bit words, in the order of their addresses, or the reason why there is none."""
        if len(words) != self.count:
            return "answer of another length"
        ordered = list(reversed(words)) if self.words_low_first else list(words)
        order = "<" if self.bytes_low_first else ">"
        raw = struct.unpack(f">{TYPES[self.type]}", b"".join(struct.pack(f"{order}H", word) for word in ordered))[0]
        if not math.isfinite(raw):
            return "not a number"
        if self.type.startswith("float") and 0.0 < abs(raw) < _SMALLEST:
            return "no temperature in this word order"
        if raw in self.faults:
            return "error code"
        value = raw * self.scale + self.add
        if self.convert is None:
            return check_celsius(to_celsius(value, self.degrees), self.span_c)
        try:
            return check_celsius(self.convert(value), self.span_c)
        except RawValueError as error:
            return str(error)


@dataclass(frozen=True)
class Block:
    """Neighbouring registers of one device that are asked for together."""

    unit: int
    table: str
    address: int
    count: int
    registers: tuple[Register, ...]


def blocks(registers: Sequence[Register]) -> list[Block]:
    """Registers that follow one another without a hole, as few requests as that allows: a device may refuse to answer for a hole."""
    found: list[Block] = []
    for register in sorted(registers, key=lambda r: (r.unit, r.table, r.address)):
        last = found[-1] if found else None
        end = register.address + register.count
        if (
            last is not None
            and (last.unit, last.table) == (register.unit, register.table)
            and register.address <= last.address + last.count
            and end - last.address <= _TOGETHER
        ):
            count = max(last.count, end - last.address)
            found[-1] = Block(last.unit, last.table, last.address, count, (*last.registers, register))
        else:
            found.append(Block(register.unit, register.table, register.address, register.count, (register,)))
    return found


@dataclass
class _Silent:
    """A device that did not answer: not asked before `until_s` of the monotonic clock."""

    waits: Iterator[float]
    until_s: float = 0.0


@dataclass(frozen=True)
class Modbus:
    """One line or one network address. `port` is the TCP port; `line` the serial port, blank for the network."""

    name: str
    registers: tuple[Register, ...]
    host: str = ""
    port: int = 502
    line: str = ""
    baud: int = 19200
    parity: str = "E"
    stop_bits: int = 1
    timeout_s: float = 0.5
    every_s: float = 1.0
    clock: Clock = now
    _silent: dict[int, _Silent] = field(default_factory=dict, repr=False, compare=False)
    _absent: Absences = field(default_factory=Absences, repr=False, compare=False)

    @property
    def where(self) -> str:
        """The line or the address, for people."""
        return self.line or f"{self.host}:{self.port}"

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Ask every register in turn until `stop`."""
        client = self._client()
        asked = blocks(self.registers)
        try:
            poll(self.name, self.every_s, lambda: self._round(client, asked, stop), sink, stop, present=f"{self.where} is open.")
        finally:
            client.close()  # type: ignore[no-untyped-call]

    def _round(self, client: ModbusBaseSyncClient, asked: Sequence[Block], stop: threading.Event) -> list[Reading | Fault]:
        if not self._connected(client):
            raise SourceGone(f"{self.where} cannot be opened; check its plug and power, and that no other program holds it")
        found: list[Reading | Fault] = []
        for block in asked:
            silent = self._silent.get(block.unit)
            if stop.is_set() or (silent is not None and time.monotonic() < silent.until_s):
                continue
            try:
                found += self._ask(client, block)
            except SourceGone:
                if not found:
                    raise
                # What answered stands. A gateway may hang up for want of this one device, which is left alone for a while like any that is
                # silent; where the line itself is gone, the next round finds it so.
                return found + self._no_answer(block)
        return found

    @staticmethod
    def _connected(client: ModbusBaseSyncClient) -> bool:
        try:
            return bool(client.connect())
        except (OSError, termios.error):  # a port that goes away while it is being opened
            return False

    def _ask(self, client: ModbusBaseSyncClient, block: Block) -> list[Reading | Fault]:
        from pymodbus.exceptions import ConnectionException, ModbusIOException

        read = client.read_holding_registers if block.table == "holding" else client.read_input_registers
        try:
            answer = read(block.address, count=block.count, device_id=block.unit)
        except (ConnectionException, OSError, termios.error) as error:
            client.close()  # type: ignore[no-untyped-call]
            raise SourceGone(f"{self.where} went away; check its plug and power") from error
        except ModbusIOException:
            return self._no_answer(block)
        except (struct.error, ValueError, IndexError) as error:  # an answer that the library could not take apart
            return self._faults(block, f"unreadable answer ({type(error).__name__})")
        if answer.isError():
            code = int(getattr(answer, "exception_code", 0))
            if code in _BEHIND_GATEWAY:
                return self._no_answer(block)
            self._silent.pop(block.unit, None)
            return self._faults(block, _EXCEPTIONS.get(code, "refused"), f"exception {code}")
        self._silent.pop(block.unit, None)
        return self._decoded(block, list(answer.registers))

    def _decoded(self, block: Block, words: Sequence[int]) -> list[Reading | Fault]:
        if len(words) != block.count:
            return self._faults(block, "answer of another length", _hex(words))
        at = self.clock()
        found: list[Reading | Fault] = []
        for register in block.registers:
            self._absent.here(register.probe)
            own = words[register.address - block.address :][: register.count]
            value = register.decode(own)
            found.append(Fault(register.probe, at, value, _hex(own)) if isinstance(value, str) else Reading(register.probe, at, value))
        return found

    def _no_answer(self, block: Block) -> list[Reading | Fault]:
        silent = self._silent.setdefault(block.unit, _Silent(backoff(2.0, 30.0)))
        silent.until_s = time.monotonic() + next(silent.waits)
        mates = [r for r in self.registers if r.unit == block.unit]
        return [f for r in mates for f in self._absent.fault(Fault(r.probe, self.clock(), "no answer", f"unit {block.unit}"))]

    def _faults(self, block: Block, reason: str, raw: str = "") -> list[Reading | Fault]:
        return [Fault(register.probe, self.clock(), reason, raw) for register in block.registers]

    def _client(self) -> ModbusBaseSyncClient:
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient

        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # what it would say is said by us, once
        if self.line:
            more: dict[str, Any] = {"baudrate": self.baud, "parity": self.parity, "stopbits": self.stop_bits}
            return ModbusSerialClient(self.line, timeout=self.timeout_s, retries=0, **more)
        return ModbusTcpClient(self.host, port=self.port, timeout=self.timeout_s, retries=0)


def _hex(words: Sequence[int]) -> str:
    return " ".join(f"{word:04x}" for word in words)


def load(config: Mapping[str, object]) -> Modbus:
    """A Modbus line or address from its `[[source]]` table.

    `line` (a serial port; `baud` 19200, `parity` "E", `stop_bits` 1) or `host` and `port` 502; `timeout_s` 0.5, `every_s` 1;
    `register`: a list of tables, each with `probe`, `unit` (the device, 1 to 247), `address` (from 0), `type`, and optionally `table`
    "holding" or "input", `word_order` and `byte_order` "high first" or "low first", `scale` 1, `add` 0, `degrees` "C", `faults` =
    [32767], `lowest_c`, `highest_c`, and `raw` for a bare sensor.
    """
    s = Settings(config, "source modbus")
    line, host = s.text("line", ""), s.text("host", "")
    if bool(line) == bool(host):
        raise SettingError('source modbus: write either line = "/dev/ttyUSB0" (RTU) or host = "192.168.1.20" (TCP)')
    s.where = f"source modbus {line or host}"
    registers = tuple(_register(table) for table in s.tables("register"))
    if not registers:
        raise SettingError(
            f"{s.where}: register is missing; write [[source.register]] with "
            'probe = "core-1", unit = 1, address = 0, type = "int16", scale = 0.1'
        )
    probes = [register.probe for register in registers]
    if len(set(probes)) < len(probes):
        raise SettingError(f"{s.where}: probe {max(probes, key=probes.count)!r} is fed by two registers; give each its own")
    driver = Modbus(
        name=s.text("name", f"Modbus {line or host}"),
        registers=registers,
        host=host,
        port=s.whole("port", 502, 1, 65535),
        line=line,
        baud=s.whole("baud", 19200, 300, 1_000_000),
        parity=s.choice("parity", ("N", "E", "O"), "E"),
        stop_bits=s.whole("stop_bits", 1, 1, 2),
        timeout_s=s.number("timeout_s", 0.5, 0.02, 30.0),
        every_s=s.number("every_s", 1.0, 0.05, 3600.0),
    )
    s.done()
    return driver


def _register(s: Settings) -> Register:
    convert = None
    raw = s.table("raw")
    if raw is not None:
        convert, needs_junction = read_conversion(raw)
        if needs_junction:
            raise SettingError(f"{raw.where}: a register gives no temperature of the terminals; write cold_junction_c")
    if s.has("scale") and s.number("scale", 1.0, -1e9, 1e9) == 0.0:
        raise s.wrong("scale", "what one count is worth, such as 0.1")
    for key in ("unit", "address"):
        if not s.has(key):
            raise SettingError(f"{s.where}: {key} is missing; write {key} = {1 if key == 'unit' else 0}")
    register = Register(
        probe=s.text("probe", want="the probe's id"),
        unit=s.whole("unit", 1, 0, 255),
        address=s.whole("address", 0, 0, 65535),
        table=s.choice("table", ("holding", "input"), "holding"),
        type=s.choice("type", tuple(TYPES)),
        words_low_first=s.choice("word_order", ("high first", "low first"), "high first") == "low first",
        bytes_low_first=s.choice("byte_order", ("high first", "low first"), "high first") == "low first",
        scale=s.number("scale", 1.0, -1e9, 1e9),
        add=s.number("add", 0.0, -1e9, 1e9),
        degrees=s.choice("degrees", ("C", "F", "K"), "C"),
        faults=frozenset(s.numbers("faults")),
        span_c=(s.number("lowest_c", -200.0, -273.15, 1400.0), s.number("highest_c", 1400.0, -273.15, 1400.0)),
        convert=convert,
    )
    s.done()
    return register
