"""Readings over MQTT at QoS 1, one a message, against a bare paho subscriber on the same Mosquitto.

A publisher in this process sends as fast as the broker acknowledges; timed is from the first message to the last one
that the subscriber has taken: for the service, that is on the disk and judged.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.figures import Figure
from tests.bench.served import Child, child
from tests.bench.site import SENDERS

ROUNDS = 3
MESSAGES = 8_000
AIM = 2.0
_PATIENCE_S = 120.0


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """A broker on loopback with the settings of deploy/mosquitto.conf that bear on speed; its port."""
    binary = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin:/sbin")
    if binary is None:
        raise FileNotFoundError("mosquitto is not installed; apt-get install mosquitto")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    config = folder / "mosquitto.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_inflight_messages 1000\nmax_queued_messages 100000\n"
    )
    process = subprocess.Popen([binary, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 20
        while True:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            if time.monotonic() > deadline:
                raise TimeoutError("mosquitto does not answer")
            time.sleep(0.02)
        yield port
    finally:
        process.terminate()
        process.wait()


def publish(port: int, subscriber: Child) -> float:
    """Messages a second, from the first sent to the last taken."""
    client = paho.Client(CallbackAPIVersion.VERSION2, "bench-publisher")
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    before, base = subscriber.ask("count"), time.time() - MESSAGES / SENDERS * 0.001
    payloads = [
        (
            f"larderer/bench/probe/core-{n % SENDERS}/reading",
            json.dumps({"value": 20.0 + n % 100 / 10, "time": base + n // SENDERS * 0.001}),
        )
        for n in range(MESSAGES)
    ]
    begun = time.monotonic()
    for topic, payload in payloads:
        client.publish(topic, payload, qos=1)
    while subscriber.ask("count") - before < MESSAGES:
        if time.monotonic() - begun > _PATIENCE_S:
            raise TimeoutError(f"{subscriber.ask('count') - before} of {MESSAGES} messages were taken")
        time.sleep(0.01)
    taken = MESSAGES / (time.monotonic() - begun)
    client.disconnect()
    client.loop_stop()
    return taken


def run(say: Callable[[str], None]) -> list[Figure]:
    """The figure for MQTT."""
    bare, ours = [], []
    for n in range(ROUNDS):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            with mosquitto(folder) as port:
                with child("bare-subscriber", folder, str(port)) as other:
                    bare.append(publish(port, other))
                with child("service", folder / "site", str(port)) as one:
                    ours.append(publish(port, one))
        say(f"MQTT {n + 1}/{ROUNDS}: {ours[-1]:,.0f} messages/s, bare subscriber {bare[-1]:,.0f}")
    measured = f"{max(ours):,.0f} messages/s; bare subscriber {max(bare):,.0f}"
    return [Figure("durable, judged readings over MQTT at QoS 1, one a message", measured, max(bare) / max(ours), AIM)]
