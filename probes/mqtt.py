"""Readings from an MQTT 3.1.1 broker, QoS 1, acknowledged only once they are durable.

The session is persistent (fixed client id, no clean session), so that the broker keeps what it could not deliver, and delivers
again what was not acknowledged. Every connection has its own client object: an acknowledgement that becomes due after its
connection was lost is dropped, since the same message number may by then mean another message.
"""

from __future__ import annotations

import secrets
import ssl
import threading
import time
from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from probes.clock import Clock, now
from probes.driver import Sink, backoff
from probes.errors import SettingError
from probes.mqtt_payload import Payloads, TopicMap, read_map
from probes.settings import Settings, read_secret

#: While messages of unknown age may still come, the marker is sent again this often, since a full broker may have dropped it.
_MARKER_S = 10.0
_CONNECT_S = 10.0
#: Reason codes for a name or password that is wrong: 4 and 5 of MQTT 3.1.1, section 3.2.2.3, as paho shows them.
_PASSWORD = (134, 135)


@dataclass(frozen=True)
class Mqtt:
    """One broker. `site` names our topics; `maps` adds others. `password` stays out of every message.

    `observe`: somebody only looks on beside the service. The broker keeps nothing for such a client, and it says nothing about the service.
    """

    SENDS_AGAIN: ClassVar[bool] = True
    name: str
    site: str
    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = ""
    username: str = ""
    password: str = field(default="", repr=False)
    tls: bool = False
    tls_ca: str = ""
    tls_cert: str = ""
    tls_key: str = ""
    keepalive_s: int = 30
    observe: bool = False
    maps: tuple[TopicMap, ...] = ()
    clock: Clock = now

    @property
    def status_topic(self) -> str:
        """Where the service says, retained, that it is `online` or `offline`."""
        return f"larderer/{self.site}/status"

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Take messages until `stop`; an outage is told once, when it begins, and once when it ends."""
        waits, told = backoff(), ""
        while not stop.is_set():
            link = _Link(self, sink)
            try:
                why = link.hold(stop)
            finally:
                link.part()
            if stop.is_set():
                break
            if link.greeted:
                waits, told = backoff(), ""
            text = f"{self.name}: no connection to the broker at {self.host}:{self.port} ({why}); check that it runs and may be reached."
            if text != told:
                sink.state(self.name, False, text)
                told = text
            stop.wait(next(waits))
        if not told:
            sink.state(self.name, False, f"{self.name}: signed off from the broker at {self.host}:{self.port}.")


class _Context(ssl.SSLContext):
    """Remembers its newest socket: paho leaves it open when the handshake fails, and a board that retries for months runs out."""

    newest: ssl.SSLSocket | None = None

    def wrap_socket(self, *args: Any, **kwargs: Any) -> ssl.SSLSocket:
        """As usual, and remembered."""
        self.newest = super().wrap_socket(*args, **kwargs)
        return self.newest


class _Link:
    """One connection, from connecting to its loss. Callbacks run in paho's network thread, acknowledgements in the writer's."""

    def __init__(self, source: Mqtt, sink: Sink) -> None:
        self.source, self.sink = source, sink
        self.greeted = self._answered = False
        self._lost, self._why = threading.Event(), "connection lost"
        self._payloads = Payloads(source.site, source.maps)
        self._client_id = source.client_id or f"larderer-{source.site}"
        self._marker_topic = f"larderer/{source.site}/backlog/{self._client_id}"
        self._marker = secrets.token_hex(8).encode()
        self._backlog = False
        self._marker_sent_s = self._backlog_since_s = 0.0
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            self._client_id,
            clean_session=source.observe,
            protocol=paho.MQTTv311,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = _CONNECT_S
        if not source.observe:
            client.will_set(source.status_topic, b"offline", qos=1, retain=True)
        if source.username:
            client.username_pw_set(source.username, source.password or None)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_subscribe, client.on_message = self._on_subscribe, self._on_message
        self._client = client

    def hold(self, stop: threading.Event) -> str:
        """Connect and stay until the connection is lost or `stop` is set; returns why it was lost."""
        source, context = self.source, None
        try:
            if source.tls or source.tls_ca:
                context = _Context(ssl.PROTOCOL_TLS_CLIENT)
                if source.tls_ca:
                    context.load_verify_locations(source.tls_ca)
                else:
                    context.load_default_certs()
                if source.tls_cert:
                    context.load_cert_chain(source.tls_cert, source.tls_key)
                self._client.tls_set_context(context)
            self._client.connect(source.host, source.port, source.keepalive_s)
        except (OSError, ValueError) as error:
            if context is not None and context.newest is not None:
                context.newest.close()
            return _refusal(error)
        self._client.loop_start()
        told_backlog = False
        while not stop.is_set() and not self._lost.wait(0.1):
            if self._backlog and time.monotonic() - self._marker_sent_s > _MARKER_S:
                self._send_marker()
                if not told_backlog and time.monotonic() - self._backlog_since_s > 5 * _MARKER_S:
                    told_backlog = True
                    self.sink.state(source.name, True, self._no_marker())
        if stop.is_set() and not self._lost.is_set() and not source.observe:
            # A clean farewell sends no Last Will, so "offline" is said first.
            said = self._client.publish(source.status_topic, b"offline", qos=1, retain=True)
            deadline = time.monotonic() + 2.0
            while not said.is_published() and time.monotonic() < deadline and not self._lost.wait(0.02):
                pass
        lost_by_itself = self._lost.is_set()
        self._lost.set()
        self._client.disconnect()
        self._client.loop_stop()
        return self._why if lost_by_itself else ""

    def part(self) -> None:
        """Let the client go at once: while it and this link name each other, its sockets stay open until the next collection."""
        client = self._client
        client.on_connect = client.on_disconnect = client.on_subscribe = client.on_message = None

    def _lose(self, why: str) -> None:
        if not self._lost.is_set():
            self._why = why
            self._lost.set()

    def _send_marker(self) -> None:
        self._marker_sent_s = time.monotonic()
        self._client.publish(self._marker_topic, self._marker, qos=1)

    def _no_marker(self) -> str:
        return (
            f"{self.source.name}: the broker does not give back what is sent to {self._marker_topic}, so messages without a time of their"
            " own cannot be dated and are faults; allow this client to publish and subscribe there."
        )

    def _on_connect(self, client: paho.Client, data: Any, flags: paho.ConnectFlags, code: Any, properties: Any) -> None:
        self._answered = True
        if code.is_failure:
            hint = "; check username and password" if code.value in _PASSWORD else ""
            self._lose(f"refused: {code}{hint}")
            return
        if flags.session_present:
            # What the broker kept for us comes first and may be old. The marker comes back after it.
            self._backlog, self._backlog_since_s = True, time.monotonic()
        client.subscribe([(topic, 1) for topic in (*self._payloads.filters, self._marker_topic)])
        if not self.source.observe:
            client.publish(self.source.status_topic, b"online", qos=1, retain=True)

    def _on_subscribe(self, client: paho.Client, data: Any, mid: int, codes: Any, properties: Any) -> None:
        refused = [t for t, code in zip((*self._payloads.filters, self._marker_topic), codes, strict=False) if code.is_failure]
        if any(topic != self._marker_topic for topic in refused):
            self._lose(f"the broker refused the subscription to {', '.join(refused)}")
            return
        if self._backlog:
            self._send_marker()
        self.greeted = True
        self.sink.state(self.source.name, True, f"{self.source.name}: listening to the broker at {self.source.host}:{self.source.port}.")

    def _on_disconnect(self, client: paho.Client, data: Any, flags: Any, code: Any, properties: Any) -> None:
        if self.source.tls and not self._answered:
            own = "the certificate in tls_cert" if self.source.tls_cert else "a certificate of ours, tls_cert and tls_key"
            self._lose(f"the broker ended the TLS connection before it answered; it may want {own}")
            return
        self._lose(str(code) if code.is_failure else "the broker closed the connection")

    def _on_message(self, client: paho.Client, data: Any, message: paho.MQTTMessage) -> None:
        if self._lost.is_set():
            return  # Not acknowledged: the broker will deliver it again.
        if message.topic == self._marker_topic:
            if message.payload == self._marker:
                self._backlog = False
            client.ack(message.mid, message.qos)
            return
        age = "retained" if message.retain else "queued" if self._backlog or message.dup else ""
        items = self._payloads.decode(message.topic, bytes(message.payload), self.source.clock(), age)
        mid, qos = message.mid, message.qos
        if not items:
            client.ack(mid, qos)  # A topic that an earlier configuration subscribed to; nobody asks for it now.
            return
        try:
            future = self.sink.readings(items)
        except Exception as error:  # noqa: BLE001 - whatever it was, the message stays unacknowledged and comes again
            self._lose(f"readings could not be handed over: {error}")
            return
        future.add_done_callback(lambda done: self._durable(done, mid, qos))

    def _durable(self, done: Future[object], mid: int, qos: int) -> None:
        if done.cancelled() or done.exception() is not None:
            # The broker delivers again on the next connection only, so this one is given up.
            self._lose(f"readings could not be stored: {'cancelled' if done.cancelled() else done.exception()}")
        elif not self._lost.is_set():
            self._client.ack(mid, qos)


def _refusal(error: Exception) -> str:
    """Why there is no connection, for people: what OpenSSL says of a certificate without the file and line where it says so."""
    if isinstance(error, ssl.SSLCertVerificationError):
        said = error.verify_message.rstrip(".")
        return f"the broker's certificate is not to be trusted: {said}; check tls_ca, its dates and the host's name"
    if isinstance(error, ssl.SSLError):
        return f"TLS failed ({(error.reason or 'unknown').replace('_', ' ').lower()}); check that the broker speaks TLS on this port"
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)


def load(config: Mapping[str, object]) -> Mqtt:
    """An MQTT source from its table.

    `site`; `host`, `port`, `client_id`, `username`, `password` or `password_file`, `tls`, `tls_ca`, `tls_cert`, `tls_key`,
    `keepalive_s`, `observe`; `topic`: a list of tables, each with `topic`, `probe`, `unit` and optionally `value`, `time`, `time_unit`.
    """
    s = Settings(config, "source mqtt")
    site = s.text("site", want="the plan's site id")
    if any(mark in site for mark in "+#/"):
        raise s.wrong("site", "an id without + # /")
    tls_ca = s.text("tls_ca", "")
    tls = s.flag("tls", False) or bool(tls_ca)
    host, port = s.text("host", "127.0.0.1"), s.whole("port", 8883 if tls else 1883, 1, 65535)
    s.where = f"source mqtt {host}:{port}"
    if tls_ca and not Path(tls_ca).is_file():
        raise s.wrong("tls_ca", "the path of the certificate authority's PEM file")
    cert, key = s.text("tls_cert", ""), s.text("tls_key", "")
    if bool(cert) != bool(key) or (cert and not tls):
        raise SettingError(f"{s.where}: a client's certificate needs tls_cert, tls_key and tls_ca; write the three")
    for name, file in (("tls_cert", cert), ("tls_key", key)):
        if file and not Path(file).is_file():
            raise s.wrong(name, "the path of a PEM file")
    password = read_secret(s, "password")
    username = s.text("username", "")
    if password and not username:
        raise SettingError(f"{s.where}: there is a password but no username; write username")
    source = Mqtt(
        name=s.text("name", f"broker {host}:{port}"),
        site=site,
        host=host,
        port=port,
        client_id=s.text("client_id", ""),
        username=username,
        password=password,
        tls=tls,
        tls_ca=tls_ca,
        tls_cert=cert,
        tls_key=key,
        keepalive_s=s.whole("keepalive_s", 30, 5, 3600),
        observe=s.flag("observe", False),
        maps=tuple(read_map(table) for table in s.tables("topic")),
    )
    s.done()
    return source
