"""Modbus: worked frames over a real pty, a real server over TCP and RTU with one dead device, lines that go and come back."""

import asyncio
import os
import pty
import socket
import socketserver
import threading
import time
import tty
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from probes.errors import SettingError
from probes.modbus import Modbus, Register, blocks, load
from rules.reading import Fault, Reading

TENTHS = Register("core-1", 1, 0, scale=0.1)


@pytest.mark.parametrize(
    ("register", "words", "celsius"),
    [
        (TENTHS, [0x02C7], 71.1),
        (TENTHS, [0xFFD3], -4.5),
        (Register("core-1", 1, 0, type="uint16", scale=0.1, add=-40.0), [0x02C7], 31.1),
        (Register("core-1", 1, 0, type="float32"), [0x428E, 0x3333], 71.1),
        (Register("core-1", 1, 0, type="float32", words_low_first=True), [0x3333, 0x428E], 71.1),
        (Register("core-1", 1, 0, type="float32", bytes_low_first=True), [0x8E42, 0x3333], 71.1),
        (Register("core-1", 1, 0, type="int32", scale=0.001), [0x0001, 0x15BC], 71.1),
        (Register("core-1", 1, 0, scale=0.1, degrees="F"), [0x0640], 71.111),
    ],
)
def test_registers_are_decoded_as_configured(register: Register, words: list[int], celsius: float) -> None:
    """Sign, scale, word order and unit are the maker's; the figures were constructed and checked with pymodbus 3.16.1."""
    assert register.decode(words) == pytest.approx(celsius, abs=5e-4)


@pytest.mark.parametrize(
    ("register", "words", "reason"),
    [
        (Register("core-1", 1, 0, scale=0.1, faults=frozenset({32767.0, -32768.0})), [0x7FFF], "error code"),
        (Register("core-1", 1, 0, scale=0.1, faults=frozenset({32767.0, -32768.0})), [0x8000], "error code"),
        (Register("core-1", 1, 0, type="float32"), [0x7FC0, 0x0000], "not a number"),
        (Register("core-1", 1, 0, type="float32"), [0x7F80, 0x0000], "not a number"),
        (TENTHS, [0x02C7, 0x0000], "answer of another length"),
        (TENTHS, [], "answer of another length"),
        (Register("core-1", 1, 0), [0x7000], "out of the sensor's span"),
    ],
)
def test_code_or_nonsense_is_a_fault(register: Register, words: list[int], reason: str) -> None:
    """A fault is never turned into a number."""
    assert register.decode(words) == reason


@given(st.sampled_from(["int16", "uint16", "int32", "uint32", "float32", "float64"]), st.lists(st.integers(0, 0xFFFF), max_size=6))
def test_no_words_crash_the_decoder(kind: str, words: list[int]) -> None:
    """Whatever a device answers, there is a value within the span or a reason."""
    found = Register("core-1", 1, 0, type=kind, scale=0.1).decode(words)
    assert isinstance(found, str) or -200.0 <= found <= 1400.0


def test_neighbours_are_asked_for_together_and_holes_are_not_bridged() -> None:
    """A device may refuse to answer for registers that it does not have."""
    registers = [Register(f"p{a}", 1, a) for a in (0, 1, 2, 4)] + [Register("f", 1, 5, type="float32"), Register("other", 2, 0)]
    assert [(b.unit, b.address, b.count) for b in blocks(registers)] == [(1, 0, 3), (1, 4, 3), (2, 0, 1)]


# --- worked frames over a wire -------------------------------------------------------------------------------------------


class Wire:
    """A pty whose far end answers every request with the next of some canned frames; None: nothing."""

    def __init__(self, answers: list[bytes | None]) -> None:
        self.answers, self.asked = list(answers), list[bytes]()
        self.master, self.slave = pty.openpty()
        tty.setraw(self.master)
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        os.set_blocking(self.master, False)
        held = b""
        while not self._over.wait(0.002):
            try:
                held += os.read(self.master, 256)
            except BlockingIOError:
                continue
            while len(held) >= 8:
                self.asked.append(held[:8])
                held = held[8:]
                answer = self.answers.pop(0) if self.answers else None
                if answer is not None:
                    os.write(self.master, answer)

    def close(self) -> None:
        self._over.set()
        self._thread.join(5)
        os.close(self.master)
        os.close(self.slave)


def _round(line: str, *registers: dict[str, Any], rounds: int = 1) -> list[Reading | Fault]:
    source = load({"line": line, "baud": 115200, "parity": "N", "timeout_s": 0.3, "register": list(registers)})
    client, asked = source._client(), blocks(source.registers)
    try:
        return [item for _ in range(rounds) for item in source._round(client, asked, threading.Event())]
    finally:
        client.close()


ONE = {"probe": "core-1", "unit": 1, "address": 0, "type": "int16", "scale": 0.1}
FLOAT = {"probe": "core-1", "unit": 1, "address": 0, "type": "float32"}


@pytest.mark.parametrize(
    ("frame", "register", "told"),
    [
        ("01 03 02 02 C7 F8 B6", ONE, 71.1),
        ("01 03 02 FF D3 B8 29", ONE, -4.5),
        ("01 03 04 42 8E 33 33 DA 85", FLOAT, 71.1),
        ("01 03 04 33 33 42 8E B5 BC", {**FLOAT, "word_order": "low first"}, 71.1),
        ("01 03 02 03 C7 F8 B6", ONE, "no answer"),  # one bit flipped: the checksum is wrong, so it is no answer
        ("02 03 02 02 C7 BC B6", ONE, "no answer"),  # another device's answer
        ("01 83 02 C0 F1", ONE, "illegal address"),
        ("01 03 02 02", ONE, "no answer"),  # cut off
        ("", ONE, "no answer"),
    ],
)
def test_worked_frame(frame: str, register: dict[str, Any], told: float | str) -> None:
    """Frames constructed to the specification as quoted in instrument manuals, checksums checked with pymodbus 3.16.1."""
    wire = Wire([bytes.fromhex(frame) or None])
    try:
        found = _round(wire.path, register)
    finally:
        wire.close()
    assert wire.asked[0][:6] == bytes.fromhex("01 03 00 00 00") + bytes([2 if register["type"] == "float32" else 1])
    assert len(found) == 1
    if isinstance(told, str):
        assert isinstance(found[0], Fault)
        assert found[0].reason == told
    else:
        assert isinstance(found[0], Reading)
        assert found[0].celsius == pytest.approx(told, abs=1e-5)


def test_garbage_before_a_frame_invents_nothing() -> None:
    """Noise on the line costs the answer at most."""
    wire = Wire([b"\xff\x00\x13" + bytes.fromhex("01 03 02 02 C7 F8 B6"), bytes.fromhex("01 03 02 02 C7 F8 B6")])
    try:
        found = _round(wire.path, ONE)
    finally:
        wire.close()
    assert all(isinstance(item, Fault) or item.celsius == pytest.approx(71.1) for item in found)


def test_late_answer_is_not_taken_for_the_next_question() -> None:
    """A device that timed out is left alone in its round; what it says later is thrown away."""
    wire = Wire([None, bytes.fromhex("01 03 02 02 C7 F8 B6")])
    second = {"probe": "core-2", "unit": 1, "address": 10, "type": "int16", "scale": 0.1}
    try:
        found = _round(wire.path, ONE, second)
    finally:
        wire.close()
    assert len(wire.asked) == 1
    assert [(type(f), f.probe) for f in found] == [(Fault, "core-1"), (Fault, "core-2")]


# --- a real server -------------------------------------------------------------------------------------------------------


class Server:
    """pymodbus' own server in a thread: devices 1 and 3 are there, 2 is dead."""

    def __init__(self, make: Any) -> None:
        self._make, self._loop = make, asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._ready = threading.Event()
        self._thread.start()
        assert self._ready.wait(10)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._serve())
        self._ready.set()
        self._loop.run_forever()

    async def _serve(self) -> None:
        self.server = self._make()  # it wants a loop that runs
        await self.server.serve_forever(background=True)

    def close(self) -> None:
        asyncio.run_coroutine_threadsafe(self.server.shutdown(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()


def _devices() -> list[SimDevice]:
    def device(unit: int, value: int) -> SimDevice:
        return SimDevice(unit, simdata=[SimData(0, values=[value, 0x428E, 0x3333], datatype=DataType.REGISTERS)])

    return [device(1, 711), device(3, 40)]


REGISTERS = [
    ONE,
    {"probe": "core-2", "unit": 1, "address": 1, "type": "float32"},
    {"probe": "dead", "unit": 2, "address": 0, "type": "int16"},
    {"probe": "cooler-1-air", "unit": 3, "address": 0, "type": "int16", "scale": 0.1, "table": "input"},
]


def _mute(place: int) -> Any:
    """Device 2 says nothing: what the server would send in its name is dropped. `place`: where a frame names the device."""
    return lambda sending, data: b"" if sending and len(data) > place and data[place] == 2 else data


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _tcp(port: int) -> Server:
    return Server(lambda: ModbusTcpServer(_devices(), address=("127.0.0.1", port), trace_packet=_mute(6)))


def _check(sink: Any, until: Any, seconds: float) -> None:
    until(lambda: sum(isinstance(i, Reading) and i.probe == "cooler-1-air" for i in sink.items) >= 8, "eight rounds")
    values = {i.probe: i.celsius for i in sink.items if isinstance(i, Reading)}
    assert values == {"core-1": pytest.approx(71.1), "core-2": pytest.approx(71.1, abs=1e-5), "cooler-1-air": pytest.approx(4.0)}
    silent = [i for i in sink.items if isinstance(i, Fault)]
    assert {(f.probe, f.reason) for f in silent} == {("dead", "no answer")}
    assert len(silent) <= 2


def test_dead_device_does_not_stop_the_others_on_tcp(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """It is told once, and asked again later, while the others are read round after round."""
    port = _free_port()
    server = _tcp(port)
    try:
        runner.start(load({"host": "127.0.0.1", "port": port, "timeout_s": 0.3, "every_s": 0.05, "register": REGISTERS}), sink)
        _check(sink, until, 20)
        runner.end()
    finally:
        server.close()


def test_gateway_that_hangs_up_for_a_dead_device_costs_the_others_nothing(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """What answered before it hung up is kept, and the device behind the dead one is read in later rounds."""

    class Gateway(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            while len(asked := self.request.recv(12)) == 12 and asked[6] != 2:
                count = asked[11]
                answer = bytes((asked[6], asked[7], 2 * count)) + bytes.fromhex("02c7428e3333")[: 2 * count]
                self.request.sendall(asked[:4] + len(answer).to_bytes(2, "big") + answer)

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Gateway) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
        table = {"host": "127.0.0.1", "port": server.server_address[1], "timeout_s": 0.3, "every_s": 0.05, "register": REGISTERS}
        runner.start(load(table), sink)
        until(lambda: {i.probe for i in sink.items if isinstance(i, Reading)} == {"core-1", "core-2", "cooler-1-air"}, "all that live")
        runner.end()
        server.shutdown()
    assert {(i.probe, i.reason) for i in sink.items if isinstance(i, Fault)} == {("dead", "no answer")}


@pytest.fixture
def line() -> Iterator[tuple[str, str]]:
    """Two serial ports joined by a wire."""
    ends = [pty.openpty() for _ in range(2)]
    for master, slave in ends:
        tty.setraw(master)
        tty.setraw(slave)
        os.set_blocking(master, False)
    over = threading.Event()

    def carry() -> None:
        while not over.wait(0.001):
            for (a, _), (b, _) in (ends, list(reversed(ends))):
                try:
                    os.write(b, os.read(a, 256))
                except BlockingIOError:
                    continue

    thread = threading.Thread(target=carry, daemon=True)
    thread.start()
    yield os.ttyname(ends[0][1]), os.ttyname(ends[1][1])
    over.set()
    thread.join(5)
    for master, slave in ends:
        os.close(master)
        os.close(slave)


def test_dead_device_does_not_stop_the_others_on_a_serial_line(line, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """The same over RTU, where a time-out costs everybody on the line."""
    far, near = line
    server = Server(lambda: ModbusSerialServer(_devices(), port=far, baudrate=115200, trace_packet=_mute(0)))
    try:
        source = {"line": near, "baud": 115200, "parity": "N", "timeout_s": 0.3, "every_s": 0.05, "register": REGISTERS}
        runner.start(load(source), sink)
        _check(sink, until, 30)
        runner.end()
    finally:
        server.close()


def test_server_gone_and_back_twenty_times(soon, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Each outage is told; readings go on after each; no thread and no descriptor is left."""
    port = _free_port()
    warm = _tcp(port)
    warm.close()
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    server = _tcp(port)
    source: Modbus = load({"host": "127.0.0.1", "port": port, "timeout_s": 0.2, "every_s": 0.05, "register": [ONE]})
    runner.start(source, sink)
    for n in range(20):
        until(lambda: sink.connected, "the server")
        count = len(sink.values)
        until(lambda count=count: len(sink.values) > count, "a reading")
        server.close()
        until(lambda: not sink.connected, f"outage {n}")
        server = _tcp(port)
    until(lambda: sink.connected, "the server after all")
    runner.end()
    server.close()
    assert {round(value, 6) for value in sink.values} == {71.1}
    deadline = time.monotonic() + 10
    while (len(os.listdir("/proc/self/fd")), threading.active_count()) != before and time.monotonic() < deadline:
        time.sleep(0.05)
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == before


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ({}, "write either line"),
        ({"host": "a", "line": "b"}, "write either line"),
        ({"host": "a"}, "register is missing"),
        ({"host": "a", "register": [{**ONE, "type": "int8"}]}, "type is 'int8'"),
        ({"host": "a", "register": [{k: v for k, v in ONE.items() if k != "unit"}]}, "unit is missing; write unit = 1"),
        ({"host": "a", "register": [{**ONE, "scale": 0}]}, "scale is 0; write what one count is worth"),
        ({"host": "a", "register": [{**ONE, "address": 70000}]}, "address is 70000"),
        ({"host": "a", "register": [ONE, ONE]}, "is fed by two registers"),
        ({"host": "a", "register": [{**ONE, "faults": ["x"]}]}, "faults is"),
        ({"host": "a", "register": [{**ONE, "raw": {"sensor": "thermocouple K"}}]}, "write cold_junction_c"),
        ({"host": "a", "register": [ONE], "prot": 5}, "key 'prot' is not known"),
    ],
)
def test_mistake_in_the_configuration_gets_its_sentence(table: dict[str, object], sentence: str) -> None:
    """What, which value, where, what to write."""
    with pytest.raises(SettingError, match=sentence):
        load(table)
