"""A real Mosquitto on loopback: acknowledged only when durable, killed and restarted with nothing lost, Last Will, passwords."""

import datetime
import ipaddress
import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from paho.mqtt.enums import CallbackAPIVersion

from probes.mqtt import load
from rules.quantity import parse_instant
from rules.reading import SECOND, Fault

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
T0 = parse_instant("2026-03-02T13:00:00Z")
READING = "larderer/ferncliff/probe/core-1/reading"
STATUS = "larderer/ferncliff/status"


class Broker:
    """One Mosquitto with its own port and data; `kill` is kill -9. It saves its state at every change, as ours is told to."""

    def __init__(self, folder: Path, *lines: str) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.config = folder / "mosquitto.conf"
        rules = lines or ("allow_anonymous true",)
        self.config.write_text(
            f"listener {self.port} 127.0.0.1\npersistence true\npersistence_location {folder}/\n"
            "autosave_on_changes true\nautosave_interval 1\n"
            "set_tcp_nodelay true\nmax_inflight_messages 1000\nmax_queued_messages 0\nuser root\n" + "\n".join(rules) + "\n"
        )
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, until) -> None:
        assert MOSQUITTO is not None
        self.process = subprocess.Popen([MOSQUITTO, "-c", str(self.config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

        def answers() -> bool:
            with socket.socket() as probe:
                return probe.connect_ex(("127.0.0.1", self.port)) == 0

        until(answers, "broker answers")

    def end(self, how: int = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(20)
            self.process = None


@pytest.fixture
def broker(tmp_path, until) -> Iterator[Broker]:
    if MOSQUITTO is None:
        if os.environ.get("CI") == "true":
            pytest.fail("mosquitto is not installed; CI must run the MQTT tests against a real broker")
        pytest.skip("NOT TESTED: mosquitto is not installed, so MQTT was not tried against a real broker; install it")
    broker = Broker(tmp_path)
    broker.start(until)
    yield broker
    broker.end(signal.SIGKILL)


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
    broker.start(until)
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


def test_wrong_password_is_told_and_the_right_one_let_in(tmp_path, sink, runner, until, broker):
    """A refusal is one sentence that names the broker and shows no secret."""
    broker.end()
    maker = shutil.which("mosquitto_passwd")
    if maker is None:
        pytest.fail("mosquitto is installed without mosquitto_passwd")
    file = tmp_path / "passwords"
    subprocess.run([maker, "-b", "-c", str(file), "monitor", "sesame"], check=True, capture_output=True)
    guarded = Broker(tmp_path, "allow_anonymous false", f"password_file {file}")
    guarded.start(until)
    try:
        runner.start(source(guarded, username="monitor", password="wrong"), sink)
        until(lambda: bool(sink.states), "refusal told")
        assert "refused" in sink.states[0][1]
        assert "wrong" not in sink.states[0][1]
        runner.end()
        runner.start(source(guarded, username="monitor", password="sesame"), sink)
        until(lambda: sink.connected, "listening")
        runner.end()
    finally:
        guarded.end(signal.SIGKILL)


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


def certify(folder: Path) -> None:
    """A certificate authority `ca.pem` and, signed by it, `server.pem` for 127.0.0.1; and `other.pem`, which signed nothing."""
    day = datetime.timedelta(days=1)
    born = datetime.datetime.now(datetime.UTC) - day

    def make(name: str, authority: bool, issuer=None):
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        issuer_name, signer = (subject, key) if issuer is None else (issuer[0].subject, issuer[1])
        builder = x509.CertificateBuilder(issuer_name, subject, key.public_key(), x509.random_serial_number(), born, born + 30 * day)
        builder = builder.add_extension(x509.BasicConstraints(authority, None), critical=True)
        builder = builder.add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        if issuer is not None:
            builder = builder.add_extension(
                x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False
            )
            builder = builder.add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer[1].public_key()), critical=False)
        certificate = builder.sign(signer, hashes.SHA256())
        (folder / f"{name}.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        (folder / f"{name}.key").write_bytes(private)
        return certificate, key

    make("server", False, make("ca", True))
    make("other", True)


def test_broker_over_tls_is_trusted_only_with_its_own_authority(tmp_path, sink, runner, until, broker):
    """An authority that did not sign the broker's certificate lets nothing through."""
    broker.end()
    certify(tmp_path)
    lines = [f"cafile {tmp_path}/ca.pem", f"certfile {tmp_path}/server.pem", f"keyfile {tmp_path}/server.key"]
    guarded = Broker(tmp_path, "allow_anonymous true", *lines)
    guarded.start(until)
    try:
        runner.start(source(guarded, tls_ca=str(tmp_path / "other.pem")), sink)
        until(lambda: bool(sink.states), "refusal told")
        assert not sink.connected
        assert "certificate" in sink.states[0][1].lower()
        runner.end()
        runner.start(source(guarded, tls_ca=str(tmp_path / "ca.pem")), sink)
        until(lambda: sink.connected, "listening over TLS")
        runner.end()
    finally:
        guarded.end(signal.SIGKILL)
