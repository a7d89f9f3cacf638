"""Sirens and lamps over a broker that lets in only who shows a certificate: they are told by the same one that readings come by."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.config import Mqtt
from monitor.publish import Publisher
from tests.waiting import until


@pytest.mark.parametrize("ours", [True, False], ids=["with ours", "without"])
def test_siren_behind_a_broker_that_asks_for_a_certificate_sounds(mosquitto: Callable[..., Any], certificates: Path, ours: bool) -> None:
    """The service's own certificate is shown; without one the broker takes nothing, and that is a failed bell and no silence."""
    files = [f"cafile {certificates}/ca.pem", f"certfile {certificates}/server.pem", f"keyfile {certificates}/server.key"]
    broker = mosquitto(*files, "require_certificate true", "allow_anonymous true")
    client, heard = paho.Client(CallbackAPIVersion.VERSION2, "siren"), list[bytes]()
    client.tls_set(str(certificates / "ca.pem"), str(certificates / "client.pem"), str(certificates / "client.key"))
    client.on_message = lambda _client, _data, message: heard.append(message.payload)
    subscribed: list[int] = []
    client.on_subscribe = lambda _client, _data, mid, _reasons, _properties: subscribed.append(mid)
    client.on_connect = lambda *_: client.subscribe("ferncliff/siren", 1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    own = (certificates / "client.pem", certificates / "client.key") if ours else (None, None)
    publish = Publisher(Mqtt("127.0.0.1", broker.port, tls_ca=certificates / "ca.pem", tls_cert=own[0], tls_key=own[1]), "larderer-bells")
    try:
        until(lambda: subscribed, "the siren listens")
        if ours:
            publish("ferncliff/siren", "on", 20.0)
            until(lambda: heard == [b"on"], "the siren sounds")
        else:
            with pytest.raises((OSError, RuntimeError)):
                publish("ferncliff/siren", "on", 2.0)
    finally:
        publish.close()
        client.disconnect()
        client.loop_stop()
