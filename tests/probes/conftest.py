"""What several tests of the drivers share: a Sink that keeps what it gets, and waiting with a deadline."""

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future

import pytest

from probes.driver import Driver, backoff
from rules.reading import Fault, Reading
from tests import waiting


class KeepingSink:
    """Keeps readings and states. With `durable` False its futures wait in `waiting`."""

    def __init__(self) -> None:
        self.items: list[Reading | Fault] = []
        self.states: list[tuple[bool, str]] = []
        self.waiting: list[Future[object]] = []
        self.durable = True

    def readings(self, items: Sequence[Reading | Fault]) -> Future[object]:
        future: Future[object] = Future()
        self.items.extend(items)
        if self.durable:
            future.set_result(None)
        else:
            self.waiting.append(future)
        return future

    def state(self, source: str, connected: bool, text: str) -> None:
        self.states.append((connected, text))

    @property
    def values(self) -> list[float]:
        return [item.celsius for item in self.items if isinstance(item, Reading)]

    @property
    def connected(self) -> bool:
        return bool(self.states) and self.states[-1][0]


class Runner:
    """Runs drivers in threads and ends them."""

    def __init__(self) -> None:
        self._running: list[tuple[threading.Thread, threading.Event]] = []

    def start(self, driver: Driver, sink: KeepingSink) -> threading.Event:
        stop = threading.Event()
        thread = threading.Thread(target=driver.run, args=(sink, stop), daemon=True)
        thread.start()
        self._running.append((thread, stop))
        return stop

    def end(self) -> None:
        for _, stop in self._running:
            stop.set()
        for thread, _ in self._running:
            thread.join(20)
            assert not thread.is_alive(), "a driver did not stop"
        self._running.clear()


@pytest.fixture
def sink() -> KeepingSink:
    return KeepingSink()


@pytest.fixture
def runner() -> Iterator[Runner]:
    runner = Runner()
    yield runner
    runner.end()


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sources that are asked come back without long pauses, so that twenty outages take seconds."""
    monkeypatch.setattr("probes.polling.backoff", lambda: backoff(0.01, 0.05))


@pytest.fixture
def until() -> Callable[..., None]:
    return waiting.until
