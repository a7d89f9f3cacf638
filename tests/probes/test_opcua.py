"""OPC UA against asyncua's own server: good, uncertain and bad values, unchanging ones, a server that goes and comes back."""

import asyncio
import os
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from datetime import UTC, datetime
from typing import Any

import pytest
from asyncua import Server, ua
from hypothesis import given
from hypothesis import strategies as st

from probes.driver import backoff
from probes.errors import SettingError
from probes.opcua import Node, OpcUa, decode, load
from rules.reading import Fault, Reading

NOW = 1_772_456_400_000_000
CORE, AIR = Node("ns=2;s=core", "core-1"), Node("ns=2;s=air", "house-1-air", "F")


@pytest.mark.parametrize(
    ("value", "status", "told"),
    [
        (71.1, 0, Reading("core-1", NOW, 71.1)),
        (71, 0, Reading("core-1", NOW, 71.0)),
        (71.1, 0x40000000, Reading("core-1", NOW, 71.1, 0.0, "the server calls it uncertain (0x40000000)")),
        (71.1, 0x80000000, Fault("core-1", NOW, "status 0x80000000", "71.1, status 0x80000000")),
        (71.1, 0x808C0000, Fault("core-1", NOW, "status 0x808c0000", "71.1, status 0x808c0000")),
        (71.1, 0xC0000000, Fault("core-1", NOW, "status 0xc0000000", "71.1, status 0xc0000000")),
        (None, 0, Fault("core-1", NOW, "no number", "None, status 0x00000000")),
        (True, 0, Fault("core-1", NOW, "no number", "True, status 0x00000000")),
        ("71.1", 0, Fault("core-1", NOW, "no number", "'71.1', status 0x00000000")),
        (float("nan"), 0, Fault("core-1", NOW, "not a number", "nan, status 0x00000000")),
        (9999.0, 0, Fault("core-1", NOW, "out of the sensor's span", "9999.0, status 0x00000000")),
    ],
)
def test_status_decides_what_a_value_is(value: object, status: int, told: Reading | Fault) -> None:
    """Good is a reading, Uncertain suspect, everything else a fault (OPC UA Part 8, from memory)."""
    assert decode(CORE, value, status, NOW) == told


@given(
    st.one_of(st.none(), st.booleans(), st.floats(), st.integers(), st.text(), st.binary(), st.lists(st.floats())),
    st.integers(0, 2**32 - 1),
)
def test_no_value_crashes_or_invents_a_number(value: object, status: int) -> None:
    """A reading comes from a finite number within the span with a status that is not Bad."""
    found = decode(CORE, value, status, NOW)
    assert isinstance(found, Fault) or (-200.0 <= found.celsius <= 1400.0 and not status & 0x80000000)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Plant:
    """asyncua's own server in a thread, with two nodes."""

    def __init__(self, port: int) -> None:
        self.url = f"opc.tcp://127.0.0.1:{port}/larderer/"
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._do(self._start())

    def _do(self, coroutine: Any) -> Any:
        future: Future[Any] = asyncio.run_coroutine_threadsafe(coroutine, self._loop)
        return future.result(20)

    async def _start(self) -> None:
        self._server = Server()
        await self._server.init()
        self._server.set_endpoint(self.url)
        self._server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        index = await self._server.register_namespace("larderer.test")
        assert index == 2
        self._nodes = {}
        for name, value in (("core", 71.1), ("air", 160.0)):
            self._nodes[name] = await self._server.nodes.objects.add_variable(ua.NodeId(name, index), name, value)
        await self._server.start()

    def write(self, name: str, value: float, status: int = 0) -> None:
        at = datetime.now(UTC)
        variant = ua.Variant(value, ua.VariantType.Double)
        data = ua.DataValue(variant, StatusCode=ua.StatusCode(status), SourceTimestamp=at, ServerTimestamp=at)
        self._do(self._server.write_attribute_value(self._nodes[name].nodeid, data))

    def close(self) -> None:
        self._do(self._server.stop())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()


@pytest.fixture
def plant() -> Iterator[Plant]:
    found = Plant(_free_port())
    yield found
    found.close()


def _source(url: str, time: str = "arrival") -> OpcUa:
    return OpcUa("OPC UA", url, (CORE, AIR), time=time, every_s=0.2, waits=lambda: backoff(0.05, 0.2))


def test_values_are_heard_as_they_change_and_read_while_they_do_not(plant: Plant, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """No change is no silence: an unchanging node is read again and again."""
    runner.start(_source(plant.url), sink)
    until(lambda: sum(i.probe == "core-1" for i in sink.items) >= 4, "the unchanging value four times")
    plant.write("core", 72.5)
    until(lambda: 72.5 in sink.values, "the changed value")
    runner.end()
    assert {round(item.celsius, 3) for item in sink.items if item.probe == "house-1-air"} == {71.111}
    stamps = [item.at for item in sink.items if item.probe == "core-1"]
    assert stamps == sorted(set(stamps))


def test_value_whose_time_stands_still_is_not_taken_again(plant: Plant, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """This server keeps the time of the last write, so nobody can tell whether the value is still measured."""
    runner.start(_source(plant.url, "server"), sink)
    until(lambda: len(sink.values) == 2, "both values")
    plant.write("core", 71.1)
    until(lambda: len(sink.values) == 3, "the same value, written anew")
    plant.write("air", 161.0)
    until(lambda: len(sink.values) == 4, "another value")
    runner.end()
    assert [item.probe for item in sink.items].count("core-1") == 2


def test_status_of_the_server_comes_through(plant: Plant, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Uncertain is suspect, a failed sensor is a fault, and good again is a reading."""
    runner.start(_source(plant.url), sink)
    until(lambda: sink.values, "a value")
    plant.write("core", 70.0, 0x40000000)
    until(lambda: any(isinstance(i, Reading) and i.suspect for i in sink.items), "an uncertain value")
    plant.write("core", 0.0, 0x808C0000)
    until(lambda: any(isinstance(i, Fault) and "BadSensorFailure" in i.reason for i in sink.items), "a failed sensor")
    plant.write("core", 69.0)
    until(lambda: 69.0 in sink.values, "a good value")
    runner.end()
    assert 0.0 not in sink.values


def test_node_that_is_not_there_is_a_fault_beside_the_others(plant: Plant, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """One wrong node must not silence the rest."""
    source = OpcUa("OPC UA", plant.url, (CORE, Node("ns=2;s=none", "core-9")), every_s=0.2)
    runner.start(source, sink)
    until(lambda: sink.values and any(isinstance(i, Fault) for i in sink.items), "a reading and a fault")
    runner.end()
    assert {i.probe for i in sink.items if isinstance(i, Fault)} == {"core-9"}


@pytest.mark.parametrize("times", [1, pytest.param(20, marks=pytest.mark.full)])
def test_server_gone_and_back(times: int, sink, runner, until) -> None:  # type: ignore[no-untyped-def]
    """Each outage is told; readings go on after each; no thread and no descriptor is left."""
    port = _free_port()
    Plant(port).close()
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    plant = Plant(port)
    runner.start(_source(plant.url), sink)
    for n in range(times):
        until(lambda: sink.connected, "the server")
        count = len(sink.values)
        until(lambda count=count: len(sink.values) > count, "a reading")
        plant.close()
        until(lambda: not sink.connected, f"outage {n}")
        plant = Plant(port)
    until(lambda: sink.connected, "the server after all")
    runner.end()
    plant.close()

    def left_behind() -> bool:
        # "Before" may still have had a thread of the first server's pool.
        return len(os.listdir("/proc/self/fd")) > before[0] or threading.active_count() > before[1]

    until(lambda: not left_behind(), "nothing left behind", 10)


NODE = {"node": "ns=2;s=core", "probe": "core-1", "unit": "C"}


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ({}, "url is missing"),
        ({"url": "http://a"}, "write an address that begins with opc.tcp"),
        ({"url": "opc.tcp://a"}, "node is missing"),
        ({"url": "opc.tcp://a", "node": [{**NODE, "unit": "X"}]}, "unit is 'X'"),
        ({"url": "opc.tcp://a", "node": [NODE, NODE]}, "is fed twice"),
    ],
)
def test_mistake_in_the_configuration_gets_its_sentence(table: dict[str, object], sentence: str) -> None:
    """What, which value, where, what to write."""
    with pytest.raises(SettingError, match=sentence):
        load(table)
