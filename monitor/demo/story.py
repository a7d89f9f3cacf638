"""The simulated day, told: readings go out over MQTT, people's entries through the desk, and time moves with what was told.

The service's clock is the story's. It stands still until everything read before it is judged, so that nothing
is ever late by the haste of the telling, at any speed.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Sequence

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.errors import DemoError
from probes.simulator import Simulator
from rules.quantity import format_instant
from rules.reading import MINUTE, SECOND, Fault, Instant, LotEvent, Reading, Span

#: At most so much of the story is told at once: the service takes what is 2 min ahead of its clock for a mistake.
LONGEST_STEP: Span = MINUTE
_PATIENCE_S = 60.0


class StoryClock:
    """The story's time. It stands still until it is moved, and never goes back."""

    def __init__(self, at: Instant) -> None:
        self._now = at

    def __call__(self) -> Instant:
        """Microseconds since 1970 UTC, of the story."""
        return self._now

    def move(self, at: Instant) -> None:
        """It is `at` now."""
        self._now = max(self._now, at)


class Sender:
    """The probes' radio: hands readings to the broker, a pack a probe (SenML, RFC 8428), QoS 1."""

    def __init__(self, site: str, port: int) -> None:
        self._site = site
        self._client = paho.Client(CallbackAPIVersion.VERSION2, f"{site}-probes")
        self._client.max_inflight_messages_set(100)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def __call__(self, items: Sequence[Reading | Fault]) -> None:
        """Send; the broker's acknowledgements are waited for by whoever asks what was judged."""
        packs: dict[str, list[dict[str, object]]] = {}
        for item in items:
            pack = packs.setdefault(item.probe, [])
            if not pack:
                pack.append({"bn": item.probe, "bu": "Cel", "bt": items[0].at / SECOND})
            value: dict[str, object] = {"v": item.celsius} if isinstance(item, Reading) else {"vs": item.raw or item.reason}
            pack.append({"t": (item.at - items[0].at) / SECOND, **value})
        for probe, pack in packs.items():
            self._client.publish(f"larderer/{self._site}/probe/{probe}/reading", json.dumps(pack), qos=1)

    def close(self) -> None:
        """Hang up."""
        self._client.disconnect()
        self._client.loop_stop()


class Player:
    """Tells a simulated day to a service, step by step.

    `send(items)` hands readings over, by whatever wire; `settled()` is how many of them became durable since the
    start; `act(event)` is what a person does at that instant; `look(now)` is called after each step. `speed` is
    how many times faster than life; 0: as fast as it goes.
    """

    def __init__(
        self,
        simulator: Simulator,
        clock: StoryClock,
        send: Callable[[Sequence[Reading | Fault]], object],
        settled: Callable[[], int],
        act: Callable[[LotEvent], None],
        look: Callable[[Instant], None] = lambda now: None,
        *,
        speed: float = 0.0,
        step: Span = 0,
        stop: threading.Event | None = None,
    ) -> None:
        self._simulator, self._clock, self._send, self._settled = simulator, clock, send, settled
        self._act, self._look, self._speed = act, look, speed
        self._stop = stop or threading.Event()
        grid = 10 * SECOND
        self._step = step or max(grid, min(LONGEST_STEP, round(speed * 0.2) * SECOND // grid * grid) if speed else LONGEST_STEP)
        self.sent = 0

    def play(self) -> bool:
        """To the end of the story; False where it was stopped before."""
        at = self._simulator.start
        begun_s = time.monotonic()
        while not self._simulator.done and not self._stop.is_set():
            at = min(at + self._step, self._simulator.end)
            if self._speed:
                due_s = begun_s + (at - self._simulator.start) / SECOND / self._speed
                if self._stop.wait(max(0.0, due_s - time.monotonic())):
                    break
            self.tell(self._simulator.step_until(at))
            self._clock.move(at)
            if not self._stop.is_set():
                self._look(at)
        return self._simulator.done

    def tell(self, items: Sequence[Reading | Fault | LotEvent]) -> None:
        """Hand these over in their order; an entry is made at its own instant, with everything before it judged."""
        waiting: list[Reading | Fault] = []
        for item in items:
            if isinstance(item, LotEvent):
                self._hand_over(waiting)
                waiting = []
                if self._stop.is_set():
                    return
                self._clock.move(item.at)
                self._act(item)
            else:
                waiting.append(item)
        self._hand_over(waiting)

    def _hand_over(self, items: Sequence[Reading | Fault]) -> None:
        if not items:
            return
        self.sent += len(items)
        self._send(items)
        deadline = time.monotonic() + _PATIENCE_S
        while self._settled() < self.sent and not self._stop.is_set():
            if time.monotonic() > deadline:
                missing = self.sent - self._settled()
                raise DemoError(
                    f"{missing} readings up to {format_instant(items[-1].at)} have not become durable within {_PATIENCE_S:g} s; "
                    "look into the service's log, and try a lower --speed"
                )
            time.sleep(0.001)
