"""Bells: ways to reach a person or to work a thing. Each answers delivered, retry or refused, within its timeout."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Final, NamedTuple, Protocol

from monitor.alarms.ringer import Ringer
from monitor.config import BellConfig, Config
from rules.reading import SECOND


class Outcome(StrEnum):
    """What became of one try."""

    DELIVERED = "delivered"
    RETRY = "retry"  # a later try may do better
    REFUSED = "refused"  # no later try can: another way is needed


class Call(NamedTuple):
    """What a bell is given. `message_id` never changes; it also stands in the body for people."""

    message_id: str
    kind: str
    priority: str
    title: str
    body: str


class Answer(NamedTuple):
    """What a bell answers; `text` says why where it was not delivered."""

    outcome: Outcome
    text: str = ""


class Bell(Protocol):
    """One bell. `ring` may block for up to its timeout; it is called from a thread of its own."""

    id: str

    def ring(self, call: Call) -> Answer:
        """Try once."""
        ...


#: publish(topic, payload): returns once the broker has it, raises OSError or TimeoutError otherwise.
Publish = Callable[[str, str, float], None]

#: Exit statuses by which a program says that no later try will help (sysexits.h, 4.3BSD): usage, no user, no host, no permission.
_REFUSING: Final = (64, 67, 68, 77)


class AppriseBell:
    """A phone, mail, chat or web hook, through Apprise in its own process."""

    def __init__(self, config: BellConfig, ringer: Ringer) -> None:
        self.id, self._config, self._ringer = config.id, config, ringer

    def ring(self, call: Call) -> Answer:
        """Deliver through Apprise."""
        assert self._config.url is not None
        outcome, text = self._ringer.ring(self._config.url.reveal(), call.title, call.body, self._config.timeout / SECOND)
        return Answer(Outcome(outcome), text)


class ProgramBell:
    """A local program: needs no network. Its arguments are a list, no shell sees them; the text comes on its standard input."""

    def __init__(self, config: BellConfig) -> None:
        self.id, self._config = config.id, config

    def ring(self, call: Call) -> Answer:
        """Run the program; exit status 0 is delivered."""
        # Only what a program needs to run, and the message: the service's environment may hold secrets.
        environment = {name: os.environ[name] for name in ("PATH", "HOME", "LANG", "TZ") if name in os.environ}
        environment |= {"LARDERER_MESSAGE": call.message_id, "LARDERER_KIND": call.kind, "LARDERER_PRIORITY": call.priority}
        try:
            child = subprocess.Popen(
                self._config.program,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                env=environment,
                start_new_session=True,
            )
        except OSError as error:
            return Answer(Outcome.REFUSED, f"{self._config.program[0]} cannot be run: {error.strerror}")
        with child:
            try:
                _, said = child.communicate(f"{call.title}\n{call.body}\n".encode(), timeout=self._config.timeout / SECOND)
            except subprocess.TimeoutExpired:
                # Its whole group, or a grandchild would keep the pipe, and with it this thread, for ever.
                os.killpg(child.pid, signal.SIGKILL)
                child.communicate()
                return Answer(Outcome.RETRY, f"{self._config.program[0]} did not end within {self._config.timeout / SECOND:g} s")
        if child.returncode == 0:
            return Answer(Outcome.DELIVERED)
        last = said.decode("utf-8", "replace").strip().splitlines()[-1:] or [""]
        outcome = Outcome.REFUSED if child.returncode in _REFUSING else Outcome.RETRY
        return Answer(outcome, f"{self._config.program[0]} ended with status {child.returncode} {last[0][:120]}".rstrip())


class TopicBell:
    """A siren or lamp on an MQTT topic: a call of kind "quiet" turns it off, any other turns it on."""

    def __init__(self, config: BellConfig, publish: Publish | None) -> None:
        self.id, self._config, self._publish = config.id, config, publish

    def ring(self, call: Call) -> Answer:
        """Publish the payload."""
        if self._publish is None:
            return Answer(Outcome.RETRY, "there is no connection to the broker yet")
        try:
            payload = self._config.off if call.kind == "quiet" else self._config.on
            self._publish(self._config.topic, payload, self._config.timeout / SECOND)
        except (OSError, TimeoutError, ValueError, RuntimeError) as error:  # what paho-mqtt raises where it cannot publish
            return Answer(Outcome.RETRY, f"the broker did not take it: {error}"[:200])
        return Answer(Outcome.DELIVERED)


def make_bells(config: Config, ringer: Ringer, publish: Publish | None = None) -> Mapping[str, Bell]:
    """Every configured bell by its id."""
    return {bell.id: _bell(bell, ringer, publish) for bell in config.bells}


def _bell(config: BellConfig, ringer: Ringer, publish: Publish | None) -> Bell:
    if config.url is not None:
        return AppriseBell(config, ringer)
    return ProgramBell(config) if config.program else TopicBell(config, publish)


class TestResult(NamedTuple):
    """How one bell answered its test."""

    bell: str
    outcome: Outcome
    text: str


TestResult.__test__ = False  # type: ignore[attr-defined]  # pytest would take it for a test class


def ring_test(config: Config, only: str | None = None, publish: Publish | None = None, site: str = "") -> list[TestResult]:
    """Ring every bell, or the one named, once with a test message; a siren or lamp goes on and off again.

    An unknown name gives one refused result that says which names there are.
    """
    ringer = Ringer()
    try:
        bells = make_bells(config, ringer, publish)
        if only is not None and only not in bells:
            return [TestResult(only, Outcome.REFUSED, f"there is no bell {only!r}; there are {', '.join(bells) or 'none'}")]
        results = []
        for bell_id, bell in bells.items():
            if only in (None, bell_id):
                settings = config.bell(bell_id)
                kinds = ("test", "quiet") if settings is not None and settings.topic else ("test",)
                text = f"TEST {site}. Nothing is wrong.".replace(" .", ".")
                answers = [bell.ring(Call("TEST", kind, "low", f"Test {site}".strip(), text)) for kind in kinds]
                worst = next((a for a in answers if a.outcome is not Outcome.DELIVERED), answers[-1])
                results.append(TestResult(bell_id, worst.outcome, worst.text))
        return results
    finally:
        ringer.close()
