"""The service's threads to the world outside: the heartbeat, and answers by mail and by the broker. What fails there rings here."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from typing import Any

from monitor.alarms import troubles
from monitor.alarms.causes import Cause
from monitor.answers import Answers
from monitor.config import Config
from monitor.heartbeat import Heartbeat
from rules.reading import Instant

#: Raises a cause where the flag is true, clears it where it is false; from any thread.
Stand = Callable[[Cause, bool], None]


class Outside:
    """Makes what the configuration asks for; `runners` are given a thread each."""

    def __init__(
        self,
        config: Config,
        site: str,
        answers: Answers,
        about: Callable[[], Mapping[str, Any]],
        clock: Callable[[], Instant],
        stand: Stand,
    ) -> None:
        # What a way out needs is loaded where it is configured, and stays out of the memory of everybody else.
        self._clock, self._stand = clock, stand
        self.runners: list[tuple[str, Callable[[threading.Event], None]]] = []
        self.heartbeat: Heartbeat | None = None
        if config.heartbeat is not None:
            self.heartbeat = Heartbeat(config.heartbeat, about, self._heartbeat_trouble)
            self.runners.append(("heartbeat", self.heartbeat.run))
        if config.mail_answers is not None:
            from monitor.mail_answers import Mailbox, by_address

            box = Mailbox(config.mail_answers, by_address(config.persons), answers, lambda text: self._answers_trouble("mail", text))
            self.runners.append(("mail answers", box.run))
        if config.mqtt is not None and config.mqtt.answers:
            from monitor.topic_answers import AnswerTopic

            topic = AnswerTopic(config.mqtt, f"larderer-{site}-answers", answers, lambda text: self._answers_trouble("MQTT", text))
            self.runners.append(("topic answers", topic.run))

    def alive(self) -> None:
        """A pass of the judging loop was committed."""
        if self.heartbeat is not None:
            self.heartbeat.alive()

    def _heartbeat_trouble(self, text: str) -> None:
        assert self.heartbeat is not None
        self._stand(troubles.heartbeat_failing(self._clock(), self.heartbeat.where, text), bool(text))

    def _answers_trouble(self, way: str, text: str) -> None:
        self._stand(troubles.replies_failing(way, self._clock(), text), bool(text))
