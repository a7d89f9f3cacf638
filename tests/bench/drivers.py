"""What each driver costs against a bare loop of its own library that only turns the same bytes into the same numbers.

Wires: a pty, a real Mosquitto and a pymodbus server on loopback, both sides in turn, the best of several rounds each. Formats: the decoder
against json or csv with one float() a value. The Sink only counts, so that what is measured is the driver and not the store.
"""

from __future__ import annotations

import asyncio
import csv
import gc
import io
import json
import os
import pty
import socket
import struct
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import paho.mqtt.client as paho
import serial
from paho.mqtt.enums import CallbackAPIVersion
from pymodbus.client import ModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from probes.csv_replay import read_csv
from probes.driver import Driver, load
from probes.logger_rows import RowForm, Rows
from probes.modbus import Modbus, blocks
from probes.push import decode_push
from rules.reading import Fault, Reading
from tests.bench.broker import mosquitto
from tests.bench.figures import Figure

ROUNDS = 5
#: At most so many times what the library alone takes: on a wire, where the system's calls are most of it, and for a decoder against C code.
AIM_WIRE, AIM_DECODER = 4.0, 15.0
LINES, MESSAGES, REQUESTS, ROWS = 20_000, 4_000, 300, 20_000


class Counting:
    """A Sink for which everything is durable at once."""

    def __init__(self, until: int) -> None:
        self.count, self.until, self.reached, self.up = 0, until, threading.Event(), threading.Event()

    def readings(self, items: Sequence[Reading | Fault]) -> Future[Any]:
        """Count readings."""
        self.count += sum(isinstance(item, Reading) for item in items)
        if self.count >= self.until:
            self.reached.set()
        done: Future[Any] = Future()
        done.set_result(None)
        return done

    def state(self, source: str, connected: bool, text: str) -> None:
        """Hear that it is up."""
        if connected:
            self.up.set()


def through(driver: Driver, count: int, send: Callable[[], None]) -> float:
    """Seconds from the first byte sent to the last reading handed over."""
    sink, stop = Counting(count), threading.Event()
    thread = threading.Thread(target=driver.run, args=(sink, stop), daemon=True)
    thread.start()
    if not sink.up.wait(20):
        raise TimeoutError(f"{driver.name} did not come up")
    begun = time.perf_counter()
    send()
    if not sink.reached.wait(120):
        raise TimeoutError(f"{driver.name}: {sink.count} of {count} readings came")
    taken = time.perf_counter() - begun
    stop.set()
    thread.join(10)
    return taken


def best(*loops: Callable[[], float]) -> list[float]:
    """The shortest of several rounds of each loop, taken in turn."""
    found: list[list[float]] = [[] for _ in loops]
    for _ in range(ROUNDS):
        for loop, times in zip(loops, found, strict=True):
            gc.collect()
            times.append(loop())
    return [min(times) for times in found]


def figure(what: str, count: int, ours: float, bare: float, library: str, aim: float) -> Figure:
    """A row: readings a second of both, and how many times the bare loop's time ours takes."""
    return Figure(f"driver: {what}", f"{count / ours:,.0f} readings/s; {library} alone {count / bare:,.0f}", ours / bare, aim)


def timed(work: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> Callable[[], float]:
    """A loop that says how long it took by a clock."""

    def run() -> float:
        begun = clock()
        work()
        return clock() - begun

    return run


@contextmanager
def line() -> Iterator[tuple[int, str]]:
    """A pty: the descriptor of its far end, and its path."""
    master, slave = pty.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def serial_lines() -> Figure:
    """Lines with a label and a unit over a pty, against pyserial's readline and float()."""
    data = b"".join(f"CH1:+{20 + n % 500 / 10:05.1f}C\r\n".encode() for n in range(LINES))

    def write(master: int) -> None:
        left = memoryview(data)
        while left:
            left = left[os.write(master, left[:4096]) :]

    def ours() -> float:
        with line() as (master, path):
            source = load("serial", {"port": path, "labels": {"CH1": "core-1"}, "unit": "C"})
            return through(source, LINES - 1, lambda: write(master))  # the first stretch may be the rest of a line

    def bare() -> float:
        with line() as (master, path), serial.Serial(path, timeout=5) as port:
            writer = threading.Thread(target=write, args=(master,))
            begun = time.perf_counter()
            writer.start()
            held, count = b"", 0
            while count < LINES:
                *lines, held = (held + port.read(max(1, port.in_waiting))).split(b"\r\n")
                for text in lines:
                    float(text[4:-1])
                count += len(lines)
            writer.join()
            return time.perf_counter() - begun

    one, other = best(ours, bare)
    return figure("serial lines", LINES, one, other, "pyserial", AIM_WIRE)


def mqtt() -> Figure:
    """JSON at QoS 1 over Mosquitto, acknowledged one by one, against a paho subscriber that parses and acknowledges by itself."""
    topic = "larderer/bench/probe/core-1/reading"
    payloads = [json.dumps({"value": 20 + n % 500 / 10, "time": 1_772_456_400 + n}) for n in range(MESSAGES)]
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name)) as port:
        sender = paho.Client(CallbackAPIVersion.VERSION2, "bench-sender")
        sender.max_inflight_messages_set(1000)
        sender.connect("127.0.0.1", port)
        sender.loop_start()

        def send() -> None:
            for payload in payloads:
                sender.publish(topic, payload, qos=1)

        def ours() -> float:
            return through(load("mqtt", {"site": "bench", "port": port, "observe": True, "client_id": "bench-ours"}), MESSAGES, send)

        def bare() -> float:
            up, done, count = threading.Event(), threading.Event(), 0

            def message(_client: paho.Client, _data: Any, got: paho.MQTTMessage) -> None:
                nonlocal count
                float(json.loads(got.payload)["value"])
                count += 1
                if count == MESSAGES:
                    done.set()

            client = paho.Client(CallbackAPIVersion.VERSION2, "bench-bare")
            client.on_message = message
            client.on_connect = lambda *_: client.subscribe(topic, 1)
            client.on_subscribe = lambda *_: up.set()
            client.connect("127.0.0.1", port)
            client.loop_start()
            up.wait(20)
            begun = time.perf_counter()
            send()
            done.wait(120)
            taken = time.perf_counter() - begun
            client.disconnect()
            client.loop_stop()
            return taken

        one, other = best(ours, bare)
        sender.disconnect()
        sender.loop_stop()
    return figure("MQTT, one JSON reading a message", MESSAGES, one, other, "paho", AIM_WIRE)


def free_port() -> int:
    """A port of loopback that nobody has."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@contextmanager
def modbus_server() -> Iterator[int]:
    """pymodbus' own server on loopback, one device with 20 registers; its port."""
    port, loop, up = free_port(), asyncio.new_event_loop(), threading.Event()
    made: list[ModbusTcpServer] = []

    async def serve() -> None:
        device = SimDevice(1, [SimData(0, count=20, values=711, datatype=DataType.INT16)])
        made.append(ModbusTcpServer([device], address=("127.0.0.1", port)))
        await made[0].serve_forever(background=True)
        up.set()

    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    asyncio.run_coroutine_threadsafe(serve(), loop).result(20)
    try:
        yield port
    finally:
        asyncio.run_coroutine_threadsafe(made[0].shutdown(), loop).result(20)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()


def modbus() -> Figure:
    """Sixteen registers a request over TCP, against the bare client and struct."""
    with modbus_server() as port:
        registers = [{"probe": f"core-{n}", "unit": 1, "address": n, "type": "int16", "scale": 0.1} for n in range(16)]
        source = load("modbus", {"host": "127.0.0.1", "port": port, "register": registers})
        if not isinstance(source, Modbus):
            raise TypeError("the registry gave another driver")
        asked = blocks(source.registers)
        client, alone = ModbusTcpClient("127.0.0.1", port=port), ModbusTcpClient("127.0.0.1", port=port)
        client.connect()
        alone.connect()

        def ours() -> None:
            for _ in range(REQUESTS):
                source._round(client, asked, threading.Event())

        def bare() -> None:
            for _ in range(REQUESTS):
                words = alone.read_holding_registers(0, count=16, device_id=1).registers
                [value * 0.1 for value in struct.unpack(">16h", struct.pack(">16H", *words))]

        one, other = best(timed(ours), timed(bare))
        client.close()
        alone.close()
    return figure("Modbus TCP, 16 registers a request", REQUESTS * 16, one, other, "pymodbus", AIM_WIRE)


def formats() -> list[Figure]:
    """Pushed JSON and SenML, a readings CSV, a logger's rows: decoders against json or csv and one conversion a value."""
    items = [{"probe": f"core-{n % 16}", "value": 20 + n % 500 / 10, "time": 1_772_456_400 + n} for n in range(ROWS // 10)]
    pushed, at = json.dumps(items).encode(), 1_772_456_400_000_000
    pack = json.dumps([{"n": i["probe"], "u": "Cel", "v": i["value"], "t": i["time"]} for i in items]).encode()
    stamps = [f"2026-03-02T{n // 3600 % 24:02}:{n // 60 % 60:02}:{n % 60:02}" for n in range(ROWS)]
    table = "time,probe,value\n" + "".join(f"{stamp}Z,core-{n % 16},{20 + n % 500 / 10}\n" for n, stamp in enumerate(stamps))
    logged = [f"{stamp},{20 + n % 500 / 10}\n" for n, stamp in enumerate(stamps)]
    form = RowForm("Time", ZoneInfo("UTC"), (("Probe 1", "core-1"),))

    def bare_json(body: bytes, key: str) -> Callable[[], object]:
        return lambda: [float(item[key]) for item in json.loads(body)]

    def bare_csv(text: str) -> Callable[[], object]:
        return lambda: [(datetime.fromisoformat(row[0]), float(row[-1])) for row in csv.reader(io.StringIO(text))]

    def rows() -> None:
        reader = Rows(form, "Time,Probe 1")
        for text in logged:
            reader.feed(text, at)

    cases: list[tuple[str, int, Callable[[], object], Callable[[], object], str]] = [
        ("pushed JSON", len(items), lambda: decode_push(pushed, "application/json", at), bare_json(pushed, "value"), "json"),
        ("pushed SenML", len(items), lambda: decode_push(pack, "application/senml+json", at), bare_json(pack, "v"), "json"),
        ("readings CSV", ROWS, lambda: read_csv(table, "bench"), bare_csv(table.partition("\n")[2]), "csv"),
        ("rows of a logger's file", ROWS, rows, bare_csv("".join(logged)), "csv"),
    ]
    found = []
    for what, count, ours, bare, library in cases:
        # Nothing is waited for here, so that the processor's time is the whole, whoever else uses the machine.
        one, other = best(timed(ours, time.process_time), timed(bare, time.process_time))
        found.append(figure(what, count, one, other, library, AIM_DECODER))
    return found


def run(say: Callable[[str], None]) -> list[Figure]:
    """The figures of every driver that has a wire here, and of every format."""
    figures = []
    for bench in (serial_lines, mqtt, modbus):
        figures.append(bench())
        say(figures[-1].row())
    return figures + formats()
