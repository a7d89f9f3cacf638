"""SCPI replies whole, cut, late and doubled; an instrument on a socket and on a pty that goes and comes back."""

import os
import pty
import socket
import socketserver
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probes.convert import platinum_ohm
from probes.errors import SettingError
from probes.scpi import Query, load
from rules.reading import Fault, Reading

NOW = 1_772_456_400_000_000
ONE, TWO = Query("MEAS:TEMP?", ("core-1",)), Query("READ?", ("core-1", "core-2"))

#: Forms of two bench-meter manuals (secondary copies); numbers constructed. Overload and its value are from memory.
REPLIES: list[tuple[Query, bytes, list[float | str]]] = [
    (ONE, b"+7.11000000E+01\n", [71.1]),
    (ONE, b"71.1\r\n", [71.1]),
    (ONE, b"71\n", [71.0]),
    (ONE, b"7.11E+1\n", [71.1]),
    (ONE, b"-4.50000000E+00\n", [-4.5]),
    (TWO, b"+7.11000000E+01,+2.05000000E+01\r\n", [71.1, 20.5]),
    (Query("READ?", ("-", "core-2")), b"+7.11000000E+01,+2.05000000E+01\r\n", [20.5]),
    (Query("MEAS:TEMP?", ("core-1",), "F"), b"+1.60000000E+02\n", [pytest.approx(71.1111, abs=1e-4)]),
    (Query("MEAS:TEMP?", ("core-1",), "K"), b"+3.44250000E+02\n", [pytest.approx(71.1)]),
    (ONE, b"+9.91000000E+37\n", ["not a number"]),
    (ONE, b"+9.90000000E+37\n", ["overload"]),
    (ONE, b"-9.90000000E+37\n", ["overload"]),
    (ONE, b"+7.11000000E+01", ["cut off"]),
    (ONE, b"", ["no answer"]),
    (ONE, b"ERR\n", ["not a number"]),
    (ONE, b"\n", ["not a number"]),
    (ONE, b"+7.11000000E+01,+2.05000000E+01\n", ["2 numbers where 1 are expected"]),
    (TWO, b"+7.11000000E+01\n", ["1 numbers where 2 are expected"] * 2),
    (TWO, b"+7.11000000E+01,\n", [71.1, "not a number"]),
    (ONE, b"+7.11000000E+03\n", ["out of the sensor's span"]),
]


def _told(items: list[Reading | Fault]) -> list[float | str]:
    return [item.celsius if isinstance(item, Reading) else item.reason for item in items]


@pytest.mark.parametrize(("query", "reply", "told"), REPLIES)
def test_reply_gives_numbers_or_reasons(query: Query, reply: bytes, told: list[float | str]) -> None:
    """A fault is never turned into a number."""
    assert _told(query.decode(reply, NOW)) == told


@pytest.mark.parametrize(("query", "reply"), [(q, r) for q, r, told in REPLIES if isinstance(told[0], float)])
def test_no_beginning_of_a_reply_is_a_reading(query: Query, reply: bytes) -> None:
    """A reply cut off anywhere before its end of line gives faults."""
    for end in range(len(reply)):
        if not reply[:end].endswith(b"\n"):
            assert all(isinstance(item, Fault) for item in query.decode(reply[:end], NOW))


@given(st.binary(max_size=100))
def test_no_bytes_crash_or_invent_a_number(reply: bytes) -> None:
    """Readings are within the span, and come only from a whole line."""
    for item in ONE.decode(reply, NOW):
        assert isinstance(item, Fault) or (reply.endswith(b"\n") and -200.0 <= item.celsius <= 1400.0)


class Instrument:
    """An instrument on a TCP socket; `answer(query)` gives what it says, None for nothing."""

    def __init__(self, answer: Callable[[str], bytes | None], port: int = 0) -> None:
        self.asked: list[str] = []
        self._open: list[socket.socket] = []
        outer = self

        class Handler(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                outer._open.append(self.request)
                for line in self.rfile:
                    outer.asked.append(line.decode().strip())
                    said = answer(outer.asked[-1])
                    if said is not None:
                        self.wfile.write(said)

        class Server(socketserver.ThreadingTCPServer):
            allow_reuse_address = True
            daemon_threads = True

            def handle_error(self, *_: Any) -> None:
                """A client that goes is no error here."""

        self._server = Server(("127.0.0.1", port), Handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        for one in self._open:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        self._server.server_close()
        self._thread.join(5)


@pytest.fixture
def instruments() -> Iterator[list[Instrument]]:
    made: list[Instrument] = []
    yield made
    for one in made:
        one.close()


QUERY = {"text": "MEAS:TEMP?", "probes": ["core-1"], "unit": "C"}


def test_instrument_is_set_up_and_asked_over_a_socket(instruments: list[Instrument], sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Commands first, then query after query, each reply read before the next."""
    one = Instrument(
        lambda query: b"+7.11000000E+01\n" if query == "MEAS:TEMP?" else f"{platinum_ohm(4.0):.6E}\n".encode() if "?" in query else None
    )
    instruments.append(one)
    ohm = {"text": "MEAS:RES?", "probes": ["cooler-1-air"], "raw": {"sensor": "Pt100"}}
    source = load({"host": "127.0.0.1", "port": one.port, "setup": ["*RST"], "every_s": 0.05, "query": [QUERY, ohm]})
    runner.start(source, sink)
    until(lambda: len(sink.values) >= 6, "three rounds")
    runner.end()
    assert one.asked[:3] == ["*RST", "MEAS:TEMP?", "MEAS:RES?"]
    assert {item.probe: round(item.celsius, 4) for item in sink.items} == {"core-1": 71.1, "cooler-1-air": 4.0}


def test_late_reply_is_not_taken_for_the_next_query(instruments: list[Instrument], sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """The first query's reply comes after its time: it is a fault, and thrown away before the second."""
    late = threading.Event()

    def answer(query: str) -> bytes | None:
        if not late.is_set():
            late.set()
            time.sleep(0.4)
            return b"+9.90000000E+01\n"
        return b"+7.11000000E+01\n"

    one = Instrument(answer)
    instruments.append(one)
    runner.start(load({"host": "127.0.0.1", "port": one.port, "timeout_s": 0.1, "every_s": 0.6, "query": [QUERY]}), sink)
    until(lambda: len(sink.items) >= 3, "three rounds")
    runner.end()
    assert _told(sink.items)[:2] == ["no answer", 71.1]


def test_instrument_on_a_serial_line(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """The same over a pty."""
    master, slave = pty.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    over = threading.Event()

    def serve() -> None:
        os.set_blocking(master, False)
        while not over.wait(0.002):
            try:
                if b"?" in os.read(master, 256):
                    os.write(master, b"+7.11000000E+01\r\n")
            except BlockingIOError:
                continue

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        runner.start(load({"line": os.ttyname(slave), "every_s": 0.05, "query": [QUERY]}), sink)
        until(lambda: len(sink.values) >= 3, "three rounds")
        runner.end()
    finally:
        over.set()
        thread.join(5)
        os.close(master)
        os.close(slave)
    assert set(sink.values) == {71.1}


def test_instrument_gone_and_back_twenty_times(soon, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Each outage is told; readings go on after each; no thread and no descriptor is left."""
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    one = Instrument(lambda query: b"+7.11000000E+01\n")
    port = one.port
    runner.start(load({"host": "127.0.0.1", "port": port, "every_s": 0.05, "query": [QUERY]}), sink)
    for n in range(20):
        until(lambda: sink.connected, "the instrument")
        count = len(sink.values)
        until(lambda count=count: len(sink.values) > count, "a reading")
        one.close()
        until(lambda: not sink.connected, f"outage {n}")
        one = Instrument(lambda query: b"+7.11000000E+01\n", port)
    until(lambda: sink.connected, "the instrument after all")
    runner.end()
    one.close()
    until(lambda: (len(os.listdir("/proc/self/fd")), threading.active_count()) == before, "nothing left behind", 10)
    assert set(sink.values) == {71.1}


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ({}, "write either line"),
        ({"host": "a"}, "query is missing"),
        ({"host": "a", "query": [{**QUERY, "text": "*RST"}]}, "text is '.RST'; write a query"),
        ({"host": "a", "query": [{**QUERY, "probes": ["-"]}]}, "probes names none"),
        ({"host": "a", "query": [{"text": "READ?", "probes": ["core-1"]}]}, "unit is missing"),
        ({"host": "a", "query": [QUERY, QUERY]}, "is fed twice"),
    ],
)
def test_mistake_in_the_configuration_gets_its_sentence(table: dict[str, object], sentence: str) -> None:
    """What, which value, where, what to write."""
    with pytest.raises(SettingError, match=sentence):
        load(table)


def test_long_reply_is_decoded_whole() -> None:
    """Cut to what a fault keeps of it, its last number would be another."""
    probes = tuple(f"p{n}" for n in range(14))
    line = b",".join([b"+7.11000000E+01"] * 13 + [b"+7.210000000000000000E+01"][:1]) + b"\n"
    assert len(line) > 200
    items = Query("READ?", probes).decode(line, 0)
    assert [item.celsius if isinstance(item, Reading) else item.reason for item in items] == [71.1] * 13 + ["not a number"]
    items = Query("READ?", probes).decode(b",".join([b"+7.11000000E+01"] * 14) + b"\n", 0)
    assert {item.celsius for item in items if isinstance(item, Reading)} == {71.1}


def test_reply_that_is_late_goes_to_no_other_query(instruments: list[Instrument], sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """With two queries, the first's late reply must not become the second's value."""

    def answer(query: str) -> bytes | None:
        if query == "MEAS:TEMP? (@1)":
            time.sleep(0.15)
            return b"+9.90000000E+01\n"
        return b"+4.00000000E+00\n"

    one = Instrument(answer)
    instruments.append(one)
    queries = [{"text": f"MEAS:TEMP? (@{n})", "probes": [f"core-{n}"], "unit": "C"} for n in (1, 2)]
    runner.start(load({"host": "127.0.0.1", "port": one.port, "timeout_s": 0.1, "every_s": 0.05, "query": queries}), sink)
    until(lambda: len(sink.items) >= 8, "four rounds")
    runner.end()
    assert not [item for item in sink.items if isinstance(item, Reading) and (item.probe, item.celsius) == ("core-2", 99.0)]
    assert "not asked, the query before it failed" in _told(sink.items)


def test_instrument_that_never_pauses_is_told_and_can_be_left(sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """One that sends without being asked must not keep its thread for ever."""

    class Chatter(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            with suppress(OSError):
                while True:
                    self.request.sendall(b"+7.11000000E+01\n" * 20_000)

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Chatter) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        runner.start(load({"host": "127.0.0.1", "port": server.server_address[1], "every_s": 0.05, "query": [QUERY]}), sink)
        until(lambda: bool(sink.states), "something told")
        until(lambda: any("does not pause" in text for _, text in sink.states) or len(sink.items) > 5, "its sentence, or faults")
        runner.end()
        server.shutdown()
        thread.join(5)
    assert not sink.values


def test_reply_before_the_line_was_lost_is_kept(instruments: list[Instrument], sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """An instrument that hangs up at the second query has answered the first; the second is a fault."""

    def answer(query: str) -> bytes | None:
        if query == "READ2?":
            raise ConnectionAbortedError
        return b"+7.11000000E+01\n"

    one = Instrument(answer)
    instruments.append(one)
    two = {"text": "READ2?", "probes": ["core-2"], "unit": "C"}
    runner.start(load({"host": "127.0.0.1", "port": one.port, "timeout_s": 2.0, "every_s": 0.05, "query": [QUERY, two]}), sink)
    until(lambda: len(sink.items) >= 4, "two rounds")
    runner.end()
    assert set(sink.values) == {71.1}
    assert {(i.probe, i.reason) for i in sink.items if isinstance(i, Fault)} == {("core-2", "the line was lost")}
