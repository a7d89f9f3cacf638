"""What the service costs while nothing happens: sixteen probes, a reading a second each, over a real broker."""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.broker import mosquitto
from tests.bench.figures import Figure, cpu_s, written_bytes
from tests.bench.served import child
from tests.bench.site import SENDERS

WARM_S, SECONDS = 5, 30
AIM_SHARE = 5.0


def run(say: Callable[[str], None]) -> list[Figure]:
    """Processor time of the service's process over half a minute, as a share of one core, and what it wrote meanwhile."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with mosquitto(folder) as port, child("service", folder / "site", str(port)) as one:
            client = paho.Client(CallbackAPIVersion.VERSION2, "bench-idle")
            client.connect("127.0.0.1", port)
            client.loop_start()
            spent, begun, paged, commits = 0.0, 0.0, 0, 0
            before = one.ask("count")
            start = time.monotonic()
            for second in range(WARM_S + SECONDS + 1):
                time.sleep(max(0.0, start + second - time.monotonic()))
                if second == WARM_S:
                    spent, begun = cpu_s(one.process.pid), time.monotonic()
                    paged, commits = written_bytes(one.process.pid)[1], one.ask("commits")
                if second == WARM_S + SECONDS:
                    spent, begun = cpu_s(one.process.pid) - spent, time.monotonic() - begun
                    paged, commits = written_bytes(one.process.pid)[1] - paged, one.ask("commits") - commits
                    break
                for n in range(SENDERS):
                    body = json.dumps({"value": 3.0 + n / 10 + second % 2 / 10, "time": time.time()})
                    client.publish(f"larderer/bench/probe/core-{n}/reading", body, qos=1)
            taken = one.ask("count") - before
            client.disconnect()
            client.loop_stop()
    share = 100.0 * spent / begun
    say(f"idle: {share:.1f} % of one core, {taken} readings")
    measured = f"{spent:.2f} s of processor time in {begun:.0f} s, {taken} readings taken in"
    written = f"{paged / 1e6:.2f} MB in {commits} commits of that half minute, in whole pages"
    return [
        Figure(f"idle: {SENDERS} probes at 1 Hz over MQTT, durable and judged", measured, share, AIM_SHARE, "% of one core"),
        Figure("idle: written to the device in a day", written, paged / begun * 86_400 / 1e9, None, "GB a day"),
    ]
