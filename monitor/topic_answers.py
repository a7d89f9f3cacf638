"""Answers that come over the broker: JSON on one topic, `{"person": …, "answer": CODE, "comment": …}`, told back on `<topic>/told`.

The session is kept by the broker (MQTT 3.1.1, clean session 0, QoS 1): what was answered while the service was down is heard
when it is back. A message is acknowledged to the broker once what it brought is durable.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.answers import Answered, Answers
from monitor.config import Mqtt
from monitor.errors import StoreError
from monitor.log import get_logger

log = get_logger(__name__)
_MOST_BYTES = 4096


class AnswerTopic:
    """Listens on the topic of answers until it is stopped."""

    def __init__(self, mqtt: Mqtt, client_id: str, answers: Answers, trouble: Callable[[str], None]) -> None:
        """`trouble` is told what fails, and "" once it works again."""
        self._mqtt, self._client_id, self._answers, self._trouble = mqtt, client_id, answers, trouble

    def run(self, stop: threading.Event) -> None:
        """Connect, listen, connect again; blocking, in a thread of its own."""
        mqtt = self._mqtt
        client = paho.Client(CallbackAPIVersion.VERSION2, self._client_id, clean_session=False, manual_ack=True)
        client.connect_timeout = 5.0
        client.reconnect_delay_set(1, 30)
        if mqtt.username:
            client.username_pw_set(mqtt.username, mqtt.password.reveal() if mqtt.password else None)
        if mqtt.tls_ca is not None:
            client.tls_set(
                ca_certs=str(mqtt.tls_ca),
                certfile=None if mqtt.tls_cert is None else str(mqtt.tls_cert),
                keyfile=None if mqtt.tls_key is None else str(mqtt.tls_key),
            )
        client.on_connect = self._connected
        client.on_message = self._heard
        client.connect_async(mqtt.host, mqtt.port, 30)
        client.loop_start()
        try:
            stop.wait()
        finally:
            client.disconnect()
            client.loop_stop()

    def _connected(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._trouble(f"{self._mqtt.host}: {reason}")
            return
        client.subscribe(self._mqtt.answers, qos=1)
        self._trouble("")

    def _heard(self, client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            told = self._take(bytes(message.payload))
        except StoreError as error:  # not acknowledged to the broker: it comes again with the next session
            log.error("answer", text=str(error))
            return
        client.ack(message.mid, message.qos)
        log.info("topic answer", counted=told.counted, text=told.text)
        client.publish(f"{self._mqtt.answers}/told", json.dumps({"counted": told.counted, "text": told.text}), qos=1)

    def _take(self, payload: bytes) -> Answered:
        try:
            values = json.loads(payload) if len(payload) <= _MOST_BYTES else None
        except (ValueError, RecursionError):  # also what is nested without end
            values = None
        if not isinstance(values, dict) or not all(isinstance(values.get(key), str) for key in ("person", "answer")):
            return Answered(False, 'it cannot be read; send JSON such as {"person": "Odile Marsh", "answer": "M17-ABCD-EFGH-IJKL-MNOP"}')
        comment = values.get("comment", "")
        return self._answers.take(values["answer"], values["person"], "MQTT", comment[:200] if isinstance(comment, str) else "")
