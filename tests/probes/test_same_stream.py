"""One stream over serial, MQTT and HTTP push ends in the same readings; drivers leave nothing behind when they end."""

import gc
import json
import os
import pty
import threading
import tty
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from probes import mqtt, serial_text
from probes.discover import serial_ports
from probes.push import decode_push
from probes.simulator import Simulator
from rules.quantity import format_instant, parse_instant
from rules.reading import HOUR, Reading

START = parse_instant("2026-03-01T14:00:00-06:00")


@pytest.fixture
def stream():
    """Two hours of one core probe, as the simulator gives them."""
    items = Simulator("ferncliff-day", 1, START, faults=()).step_until(START + 2 * HOUR)
    return [item for item in items if isinstance(item, Reading) and item.probe == "core-1"]


@pytest.fixture
def port(mosquitto):
    """A broker's port."""
    return mosquitto().port


@pytest.fixture
def line(tmp_path):
    """A pty: the master's descriptor and the slave's path."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def test_serial_mqtt_and_push_give_the_same_readings(stream, port, line, sink, runner, until):
    """Equal readings, to the microsecond and the last bit, so equal verdicts whatever the wire."""
    rows = [{"value": item.celsius, "time": format_instant(item.at)} for item in stream]
    pushed = decode_push(json.dumps([{"probe": "core-1", **row} for row in rows]).encode(), "application/json", 0)
    assert pushed == stream

    master, path = line
    columns = {"columns": ["time", "channel", "value", "unit"], "labels": {"1": "core-1"}, "unit": "line"}
    runner.start(serial_text.load({"port": path, **columns}), sink)
    until(lambda: sink.connected, "open port")
    os.write(master, b"rest of a line\r\n")
    for row in rows:
        os.write(master, f"{row['time']};1;{row['value']:+07.1f};C\r\n".encode())
    until(lambda: len(sink.items) == len(stream), "every line")
    assert sink.items == stream
    runner.end()

    sink.items.clear()
    sink.states.clear()
    runner.start(mqtt.load({"site": "ferncliff", "port": port}), sink)
    until(lambda: sink.connected, "listening")
    device = paho.Client(CallbackAPIVersion.VERSION2, "device")
    device.max_inflight_messages_set(500)
    device.connect("127.0.0.1", port)
    device.loop_start()
    for row in rows:
        device.publish("larderer/ferncliff/probe/core-1/reading", json.dumps(row), qos=1)
    until(lambda: len(sink.items) >= len(stream), "every message")
    device.disconnect()
    device.loop_stop()
    assert sink.items == stream


def test_drivers_leave_no_file_and_no_thread_behind(port, line, sink, runner, until):
    """Started and stopped many times, files and threads do not grow."""
    _, path = line

    def once():
        for driver in (mqtt.load({"site": "ferncliff", "port": port}), serial_text.load({"port": path, "probe": "a", "unit": "C"})):
            sink.states.clear()
            runner.start(driver, sink)
            until(lambda: sink.connected, "connected")
            runner.end()

    def held():
        gc.collect()
        return len(list(Path("/proc/self/fd").iterdir())), threading.active_count()

    once()
    before = held()
    for _ in range(10):
        once()
    after = held()
    assert after[0] <= before[0]
    assert after[1] <= before[1]


def test_serial_ports_are_listed(tmp_path):
    """Whatever this machine has, each port has a device path, and a folder that is not there is no error."""
    for found in serial_ports(tmp_path / "none"):
        assert found.device
        assert found.stable == ""
