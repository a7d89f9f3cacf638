"""Outbox and courier with real parts: a database file, bells that hang, refuse or fail, a killed process."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import closing
from pathlib import Path

import pytest

from monitor import ledger
from monitor.alarms import outbox
from monitor.alarms.bells import Answer, Call, Outcome
from monitor.alarms.causes import Cause
from monitor.alarms.courier import FIRST_WAIT, LONGEST_WAIT, Courier, backoff
from monitor.errors import StoreFull
from monitor.store.writer import Writer
from rules.reading import MINUTE, Instant
from tests.monitor.alarms.programs import script
from tests.waiting import until


class Phone:
    """A bell of the test's: answers what it is told, in order, then delivered."""

    def __init__(self, name: str, answers: tuple[Outcome, ...] = ()) -> None:
        self.id, self.answers, self.calls = name, list(answers), []  # type: ignore[var-annotated]

    def ring(self, call: Call) -> Answer:
        self.calls.append(call)
        return Answer(self.answers.pop(0), "no signal") if self.answers else Answer(Outcome.DELIVERED)


class Now:
    """The service's clock, moved by the test."""

    def __init__(self, at: Instant) -> None:
        self.at = at

    def __call__(self) -> Instant:
        return self.at


@pytest.fixture
def post(bench, start: Instant) -> Iterator[Callable[..., Courier]]:
    """Starts couriers on the bench's store and stops them."""
    running: list[Courier] = []
    writer = Writer(bench.store)

    def begin(bells: list[Phone], clock: Now) -> Courier:
        made = Courier(writer.submit, bench.store.read, {b.id: b for b in bells}, bench.alarms, ledger.append, clock, seed=1)
        made.start()
        running.append(made)
        return made

    yield begin
    for one in running:
        one.stop()
    writer.close()


def silent_things() -> list[Phone]:
    return [Phone("siren"), Phone("lamp")]


def test_courier_delivers_what_is_committed_and_marks_it_sent(bench, post, cooler: Cause, start: Instant) -> None:
    """The message id in the outbox is the one in the text."""
    phone = Phone("odile-phone")
    courier = post([phone], Now(start))
    bench.raise_(cooler, start)
    courier.wake()
    until(lambda: bench.rows()[0]["state"] == "sent")
    assert phone.calls[0].body.endswith("alarm A1, message M1")
    with bench.store.read() as conn:
        (entry,) = [e for e in ledger.entries(conn) if e.kind == "message"]
    assert entry.body == {
        "message": "M1", "bell": "odile-phone", "person": "Odile Marsh", "kind": "alarm", "alarm": "A1", "outcome": "delivered",
    }  # fmt: skip


def test_refused_message_takes_the_persons_next_bell_at_once(bench, post, cooler: Cause, start: Instant) -> None:
    """The refusal raises an alarm of its own about the bell."""
    phone, mail = Phone("odile-phone", (Outcome.REFUSED,) * 9), Phone("odile-mail")
    courier = post([phone, mail, Phone("tam-phone")], Now(start))
    bench.raise_(cooler, start)
    courier.wake()
    until(lambda: bench.rows()[0]["state"] == "sent")
    assert bench.rows()[0]["bell"] == "odile-mail"
    assert mail.calls[0].message_id == phone.calls[0].message_id == "M1"
    until(lambda: len(bench.open()) == 2)
    assert "bell odile-phone does not ring" in {a["what"] for a in bench.open()}


def test_failing_bell_is_tried_again_with_growing_waits_then_the_next(bench, post, cooler: Cause, start: Instant) -> None:
    """Three tries by the phone, then the mail; the phone's alarm clears when it delivers again."""
    phone, mail, clock = Phone("odile-phone", (Outcome.RETRY,) * 3), Phone("odile-mail"), Now(start)
    courier = post([phone, mail, Phone("tam-phone")], clock)
    bench.raise_(cooler, start)
    for tries in (1, 2):
        courier.wake()
        until(lambda n=tries: bench.rows()[0]["attempts"] == n)
        assert bench.rows()[0]["state"] == "waiting"
        assert bench.rows()[0]["try_at"] > clock.at
        clock.at = bench.rows()[0]["try_at"]
    courier.wake()
    until(lambda: bench.rows()[0]["state"] == "sent")
    assert bench.rows()[0]["bell"] == "odile-mail"
    until(lambda: "bell odile-phone does not ring" in {a["what"] for a in bench.open()} or len(phone.calls) > 3)
    until(lambda: all(r["state"] == "sent" for r in bench.rows()))
    until(lambda: all(not a["active"] for a in bench.open() if a["key"] == "bell/odile-phone"))


def test_refused_everywhere_is_said_and_not_tried_for_ever(bench, post, cooler: Cause, start: Instant) -> None:
    """The row is refused, and the next rung is told at once instead of ten minutes later."""
    bells = [Phone("odile-phone", (Outcome.REFUSED,) * 50), Phone("odile-mail", (Outcome.REFUSED,) * 50), Phone("tam-phone")]
    courier = post(bells, Now(start))
    bench.raise_(cooler, start)
    courier.wake()
    until(lambda: bench.rows()[0]["state"] == "refused")
    assert bench.rows()[0]["error"] == "no signal"
    until(lambda: bells[2].calls and bells[2].calls[0].body.startswith("MEDIUM A1"))


def test_momentary_alarm_refused_everywhere_climbs_the_ladder(bench, post, start: Instant) -> None:
    """A restart is told once and waits for no rung; refused by every bell of the first, it goes to the next all the same."""
    bells = [Phone("odile-phone", (Outcome.REFUSED,) * 50), Phone("odile-mail", (Outcome.REFUSED,) * 50), Phone("tam-phone")]
    courier = post(bells, Now(start))
    bench.raise_(Cause("restart", "monitor was down", "the monitor", start, "Blind for 1 h.", "high", momentary=True), start)
    courier.wake()
    until(lambda: bells[2].calls and "monitor was down" in bells[2].calls[0].body)
    until(lambda: all(row["state"] != "waiting" for row in bench.rows()))
    assert bench.letters()[0] == "D", "it stays until somebody has seen it"
    told = [str(row["person"]) for row in bench.rows() if row["alarm_id"] == 1]
    assert told == ["Odile Marsh", "Tam Okafor"]


def test_momentary_alarm_that_somebody_has_seen_is_told_to_nobody_else(bench, post, start: Instant) -> None:
    """The refusal that comes back after the acknowledgement climbs nothing."""
    number = bench.raise_(Cause("restart", "monitor was down", "the monitor", start, "Blind for 1 h.", "high", momentary=True), start)
    bench.acknowledge(number, start)
    with bench.store.write() as conn:
        bench.alarms.hurry(conn, number, start)
    assert {str(row["person"]) for row in bench.rows() if row["kind"] == "alarm"} == {"Odile Marsh"}


def test_bell_that_hangs_holds_up_no_other(bench, post, critical: Cause, start: Instant) -> None:
    """The second bell delivers while the first is still ringing."""
    held = threading.Event()

    class Hung(Phone):
        def ring(self, call: Call) -> Answer:
            held.wait(20)
            return super().ring(call)

    slow, siren, lamp = Hung("odile-phone"), Phone("siren"), Phone("lamp")
    courier = post([slow, siren, lamp], Now(start))
    bench.raise_(critical, start)
    courier.wake()
    until(lambda: bench.rows()[1]["state"] == "sent" and bench.rows()[2]["state"] == "sent")
    assert bench.rows()[0]["state"] == "waiting"
    held.set()
    until(lambda: bench.rows()[0]["state"] == "sent")


def test_delivered_message_that_cannot_be_marked_is_marked_later_and_not_sent_twice(bench, cooler: Cause, start: Instant) -> None:
    """A full disk just then: the courier keeps what it knows until the store takes it."""
    phone, refusals = Phone("odile-phone"), [StoreFull("no room"), StoreFull("no room")]
    with Writer(bench.store) as writer:

        def submit(job):
            future = writer.submit(job) if not refusals else Future()
            if refusals:
                future.set_exception(refusals.pop())
            return future

        courier = Courier(submit, bench.store.read, {"odile-phone": phone}, bench.alarms, ledger.append, Now(start))
        bench.raise_(cooler, start)
        courier.start()
        until(lambda: bench.rows()[0]["state"] == "sent")
        courier.stop()
    assert len(phone.calls) == 1


def test_bell_that_was_removed_from_the_configuration_is_refused_in_words(bench, post, cooler: Cause, start: Instant) -> None:
    """A message left from an older configuration does not stop the courier."""
    courier = post([Phone("odile-mail")], Now(start))
    bench.raise_(cooler, start)
    courier.wake()
    until(lambda: bench.rows()[0]["state"] == "sent")
    assert bench.rows()[0]["bell"] == "odile-mail"


def test_retry_far_ahead_of_a_corrected_clock_is_tried_now(bench, cooler: Cause, start: Instant) -> None:
    """A clock that was days ahead when the try was set does not keep the message for days."""
    bench.raise_(cooler, start + 72 * 60 * MINUTE)
    with bench.store.read() as conn:
        assert len(outbox.waiting(conn, start, LONGEST_WAIT)) == 1


def test_waits_double_up_to_their_cap_with_jitter() -> None:
    """Never below half, never above the whole."""
    rng = random.Random(7)
    for tries in range(40):
        whole = min(LONGEST_WAIT, FIRST_WAIT * 2 ** min(tries, 20))
        assert whole // 2 <= backoff(tries, rng) <= whole


CHILD = """
import sys, time
sys.path[:0] = {path!r}
from pathlib import Path
from monitor import ledger
from monitor.alarms.alarms import Alarms
from monitor.alarms.bells import make_bells
from monitor.alarms.causes import Cause
from monitor.alarms.courier import Courier
from monitor.alarms.ringer import Ringer
from monitor.config import AlarmsConfig, BellConfig, Config, Person, Rung
from monitor.store.database import Store
from monitor.store.writer import Writer
from rules.plan import Site

bell = BellConfig("phone", program=tuple({program!r}))
config = Config(Path("l.toml"), Path("p.toml"), Path("."), persons=(Person("Odile Marsh", "operator", ("phone",)),), bells=(bell,),
    escalation=(Rung(0, persons=("Odile Marsh",)),), alarms=AlarmsConfig(all_well=None))
clock = lambda: time.time_ns() // 1000
store = Store({database!r}).open()
writer = Writer(store)
alarms = Alarms(config, Site("s", "Ferncliff Yard Smokehouse"), ledger.append)
courier = Courier(writer.submit, store.read, make_bells(config, Ringer()), alarms, ledger.append, clock)
for number in range({first}, {last}):
    writer.submit(lambda conn: alarms.raise_(conn, Cause(f"k/{{number}}", "limit not met", "there", clock(), "It was."), clock())).result()
    print("raised", number, flush=True)
courier.start()
courier.wake()
while True:
    time.sleep(0.05)
    courier.wake()
"""


@pytest.mark.parametrize("rounds", [2, pytest.param(8, marks=pytest.mark.full)])
def test_courier_killed_at_any_moment_loses_nothing_and_repeats_nothing_marked(
    tmp_path: Path, rounds: int, request: pytest.FixtureRequest
) -> None:
    """`kill -9` while it delivers: every alarm arrives; a second copy only of what was not yet marked, under its own id."""
    told = tmp_path / "told.txt"
    program = script(
        tmp_path, "bell.py",
        f"""
        import os, sys
        text = sys.stdin.read().splitlines()[-1]
        with open({str(told)!r}, "a") as file:
            file.write(text.rsplit(" ", 1)[1] + "\\n")
        """,
    )  # fmt: skip
    database, count = str(tmp_path / "larderer.sqlite"), 6

    def child(first: int, last: int) -> subprocess.Popen[str]:
        code = CHILD.format(path=[os.getcwd()], program=list(program), database=database, first=first, last=last)
        started = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
        request.addfinalizer(started.kill)  # a failing test leaves no child behind
        return started

    def lines() -> list[str]:
        return told.read_text().split() if told.exists() else []

    def marked() -> set[str]:
        with closing(sqlite3.connect(database)) as conn:
            return {row[0] for row in conn.execute("SELECT message_id FROM outbox WHERE state = 'sent'")}

    for turn in range(rounds):
        one = child(turn * count, (turn + 1) * count)
        assert one.stdout is not None
        for _ in range(count):
            assert one.stdout.readline().startswith("raised")
        enough = len(lines()) + 2 + turn % 4
        until(lambda least=enough: len(lines()) >= least, seconds=60)
        one.send_signal(signal.SIGKILL)
        one.wait()
        one.stdout.close()
        settled, before = marked(), len(lines())
        last_child = child(0, 0)
        if turn == rounds - 1:
            until(lambda: len(marked()) == rounds * count, seconds=60)
        else:
            more = len(settled) + 1
            until(lambda least=more: len(marked()) >= least, seconds=60)
        last_child.send_signal(signal.SIGKILL)
        last_child.wait()
        assert last_child.stdout is not None
        last_child.stdout.close()
        assert not settled & set(lines()[before:])
    assert set(lines()) == {f"M{n}" for n in range(1, rounds * count + 1)}
