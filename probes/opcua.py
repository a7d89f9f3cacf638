"""Values of an OPC UA server, subscribed to, and read where a subscription stays silent because nothing changed.

A value comes with a status: Good is a reading, Uncertain is marked suspect, Bad is a fault. A subscription sends changes only, and no
change is not no reading: a node that has sent nothing for `every_s` is read. A value is dated as the server dates it; one whose time stands
still is not taken again, since nobody knows whether it is still measured. Some servers leave the time of a value that does not change
as it was: `time = "arrival"` then takes the time at which it was read, on the server's word that it is Good.
The client is `asyncua` (the extra `opcua`). Source of the status rule: OPC UA Part 8, from memory.
"""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from probes.clock import Clock, now
from probes.driver import Sink, backoff, tell_if_lost
from probes.errors import SettingError
from probes.settings import Settings, read_secret
from probes.value import check_celsius, to_celsius
from rules.quantity import from_datetime
from rules.reading import Fault, Instant, Reading

_STOP_S = 0.2
_CALL_S = 10.0
_SEVERITY, _UNCERTAIN = 0xC0000000, 0x40000000


@dataclass(frozen=True)
class Node:
    """One node of the server ("ns=2;s=house-1.core") and the probe that it feeds."""

    node: str
    probe: str
    unit: str = "C"
    span_c: tuple[float, float] = (-200.0, 1400.0)


def decode(node: Node, value: object, status: int, at: Instant, status_name: str = "") -> Reading | Fault:
    """What a data value says: its value, and the status code whose top two bits are 00 Good, 01 Uncertain, 10 Bad."""
    said = status_name or f"{status:#010x}"
    raw = f"{value!r}, status {said}"[:200]
    if status & _SEVERITY not in (0, _UNCERTAIN):
        return Fault(node.probe, at, f"status {said}", raw)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return Fault(node.probe, at, "no number", raw)
    celsius = check_celsius(to_celsius(float(value), node.unit), node.span_c)
    if isinstance(celsius, str):
        return Fault(node.probe, at, celsius, raw)
    return Reading(node.probe, at, celsius, 0.0, f"the server calls it uncertain ({said})" if status & _SEVERITY else "")


@dataclass(frozen=True)
class OpcUa:
    """One server. `security` is asyncua's policy text; `time` "server", "source" or "arrival"."""

    name: str
    url: str
    nodes: tuple[Node, ...]
    username: str = ""
    password: str = field(default="", repr=False)
    security: str = ""
    time: str = "server"
    every_s: float = 2.0
    clock: Clock = now
    waits: Callable[[], Iterator[float]] = field(default=backoff, repr=False)

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Stay connected until `stop`; an outage is told once, when it begins, and once when it ends."""
        asyncio.run(self._run(sink, stop))

    async def _run(self, sink: Sink, stop: threading.Event) -> None:
        waits, told, up = self.waits(), "", False
        while not stop.is_set():
            session = _Session(self, sink)
            try:
                await session.open()
                sink.state(self.name, True, f"{self.name}: connected to {self.url}.")
                waits, told, up = self.waits(), "", True
                await session.stay(stop)
            except Exception as error:  # noqa: BLE001 — whatever a server's bytes do to the library, it is told and tried again
                text = f"{self.name}: no connection to {self.url} ({_reason(error)}); check the server and its address."
                up = False
                if text != told:
                    sink.state(self.name, False, text)
                    told = text
            finally:
                await session.close()
            if not stop.is_set():
                await _nap(next(waits), stop)
        if up:
            sink.state(self.name, False, f"{self.name}: signed off from {self.url}.")


class _Session:
    """One connection, its subscription, and what each node last said."""

    def __init__(self, source: OpcUa, sink: Sink) -> None:
        from asyncua.client.client import Client

        logging.getLogger("asyncua").setLevel(logging.CRITICAL)  # what it would say is said by us, once
        self.source, self.sink = source, sink
        self._client = Client(source.url, timeout=_CALL_S)
        if source.username:
            self._client.set_user(source.username)
            self._client.set_password(source.password)
        self._by_id: dict[str, Node] = {}
        self._nodes: dict[str, Any] = {}
        self._heard_s: dict[str, float] = {}
        self._newest: dict[str, Instant] = {}

    async def open(self) -> None:
        """Connect and subscribe. Raises OSError or UaError."""
        if self.source.security:
            await self._client.set_security_string(self.source.security)
        await asyncio.wait_for(self._client.connect(), _CALL_S)
        for wanted in self.source.nodes:
            node = self._client.get_node(wanted.node)
            key = node.nodeid.to_string()
            self._by_id[key], self._nodes[key] = wanted, node
        subscription = await self._client.create_subscription(min(self.source.every_s, 1.0) * 500.0, self)
        await subscription.subscribe_data_change(list(self._nodes.values()))

    def datachange_notification(self, node: Any, _value: object, data: Any) -> None:
        """Take what the subscription sends (asyncua calls it by this name)."""
        self._take(node.nodeid.to_string(), data.monitored_item.Value)

    async def stay(self, stop: threading.Event) -> None:
        """Read what has been silent, until `stop`. Raises OSError or UaError where the server is gone."""
        while not stop.is_set():
            await _nap(min(self.source.every_s, 1.0), stop)
            silent = [k for k in self._nodes if time.monotonic() - self._heard_s.get(k, 0.0) >= self.source.every_s]
            if silent:
                values = await asyncio.wait_for(self._client.read_attributes([self._nodes[k] for k in silent]), _CALL_S)
                for key, value in zip(silent, values, strict=True):
                    self._take(key, value)
            else:
                await asyncio.wait_for(self._client.check_connection(), _CALL_S)

    def _take(self, key: str, value: Any) -> None:
        node = self._by_id.get(key)
        if node is None:
            return
        self._heard_s[key] = time.monotonic()
        at = self._at(value)
        if at == self._newest.get(key):
            return  # the same sample once more: a read that came on the heels of the subscription
        self._newest[key] = at
        status = value.StatusCode
        code = int(status.value) if status is not None else 0
        inner = value.Value.Value if value.Value is not None else None
        item = decode(node, inner, code, at, getattr(status, "name", "") if code else "")
        tell_if_lost(self.sink.readings([item]), self.sink, self.source.name)

    def _at(self, value: Any) -> Instant:
        wanted = {"server": value.ServerTimestamp, "source": value.SourceTimestamp}.get(self.source.time)
        if not isinstance(wanted, datetime):
            return self.source.clock()
        return from_datetime(wanted if wanted.tzinfo is not None else wanted.replace(tzinfo=UTC))

    async def close(self) -> None:
        """Sign off, whatever state the connection is in."""
        with suppress(Exception):
            await asyncio.wait_for(self._client.disconnect(), 2.0)


async def _nap(seconds: float, stop: threading.Event) -> None:
    end = time.monotonic() + seconds
    while not stop.is_set() and (left := end - time.monotonic()) > 0:
        await asyncio.sleep(min(left, _STOP_S))


def _reason(error: BaseException) -> str:
    text = str(error).strip().splitlines()
    return (error.strerror if isinstance(error, OSError) and error.strerror else text[0] if text else "") or "no answer"


def load(config: Mapping[str, object]) -> OpcUa:
    """A server from its `[[source]]` table.

    `url` ("opc.tcp://192.168.1.40:4840"); `username`, `password_file`; `security`, such as
    "Basic256Sha256,SignAndEncrypt,cert.pem,key.pem"; `time` "server", "source" or "arrival"; `every_s` 2; `node`: a list of tables, each
    with `node` ("ns=2;s=house-1.core"), `probe`, `unit` "C", "F" or "K".
    """
    s = Settings(config, "source opcua")
    url = s.text("url", want='the server\'s address, such as "opc.tcp://192.168.1.40:4840"')
    if not url.startswith("opc.tcp://"):
        raise s.wrong("url", 'an address that begins with opc.tcp://, such as "opc.tcp://192.168.1.40:4840"')
    s.where = f"source opcua {url}"
    nodes = tuple(_node(table) for table in s.tables("node"))
    if not nodes:
        raise SettingError(
            f'{s.where}: node is missing; write [[source.node]] with node = "ns=2;s=house-1.core", probe = "core-1", unit = "C"'
        )
    probes = [node.probe for node in nodes]
    if len(set(probes)) < len(probes):
        raise SettingError(f"{s.where}: probe {max(probes, key=probes.count)!r} is fed twice; give each node its own")
    driver = OpcUa(
        name=s.text("name", f"OPC UA {url}"),
        url=url,
        nodes=nodes,
        username=s.text("username", ""),
        password=read_secret(s, "password"),
        security=s.text("security", ""),
        time=s.choice("time", ("server", "source", "arrival"), "server"),
        every_s=s.number("every_s", 2.0, 0.1, 3600.0),
    )
    s.done()
    try:
        import asyncua  # noqa: F401
    except ImportError:
        raise SettingError('source opcua: the package asyncua is missing; install "larderer[opcua]"') from None
    return driver


def _node(s: Settings) -> Node:
    node = Node(
        s.text("node", want='the node\'s id, such as "ns=2;s=house-1.core"'),
        s.text("probe", want="the probe's id"),
        s.choice("unit", ("C", "F", "K")),
        (s.number("lowest_c", -200.0, -273.15, 1400.0), s.number("highest_c", 1400.0, -273.15, 1400.0)),
    )
    s.done()
    return node
