"""Publishing to the MQTT broker: sirens and lamps. A connection of its own, kept open and made again when it is lost."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from monitor.config import Mqtt

if TYPE_CHECKING:
    import paho.mqtt.client as paho


class Publisher:
    """`publish(topic, payload, timeout_s)` returns once the broker has it; OSError or TimeoutError otherwise."""

    def __init__(self, mqtt: Mqtt, client_id: str) -> None:
        self._mqtt, self._client_id = mqtt, client_id
        self._lock = threading.Lock()
        self._client: paho.Client | None = None

    def __call__(self, topic: str, payload: str, timeout_s: float) -> None:
        """Publish at QoS 1."""
        with self._lock:
            client = self._client or self._connect()
            told = client.publish(topic, payload.encode(), qos=1)
            told.wait_for_publish(timeout_s)
            if not told.is_published():
                raise TimeoutError(f"the broker at {self._mqtt.host}:{self._mqtt.port} did not take the message in {timeout_s:g} s")

    def _connect(self) -> paho.Client:
        import paho.mqtt.client as paho  # most sites have no siren at the broker
        from paho.mqtt.enums import CallbackAPIVersion

        mqtt = self._mqtt
        client = paho.Client(CallbackAPIVersion.VERSION2, self._client_id, clean_session=True)
        client.connect_timeout = 5.0
        if mqtt.username:
            client.username_pw_set(mqtt.username, mqtt.password.reveal() if mqtt.password else None)
        if mqtt.tls_ca is not None:
            client.tls_set(
                ca_certs=str(mqtt.tls_ca),
                certfile=None if mqtt.tls_cert is None else str(mqtt.tls_cert),
                keyfile=None if mqtt.tls_key is None else str(mqtt.tls_key),
            )
        client.connect(mqtt.host, mqtt.port, 30)
        client.loop_start()
        self._client = client
        return client

    def close(self) -> None:
        """Say goodbye to the broker."""
        with self._lock:
            if self._client is not None:
                self._client.disconnect()
                self._client.loop_stop()
                self._client = None
