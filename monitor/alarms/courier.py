"""The courier: takes waiting messages from the outbox to their bells, in threads of its own.

A message is marked sent only after its bell has delivered it, in a job on the writer; killed in between, the
next courier delivers it once more under the same message id, and never again what was marked.
Each bell is rung by one thread at a time, so that one that hangs holds up none but itself.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from contextlib import AbstractContextManager
from typing import Final, Protocol, TypeVar

from sqlalchemy import Connection

from monitor.alarms import causes, outbox
from monitor.alarms.alarms import Alarms, Record
from monitor.alarms.bells import Answer, Bell, Call, Outcome
from monitor.alarms.outbox import Letter
from monitor.errors import StoreError
from rules.reading import MINUTE, SECOND, Instant, Span

T = TypeVar("T")

FIRST_WAIT: Final[Span] = 2 * SECOND
LONGEST_WAIT: Final[Span] = 5 * MINUTE
#: After so many tries by one bell the person's next bell is tried; after as many a failing bell is an alarm itself.
TRIES: Final = 3
#: Looks again this often even if nobody woke it.
_LOOK_S: Final = 1.0


class Submit(Protocol):
    """`Writer.submit`."""

    def __call__(self, job: Callable[[Connection], T]) -> Future[T]:
        """Run a job in the next commit."""
        ...


def backoff(tries: int, rng: random.Random) -> Span:
    """How long until the next try after `tries` failed ones: doubling, capped, with jitter of half.

    "Exponential Backoff And Jitter" (AWS Architecture Blog, 2015), its *equal jitter*.
    """
    whole = min(LONGEST_WAIT, FIRST_WAIT << min(tries, 20))
    return whole // 2 + rng.randrange(whole // 2 + 1)


class Courier:
    """Delivers the outbox. `wake()` after a commit that raised an alarm; `stop()` ends it within a moment."""

    def __init__(
        self,
        submit: Submit,
        read: Callable[[], AbstractContextManager[Connection]],
        bells: Mapping[str, Bell],
        alarms: Alarms,
        record: Record,
        clock: Callable[[], Instant],
        seed: int | None = None,
    ) -> None:
        """`submit` is the writer's, `read` the store's; `clock` is the service's now, which does not run backwards."""
        self._submit, self._read, self._bells, self._alarms = submit, read, bells, alarms
        self._record, self._clock = record, clock
        self._rng = random.Random(seed)
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._ringing: set[str] = set()
        self._failing: dict[str, int] = {}
        self._thread = threading.Thread(target=self._run, name="courier", daemon=True)
        #: What last kept the courier from looking into the outbox; "" while all is well.
        self.trouble = ""

    def start(self) -> None:
        """Begin delivering."""
        self._thread.start()

    def wake(self) -> None:
        """Something may be waiting: look now."""
        self._wake.set()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Stop taking messages; one under way ends by its own timeout and, unmarked, will be delivered again."""
        self._stopping.set()
        self._wake.set()
        if self._thread.is_alive():  # not where the service is taken down before it was started
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.clear()
            try:
                pause = self._look()
                self.trouble = ""
            except Exception as error:  # noqa: BLE001  # messages stay in the outbox; a courier that died would never take them
                pause, self.trouble = _LOOK_S, f"{type(error).__name__}: {error}"
            self._wake.wait(pause)

    def _look(self) -> float:
        """Hand what is due to its bells; how long to wait, in seconds, before looking again."""
        now = self._clock()
        with self._read() as conn:
            due, soonest = outbox.waiting(conn, now, LONGEST_WAIT), outbox.next_try(conn)
        for message in due:
            with self._lock:
                if self._stopping.is_set() or message.bell in self._ringing:
                    continue
                self._ringing.add(message.bell)
            threading.Thread(target=self._deliver, args=(message,), name=f"bell {message.bell}", daemon=True).start()
        if soonest is None or soonest <= now:
            return _LOOK_S
        return min(_LOOK_S, (soonest - now) / SECOND)

    def _deliver(self, message: Letter) -> None:
        try:
            # It was found before this bell was free: whoever rang it until a moment ago may have delivered this very message.
            with self._read() as conn:
                fresh = outbox.as_it_stands(conn, message)
            if fresh is None:
                return
            message = fresh
            answer = self._ring(message)
            while not self._stopping.is_set():
                try:
                    self._submit(lambda conn: self._settle(conn, message, answer)).result()
                    break
                except StoreError:
                    # Delivered but not yet marked: marked as soon as the store takes it, so that it is not told twice.
                    self._stopping.wait(_LOOK_S)
        except StoreError as error:  # it could not be read again: it stays where it is, and is looked for again
            self.trouble = str(error)
        finally:
            with self._lock:
                self._ringing.discard(message.bell)
            self._wake.set()

    def _ring(self, message: Letter) -> Answer:
        bell = self._bells.get(message.bell)
        if bell is None:
            return Answer(Outcome.REFUSED, f"there is no bell {message.bell!r} any more")
        try:
            return bell.ring(Call(message.message_id, message.kind, message.priority, message.title, message.body))
        except Exception as error:  # noqa: BLE001  # a bell's own fault must not stop the others; it is told as this bell's failure
            return Answer(Outcome.RETRY, f"{type(error).__name__}: {error}"[:200])

    def _settle(self, conn: Connection, message: Letter, answer: Answer) -> None:
        """Write down what became of a try, and raise or clear the bell's own alarm."""
        now = self._clock()
        body = {"message": message.message_id, "bell": message.bell, "person": message.person, "kind": message.kind}
        body |= {"alarm": f"A{message.alarm_id}"} if message.alarm_id is not None else {}
        if answer.outcome is Outcome.DELIVERED:
            outbox.delivered(conn, message, now)
            self._record(conn, "message", {**body, "outcome": "delivered"}, now, "")
            self._failing.pop(message.bell, None)
            self._alarms.clear(conn, causes.bell_key(message.bell), now)
            return
        failed = self._failing[message.bell] = self._failing.get(message.bell, 0) + 1
        if answer.outcome is Outcome.REFUSED:
            if not outbox.refused(conn, message, now, answer.text) and message.alarm_id is not None and message.kind == "alarm":
                self._alarms.hurry(conn, message.alarm_id, now)
            self._record(conn, "message", {**body, "outcome": "refused", "why": answer.text}, now, "")
        else:
            rotate = message.tries + 1 >= TRIES and len(message.routes) > 1
            outbox.try_again(conn, message, now + (0 if rotate else backoff(message.attempts, self._rng)), answer.text, rotate=rotate)
            if message.attempts == 0:  # the same failure again is counted, not written down again
                self._record(conn, "message", {**body, "outcome": "retry", "why": answer.text}, now, "")
        if failed >= TRIES or answer.outcome is Outcome.REFUSED:
            self._alarms.raise_(conn, causes.bell_failing(message.bell, now, answer.text), now)
