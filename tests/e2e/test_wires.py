"""One story over a serial line, a real broker and HTTP: the verdicts are those of the offline judge, whatever the wire."""

import json
import os
import pty
import tty
from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.demo.day import verdicts
from monitor.demo.site import demo_plan
from probes.driver import load as load_driver
from probes.simulator import Simulator
from rules.quantity import format_instant, parse_instant
from rules.reading import SECOND, Fault, Reading

START = parse_instant("2026-03-01T14:00:00-06:00")


@pytest.fixture(scope="module")
def story() -> list[Any]:
    """The demo day, each probe read every two minutes."""
    simulator = Simulator("ferncliff-day", 3, START, period_s=120)
    return simulator.step_until(simulator.end)


def read_values(items: Sequence[Any]) -> list[tuple[str, int, float]]:
    return sorted((item.probe, item.at, item.celsius) for item in items if isinstance(item, Reading))


def agrees(plant: Any, story: list[Any]) -> None:
    """Every reading arrived to the last bit, and every watch stands as a clean offline judge finds it, evidence and all."""
    assert read_values(plant.items()) == read_values(story)
    faults = [item for item in story if isinstance(item, Fault)]
    assert len([item for item in plant.items() if isinstance(item, Fault)]) == len(faults) > 0
    again = plant.judged_again()
    assert len(verdicts(again)) > 25
    assert verdicts(plant.report()) == verdicts(again)
    assert plant.report()["lots"] == again["lots"]
    plant.sound()


def test_serial_line_gives_the_verdicts_of_the_offline_judge(plant: Callable[..., Any], until: Any, story: list[Any]) -> None:
    """Lines of text through a pty, as a logger writes them."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    site = plant(demo_plan())
    names = [probe.id for probe in site.plan.probes]
    labels = {str(n): name for n, name in enumerate(names)}
    columns = {"columns": ["time", "channel", "value", "unit"], "labels": labels, "unit": "line"}
    site.up([load_driver("serial", {"port": os.ttyname(slave), **columns})])
    until(lambda: any(site.service.sources.values()), "the serial port")
    os.write(master, b"rest of a line\r\n")

    def write(items: Sequence[Any]) -> None:
        text = ""
        for item in items:
            value = f"{item.celsius:+07.1f}" if isinstance(item, Reading) else item.raw
            text += f"{format_instant(item.at)};{names.index(item.probe)};{value};C\r\n"
        left = text.encode()
        while left:
            left = left[os.write(master, left[:512]) :]

    try:
        site.rush(story, write)
        agrees(site, story)
    finally:
        site.service.stop()
        for thread in site.service._threads:
            thread.join(20)
        os.close(slave)
        os.close(master)


@pytest.fixture
def broker(mosquitto: Callable[..., Any]) -> int:
    """Mosquitto on loopback; its port."""
    return int(mosquitto().port)


def test_mqtt_gives_the_verdicts_of_the_offline_judge(plant: Callable[..., Any], until: Any, story: list[Any], broker: int) -> None:
    """QoS 1 through a real broker: single JSON readings of two probes, SenML packs of the others."""
    site = plant(demo_plan()).up([load_driver("mqtt", {"site": "ferncliff", "port": broker})])
    until(lambda: any(site.service.sources.values()), "the broker's answer")
    device = paho.Client(CallbackAPIVersion.VERSION2, "device")
    device.max_inflight_messages_set(500)
    device.connect("127.0.0.1", broker)
    device.loop_start()

    def publish(probe: str, payload: object) -> None:
        device.publish(f"larderer/ferncliff/probe/{probe}/reading", json.dumps(payload), qos=1)

    def send(items: Sequence[Any]) -> None:
        packs: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for item in items:
            fault = isinstance(item, Fault)
            if item.probe in ("core-1", "cooler-air"):
                value = {"quality": "fault", "reason": item.reason, "value": item.raw} if fault else {"value": item.celsius}
                publish(item.probe, {"time": format_instant(item.at), **value})
                continue
            packs[item.probe].append(
                {"n": item.probe, "u": "Cel", "t": item.at / SECOND, **({"vs": item.raw} if fault else {"v": item.celsius})}
            )
        for probe, pack in packs.items():
            for n in range(0, len(pack), 20):
                publish(probe, pack[n : n + 20])

    try:
        site.rush(story, send)
        agrees(site, story)
    finally:
        device.disconnect()
        device.loop_stop()


def test_http_push_gives_the_verdicts_of_the_offline_judge(plant: Callable[..., Any], story: list[Any]) -> None:
    """Posted with a device's token, up to 500 a request; each answered once durable."""
    site = plant(demo_plan()).up(page=True)

    def value(item: Any) -> dict[str, Any]:
        if isinstance(item, Reading):
            return {"value": item.celsius}
        return {"quality": "fault", "reason": item.reason, "value": item.raw}

    with site.device() as device:

        def send(items: Sequence[Any]) -> None:
            for n in range(0, len(items), 500):
                body = [{"probe": item.probe, "time": format_instant(item.at), **value(item)} for item in items[n : n + 500]]
                answer = device.post("/api/v1/readings", json=body)
                assert answer.status_code == 200, answer.text
                assert answer.json()["counts"] == {"stored": len(body)}

        site.rush(story, send)
    agrees(site, story)
