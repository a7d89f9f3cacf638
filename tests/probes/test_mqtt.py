"""A real Mosquitto on loopback: acknowledged only when durable, killed and restarted with nothing lost, Last Will, TLS and passwords."""

import gc
import itertools
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from probes.driver import backoff
from probes.errors import SettingError
from probes.mqtt import load
from rules.quantity import parse_instant
from rules.reading import SECOND, Fault

T0 = parse_instant("2026-03-02T13:00:00Z")
READING = "larderer/ferncliff/probe/core-1/reading"
STATUS = "larderer/ferncliff/status"


@pytest.fixture
def broker(mosquitto):
    return mosquitto()


class Publisher:
    """A device that publishes QoS 1 and waits for the broker's acknowledgement; comes back by itself."""

    def __init__(self, port: int, name: str = "device") -> None:
        self.seen: list[tuple[str, bytes, bool]] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2, name, clean_session=False)
        self.published: set[int] = set()
        self.client.on_publish = lambda client, data, mid, code, properties: self.published.add(mid)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_message = lambda client, data, message: self.seen.append((message.topic, bytes(message.payload), message.retain))
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def send(self, payload: str, topic: str = READING, *, retain: bool = False) -> paho.MQTTMessageInfo:
        return self.client.publish(topic, payload, qos=1, retain=retain)

    def end(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def device(broker) -> Iterator[Publisher]:
    device = Publisher(broker.port)
    yield device
    device.end()


def source(broker, **more):
    return load({"site": "ferncliff", "port": broker.port, "name": "broker", **more})


def timed(n: int) -> str:
    return f'{{"value": {n}.5, "time": {(T0 + n * SECOND) / SECOND:.0f}}}'


def test_reading_is_acknowledged_only_once_it_is_durable(broker, device, sink, runner, until):
    """What was handed over but not yet durable is delivered again after the connection is lost; what was durable is not."""
    sink.durable = False
    stop = runner.start(source(broker), sink)
    until(lambda: sink.connected, "listening")
    device.send(timed(1))
    until(lambda: len(sink.items) == 1, "first reading")
    device.send(timed(2))
    until(lambda: len(sink.items) == 2, "second reading")
    sink.waiting[0].set_result(None)
    device.client.subscribe(STATUS, 1)
    until(lambda: (STATUS, b"online", True) in device.seen, "status online")
    stop.set()
    until(lambda: (STATUS, b"offline", False) in device.seen, "status offline")
    runner.end()
    sink.waiting[1].set_result(None)
    runner.start(source(broker), sink)
    until(lambda: len(sink.items) == 3, "second reading again")
    assert sink.values == [1.5, 2.5, 2.5]
    assert sink.items[1] == sink.items[2]


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_broker_ended_and_restarted_mid_stream_loses_nothing(broker, device, sink, runner, until, how):
    """Every reading that a device sent arrives, whether the broker was there or not.

    Killed outright, Mosquitto loses what it acknowledged to a device since it last wrote its file, which is the broker's promise to
    break and not ours to mend; so then the kill waits until what was acknowledged to the device has come through.
    """
    runner.start(source(broker), sink)
    until(lambda: sink.connected, "listening")
    sent = [device.send(timed(n)) for n in range(100)]
    first = 10 if how == signal.SIGTERM else 100
    until(lambda: len(sink.values) >= first, "first readings")
    broker.end(how)
    sent += [device.send(timed(n)) for n in range(100, 200)]
    until(lambda: not sink.connected, "outage told")
    broker.start()
    until(lambda: {info.mid for info in sent} <= device.published, "all published")
    until(lambda: set(sink.values) == {n + 0.5 for n in range(200)}, "all 200 readings")
    assert not [item for item in sink.items if isinstance(item, Fault)]
    assert [connected for connected, _ in sink.states] == [True, False, True]


def test_readings_that_cannot_be_stored_are_delivered_again(broker, device, sink, runner, until):
    """A failed commit acknowledges nothing: the connection is given up and the broker sends again."""
    sink.durable = False
    runner.start(source(broker), sink)
    until(lambda: sink.connected, "listening")
    device.send(timed(7))
    until(lambda: len(sink.waiting) == 1, "reading")
    sink.durable = True
    sink.waiting[0].set_exception(OSError("disk full"))
    until(lambda: len(sink.items) == 2, "reading again")
    assert sink.values == [7.5, 7.5]
    assert any("disk full" in text for connected, text in sink.states if not connected)


def test_queued_and_retained_messages_without_a_time_are_no_readings(broker, device, sink, runner, until):
    """What waited in the broker while nobody listened has no age; the first message after it is live."""
    stop = runner.start(source(broker), sink)
    until(lambda: sink.connected, "listening")
    device.send("71.1")
    until(lambda: sink.values == [71.1], "live reading")
    stop.set()
    runner.end()
    device.send("72.2").wait_for_publish(10)
    device.send(timed(3)).wait_for_publish(10)
    device.send("73.3", "larderer/ferncliff/probe/core-2/reading", retain=True).wait_for_publish(10)
    runner.start(source(broker), sink)
    until(lambda: len(sink.items) >= 4, "backlog")
    reasons = [(item.probe, item.reason) for item in sink.items if isinstance(item, Fault)]
    assert ("core-1", "queued message of unknown age") in reasons
    assert {probe for probe, _ in reasons} == {"core-1", "core-2"}

    def live() -> bool:
        device.send("74.4").wait_for_publish(10)
        return 74.4 in sink.values

    until(live, "live reading after the backlog")
    assert 72.2 not in sink.values
    assert 73.3 not in sink.values
    assert 3.5 in sink.values


def test_mapped_topic_arrives(broker, device, sink, runner, until):
    """A device that knows nothing of us is read where it publishes."""
    maps = [{"topic": "shop/t1", "probe": "cooler-1", "unit": "C", "value": "air.t"}]
    runner.start(source(broker, topic=maps), sink)
    until(lambda: sink.connected, "listening")
    device.send('{"air": {"t": 4.5}}', "shop/t1")
    until(lambda: sink.values == [4.5], "reading")
    assert sink.items[0].probe == "cooler-1"


def test_service_killed_outright_is_said_to_be_offline_by_the_broker(broker, device, until):
    """The Last Will speaks for a process that could not say farewell."""
    code = (
        "import sys, threading, concurrent.futures as f\n"
        "from probes.mqtt import load\n"
        "class Sink:\n"
        "    def readings(self, items): done = f.Future(); done.set_result(None); return done\n"
        "    def state(self, source, connected, text): pass\n"
        "load({'site': 'ferncliff', 'port': int(sys.argv[1])}).run(Sink(), threading.Event())\n"
    )
    root = Path(__file__).parents[2]
    child = subprocess.Popen([sys.executable, "-c", code, str(broker.port)], cwd=root, env={**os.environ, "PYTHONPATH": str(root)})
    try:
        device.client.subscribe(STATUS, 1)
        until(lambda: any(topic == STATUS and payload == b"online" for topic, payload, _ in device.seen), "online")
    finally:
        child.kill()
        child.wait(20)
    until(lambda: device.seen[-1][:2] == (STATUS, b"offline"), "offline by Last Will")


@pytest.fixture
def guarded(mosquitto, password_file, certificates):
    """A broker that speaks TLS and asks for a password; `certificate` is the one it shows, `lines` more of its configuration."""
    passwords = password_file("monitor", "sesame")

    def make(certificate="server", *lines):
        files = [f"cafile {certificates}/ca.pem", f"certfile {certificates}/{certificate}.pem", f"keyfile {certificates}/{certificate}.key"]
        return mosquitto(*files, "allow_anonymous false", f"password_file {passwords}", *lines)

    return make


def told(sink, runner, until, driver):
    """The first sentence that a driver says of a broker that does not let it in."""
    sink.states.clear()
    runner.start(driver, sink)
    until(lambda: bool(sink.states), "its sentence")
    runner.end()
    return sink.states[0][1]


def test_broker_over_tls_with_a_password_lets_the_right_one_in(guarded, certificates, sink, runner, until):
    """With the authority that signed its certificate, the name and the password: a reading comes through."""
    broker = guarded()
    ca = str(certificates / "ca.pem")
    runner.start(source(broker, tls_ca=ca, username="monitor", password="sesame"), sink)
    until(lambda: sink.connected, "listening over TLS")
    device = paho.Client(CallbackAPIVersion.VERSION2, "device")
    device.tls_set(ca)
    device.username_pw_set("monitor", "sesame")
    device.connect("127.0.0.1", broker.port)
    device.loop_start()
    device.publish(READING, "71.1", qos=1)
    until(lambda: sink.values == [71.1], "the reading")
    device.disconnect()
    device.loop_stop()


@pytest.mark.parametrize(
    ("certificate", "more", "sentence"),
    [
        (
            "server",
            {"tls_ca": "other.pem"},
            "certificate is not to be trusted: self-signed certificate in certificate chain; check tls_ca",
        ),
        ("expired", {}, "the broker's certificate is not to be trusted: certificate has expired; check tls_ca"),
        ("server", {"password": "wrong-one"}, "refused: Not authorized; check username and password"),
        ("server", {"username": "nobody"}, "refused: Not authorized; check username and password"),
        ("server", {"tls_ca": "", "tls": False}, "check that it runs and may be reached"),
    ],
    ids=["wrong authority", "expired", "wrong password", "wrong name", "no TLS"],
)
def test_broker_that_does_not_let_us_in_is_told_in_one_sentence(guarded, certificates, sink, runner, until, certificate, more, sentence):
    """What is wrong and what to look at, without a secret and without a library's file and line."""
    broker = guarded(certificate)
    settings = {"tls_ca": "ca.pem", "username": "monitor", "password": "sesame", **more}
    settings["tls_ca"] = str(certificates / settings["tls_ca"]) if settings["tls_ca"] else ""
    text = told(sink, runner, until, source(broker, **settings))
    assert text.startswith(f"broker: no connection to the broker at 127.0.0.1:{broker.port} (")
    assert sentence in text
    assert not any(word in text for word in ("wrong-one", "sesame", "_ssl.c", "[SSL"))
    assert [connected for connected, _ in sink.states] == [False]


def test_broker_that_asks_for_a_certificate_is_shown_one(guarded, certificates, sink, runner, until):
    """With the service's own certificate it lets us in; without, the sentence says so."""
    broker = guarded("server", "require_certificate true")
    base = {"tls_ca": str(certificates / "ca.pem"), "username": "monitor", "password": "sesame"}
    own = {"tls_cert": str(certificates / "client.pem"), "tls_key": str(certificates / "client.key")}
    assert "it may want a certificate of ours, tls_cert and tls_key" in told(sink, runner, until, source(broker, **base))
    runner.start(source(broker, **base, **own), sink)
    until(lambda: sink.connected, "listening with a certificate")


def test_certificate_of_our_own_is_whole_or_refused(certificates):
    """One of its files alone, or a path that is none, is told when the configuration is read."""
    ca = str(certificates / "ca.pem")
    with pytest.raises(SettingError, match="needs tls_cert, tls_key and tls_ca"):
        load({"site": "x", "tls_ca": ca, "tls_cert": ca})
    with pytest.raises(SettingError, match="tls_key is 'nowhere'"):
        load({"site": "x", "tls_ca": ca, "tls_cert": ca, "tls_key": "nowhere"})


def test_onlooker_says_nothing_of_the_service_and_leaves_no_session(broker, device, sink, runner, until):
    """Somebody who watches beside the service must not say "offline" for it, nor have the broker keep messages for nobody."""
    service = runner.start(source(broker), sink)
    until(lambda: sink.connected, "the service")
    device.client.subscribe(STATUS, 1)
    until(lambda: (STATUS, b"online", True) in device.seen, "online")
    other = type(sink)()
    stop = runner.start(source(broker, client_id="onlooker", observe=True), other)
    until(lambda: other.connected, "the onlooker")
    device.send("71.1")
    until(lambda: other.values == sink.values == [71.1], "the reading, to both")
    stop.set()
    until(lambda: not other.connected, "the onlooker's end")
    device.send("72.2").wait_for_publish(10)
    until(lambda: sink.values == [71.1, 72.2], "the reading after it")
    assert not service.is_set()
    assert {payload for topic, payload, _ in device.seen if topic == STATUS} == {b"online"}
    again = type(sink)()
    runner.start(source(broker, client_id="onlooker", observe=True), again)
    until(lambda: again.connected, "the onlooker again")
    device.send("73.3")
    until(lambda: 73.3 in again.values, "the next reading")
    assert again.values == [73.3]


@pytest.mark.parametrize("times", [6, pytest.param(20, marks=pytest.mark.full)])
def test_broker_unplugged_many_times_leaves_nothing_behind(broker, sink, runner, until, monkeypatch, times):
    """Killed outright and started again: each outage told, no reading lost or invented, no thread, no descriptor."""
    monkeypatch.setattr("probes.mqtt.backoff", lambda: backoff(0.01, 0.1))
    runner.start(source(broker), sink)
    base = None
    for n in range(times):
        until(lambda: sink.connected, f"listening {n}")
        device = Publisher(broker.port, f"device-{n}")
        mid = device.send(timed(n)).mid
        until(lambda n=n, mid=mid, device=device: mid in device.published and n + 0.5 in sink.values, f"reading {n}")
        device.end()
        del device
        gc.collect()  # the device's client is a cycle of its own
        found = len(os.listdir("/proc/self/fd")), threading.active_count()
        base = found if base is None else base
        assert found <= base
        broker.end(signal.SIGKILL)
        until(lambda: not sink.connected, f"outage {n}")
        broker.start()
    until(lambda: sink.connected, "listening at last")
    assert set(sink.values) == {n + 0.5 for n in range(times)}
    assert not [item for item in sink.items if isinstance(item, Fault)]
    assert [connected for connected, _ in itertools.groupby(sink.states, lambda state: state[0])] == [True, False] * times + [True]
