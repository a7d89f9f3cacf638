"""A message that was delivered while the courier still held an older look at the outbox is not delivered again."""

import random
from collections.abc import Callable

from monitor import ledger
from monitor.alarms import outbox
from monitor.alarms.bells import Answer, Call, Outcome
from monitor.alarms.causes import Cause
from monitor.alarms.courier import LONGEST_WAIT, Courier
from monitor.store.writer import Writer


class Counting:
    """A bell that keeps what it was given."""

    def __init__(self, bell_id: str) -> None:
        self.id = bell_id
        self.calls: list[Call] = []

    def ring(self, call: Call) -> Answer:
        self.calls.append(call)
        return Answer(Outcome.DELIVERED)


def test_message_delivered_since_the_last_look_is_not_delivered_again(make_bench: Callable[..., object], critical: Cause) -> None:
    """Two looks that found the same waiting message, one after the other had it delivered: one call."""
    bench = make_bench()
    bell = Counting("odile-phone")
    now = critical.since
    with Writer(bench.store) as writer:  # type: ignore[attr-defined]
        bench.raise_(critical, now)  # type: ignore[attr-defined]
        courier = Courier(
            writer.submit,
            bench.store.read,
            {"odile-phone": bell},
            bench.alarms,
            ledger.append,
            lambda: now,
            random.Random(1).randrange(9),  # type: ignore[attr-defined]
        )
        with bench.store.read() as conn:  # type: ignore[attr-defined]
            found = [letter for letter in outbox.waiting(conn, now, LONGEST_WAIT) if letter.bell == "odile-phone"]
        assert len(found) == 1
        courier._deliver(found[0])
        courier._deliver(found[0])
    assert [call.message_id for call in bell.calls] == [found[0].message_id]
