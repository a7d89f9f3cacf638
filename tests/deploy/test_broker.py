"""The broker as installed: it starts beside Debian's own file, and lets in whom it should."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.deploy.board import MOSQUITTO, PATH
from tests.missing import not_tested
from tests.waiting import until


@pytest.fixture
def needs_mosquitto() -> None:
    if MOSQUITTO is None:
        not_tested("mosquitto is not installed, so its configuration was not tried; install it")


@pytest.fixture
def broker(board: Path, needs_mosquitto: None) -> Iterator[tuple[int, str]]:
    """Mosquitto with the installed file read from a main file such as Debian's; its port and the password."""
    assert MOSQUITTO is not None
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    etc = board / "etc/mosquitto"
    conf = etc / "conf.d/larderer.conf"
    text = conf.read_text().replace("listener 1883 ", f"listener {port} ").replace("/etc/mosquitto/", f"{etc}/")
    conf.write_text(text)
    kept = board / "kept"
    kept.mkdir()
    for path in (etc, kept, etc / "larderer.passwd", etc / "larderer.acl"):
        path.chmod(0o777)  # started by root, Mosquitto works as a user of its own, which cannot look into root's folders
    subprocess.run(
        ["mosquitto_passwd", "-b", str(etc / "larderer.passwd"), "core-1", "of-core-1"], check=True, env=os.environ | {"PATH": PATH}
    )
    (etc / "larderer.passwd").chmod(0o777)
    main = etc / "mosquitto.conf"
    main.write_text(
        f"persistence true\npersistence_location {kept}/\nuser {os.environ.get('USER', 'root')}\ninclude_dir {etc / 'conf.d'}\n"
    )
    process = subprocess.Popen([MOSQUITTO, "-c", str(main)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)

    def answers() -> bool:
        assert process.poll() is None, process.stdout.read().decode() if process.stdout else ""
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    until(answers, "the broker does not answer")
    yield port, (board / "etc/larderer/broker-password").read_text().strip()
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)


def connect(port: int, password: str | None) -> str:
    """What the broker answers to a client, with one message at QoS 1 taken where it is let in."""
    answer: list[str] = []
    client = paho.Client(CallbackAPIVersion.VERSION2)
    if password is not None:
        client.username_pw_set("larderer", password)
    client.on_connect = lambda c, u, f, code, p: answer.append(str(code))
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        until(lambda: bool(answer), "no answer from the broker")
        if answer[0] == "Success":
            sent = client.publish("larderer/ferncliff/probe/core-1/reading", b"{}", qos=1)
            until(sent.is_published, "the broker has not acknowledged a message")
    finally:
        client.disconnect()
        client.loop_stop()
    return answer[0]


def test_installed_broker_lets_in_the_service_and_nobody_else(broker: tuple[int, str]) -> None:
    """The configuration works beside Debian's own; a name and password are asked for."""
    port, password = broker
    assert connect(port, password) == "Success"
    assert connect(port, None) == "Not authorized"
    assert connect(port, password + "x") == "Not authorized"


def test_an_account_of_a_probe_writes_that_probe_only(broker: tuple[int, str]) -> None:
    """What core-1 says of another probe, or of the service's state, reaches nobody; its own readings do."""
    port, password = broker
    heard: list[str] = []
    subscribed: list[bool] = []
    service = paho.Client(CallbackAPIVersion.VERSION2)
    service.username_pw_set("larderer", password)
    service.on_message = lambda c, u, message: heard.append(message.topic)
    service.on_connect = lambda c, u, f, code, p: c.subscribe("#", qos=1)
    service.on_subscribe = lambda c, u, mid, codes, p: subscribed.append(True)
    service.connect("127.0.0.1", port)
    service.loop_start()
    gateway = paho.Client(CallbackAPIVersion.VERSION2)
    gateway.username_pw_set("core-1", "of-core-1")
    try:
        until(lambda: bool(subscribed), "the service could not subscribe")
        gateway.connect("127.0.0.1", port)
        gateway.loop_start()
        for topic in ("probe/core-2/reading", "status", "probe/core-1/reading"):
            gateway.publish(f"larderer/ferncliff/{topic}", b"1", qos=1)
        until(lambda: bool(heard), "no message came through")
    finally:
        for client in (gateway, service):
            client.disconnect()
            client.loop_stop()
    assert heard == ["larderer/ferncliff/probe/core-1/reading"]
