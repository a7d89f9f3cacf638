"""Bells, outbox and courier with real parts: a web server, programs, a database file, a killed process."""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import closing
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from monitor import ledger
from monitor.alarms import outbox
from monitor.alarms.bells import Answer, Call, Outcome, ProgramBell, make_bells, ring_test
from monitor.alarms.causes import Cause
from monitor.alarms.courier import FIRST_WAIT, LONGEST_WAIT, Courier, backoff
from monitor.alarms.ringer import Ringer, check_addresses
from monitor.config import BellConfig, Config, Secret
from monitor.errors import StoreFull
from monitor.store.writer import Writer
from rules.reading import MINUTE, SECOND, Instant

CALL = Call("M1", "alarm", "critical", "CRITICAL A1", "CRITICAL A1: limit not met, J-0412")


class Hook(ThreadingHTTPServer):
    """A web hook on loopback that keeps what it was sent and answers as it is told."""

    daemon_threads = True

    def __init__(self) -> None:
        self.got: list[dict[str, str]] = []
        self.status = 200
        self.hold = threading.Event()
        self.hold.set()
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                hook.hold.wait(20)
                hook.got.append(json.loads(body))
                try:
                    self.send_response(hook.status)
                    self.end_headers()
                except OSError:
                    pass  # the caller has given up, as the test wants

            def log_message(self, *_: object) -> None:
                """Keep the test's output clean."""

        super().__init__(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()

    @property
    def url(self) -> Secret:
        return Secret(f"json://127.0.0.1:{self.server_port}/hook")


@pytest.fixture
def hook() -> Iterator[Hook]:
    server = Hook()
    yield server
    server.hold.set()
    server.shutdown()
    server.server_close()


@pytest.fixture
def ringer() -> Iterator[Ringer]:
    one = Ringer()
    yield one
    one.close()


def until(condition: Callable[[], bool], seconds: float = 20.0) -> None:
    """Wait until something is so; fails after a deadline far beyond what it takes."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.01)


def script(tmp_path: Path, name: str, body: str) -> tuple[str, ...]:
    path = tmp_path / name
    path.write_text(textwrap.dedent(body))
    return (sys.executable, str(path))


# ---- bells ----


def test_apprise_bell_delivers_title_and_text(hook: Hook, ringer: Ringer) -> None:
    """A web hook gets both."""
    bell = make_bells_of(ringer, BellConfig("phone", hook.url))["phone"]
    assert bell.ring(CALL) == Answer(Outcome.DELIVERED)
    assert (hook.got[0]["title"], hook.got[0]["message"]) == (CALL.title, CALL.body)


@pytest.mark.parametrize(("status", "outcome"), [(404, "refused"), (403, "refused"), (429, "retry"), (500, "retry"), (503, "retry")])
def test_answer_says_whether_another_try_can_help(hook: Hook, ringer: Ringer, status: int, outcome: str) -> None:
    """RFC 9110 section 15.5: most client errors will be the same again."""
    hook.status = status
    answer = make_bells_of(ringer, BellConfig("phone", hook.url))["phone"].ring(CALL)
    assert answer.outcome == outcome
    assert str(status) in answer.text


def test_bell_that_nobody_answers_is_tried_again(ringer: Ringer) -> None:
    """A closed port is a network that may come back."""
    answer = make_bells_of(ringer, BellConfig("phone", Secret("json://127.0.0.1:1/hook")))["phone"].ring(CALL)
    assert answer.outcome is Outcome.RETRY


def test_hung_service_is_ended_and_the_next_call_is_served(hook: Hook, ringer: Ringer) -> None:
    """A service that never answers costs its timeout and no more."""
    bell = make_bells_of(ringer, BellConfig("phone", hook.url, timeout=SECOND))["phone"]
    bell.ring(CALL)
    hook.hold.clear()
    assert bell.ring(CALL).outcome is Outcome.RETRY
    hook.hold.set()
    assert bell.ring(CALL).outcome is Outcome.DELIVERED


def test_ringing_does_not_load_apprise_into_this_process(hook: Hook, ringer: Ringer) -> None:
    """The service stays small: a process of its own carries it."""
    check = "import sys, monitor.alarms.courier, monitor.alarms.bells, monitor.config_load; sys.exit('apprise' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", check], cwd=os.getcwd(), check=False).returncode == 0


def test_addresses_are_told_apart(ringer: Ringer) -> None:
    """Readable, of an unknown kind, incomplete, none at all."""
    told = check_addresses(["json://127.0.0.1/x", "carrier-pigeon://loft", "mailto://", "0171-555"])
    assert told[0] == ""
    assert "starts with carrier-pigeon://, which Apprise does not know" in told[1]
    assert "mailto:// address is incomplete or malformed" in told[2]
    assert "has no scheme" in told[3]


def test_program_gets_the_text_on_standard_input_and_no_shell(tmp_path: Path) -> None:
    """What looks like a command in a lot's name is text; secrets of our environment stay here."""
    os.environ["LARDERER_TEST_SECRET"] = "hush"
    out = tmp_path / "out.json"
    program = script(
        tmp_path, "bell.py",
        f"""
        import json, os, sys
        json.dump({{"text": sys.stdin.read(), "arguments": sys.argv[1:], "names": sorted(os.environ)}}, open({str(out)!r}, "w"))
        """,
    )  # fmt: skip
    bell = ProgramBell(BellConfig("horn", program=(*program, "; touch /tmp/x")))
    assert bell.ring(CALL._replace(body="$(reboot); `id` 91.4 °F")).outcome is Outcome.DELIVERED
    del os.environ["LARDERER_TEST_SECRET"]
    got = json.loads(out.read_text())
    assert got["text"] == "CRITICAL A1\n$(reboot); `id` 91.4 °F\n"
    assert got["arguments"] == ["; touch /tmp/x"]
    assert "LARDERER_MESSAGE" in got["names"]
    assert "LARDERER_TEST_SECRET" not in got["names"]


@pytest.mark.parametrize(("status", "outcome"), [(1, Outcome.RETRY), (75, Outcome.RETRY), (67, Outcome.REFUSED)])
def test_program_says_by_its_exit_status_what_became_of_it(tmp_path: Path, status: int, outcome: Outcome) -> None:
    """The last line of its standard error is the reason."""
    program = script(tmp_path, "bell.py", f"import sys; sys.stderr.write('no dial tone'); sys.exit({status})")
    answer = ProgramBell(BellConfig("horn", program=program)).ring(CALL)
    assert answer.outcome is outcome
    assert answer.text.endswith(f"ended with status {status} no dial tone")


def test_program_that_hangs_is_ended_with_its_children(tmp_path: Path) -> None:
    """A grandchild that holds the pipe would hold the courier's thread."""
    program = script(tmp_path, "bell.py", "import subprocess; subprocess.run(['sleep', '60'])")
    answer = ProgramBell(BellConfig("horn", program=program, timeout=SECOND)).ring(CALL)
    assert answer == Answer(Outcome.RETRY, f"{sys.executable} did not end within 1 s")


def test_program_that_is_not_there_is_refused() -> None:
    """Another way is needed at once."""
    assert ProgramBell(BellConfig("horn", program=("/nonexistent/horn",))).ring(CALL).outcome is Outcome.REFUSED


def test_topic_bell_switches_on_and_off_and_waits_for_its_broker(ringer: Ringer) -> None:
    """The payloads are those configured; without a broker it is tried again."""
    sent: list[tuple[str, str]] = []
    config = BellConfig("siren", topic="ferncliff/siren", on="1", off="0")

    def broken(_topic: str, _payload: str, _timeout_s: float) -> None:
        raise ConnectionError("not connected")

    assert make_bells_of(ringer, config)["siren"].ring(CALL).outcome is Outcome.RETRY
    assert make_bells_of(ringer, config, broken)["siren"].ring(CALL).outcome is Outcome.RETRY
    bell = make_bells_of(ringer, config, lambda topic, payload, _t: sent.append((topic, payload)))["siren"]
    for kind in ("alarm", "quiet"):
        assert bell.ring(CALL._replace(kind=kind)).outcome is Outcome.DELIVERED
    assert sent == [("ferncliff/siren", "1"), ("ferncliff/siren", "0")]


def test_bells_test_rings_each_bell_and_says_how_it_answered(hook: Hook, tmp_path: Path, bench) -> None:
    """A siren goes on and off again; an unknown name is told which there are."""
    sent: list[str] = []
    bells = (BellConfig("phone", hook.url), BellConfig("horn", program=("/nonexistent",)), BellConfig("siren", topic="s"))
    config = replace(bench.config, bells=bells)
    results = ring_test(config, publish=lambda _topic, payload, _t: sent.append(payload), site="Ferncliff Yard Smokehouse")
    assert [(r.bell, r.outcome.value) for r in results] == [("phone", "delivered"), ("horn", "refused"), ("siren", "delivered")]
    assert sent == ["on", "off"]
    assert hook.got[0]["message"] == "TEST Ferncliff Yard Smokehouse. Nothing is wrong."
    (unknown,) = ring_test(config, "fone")
    assert unknown.text == "there is no bell 'fone'; there are phone, horn, siren"


def make_bells_of(ringer: Ringer, bell: BellConfig, publish: Callable[[str, str, float], None] | None = None):
    """The bells of a configuration with this one."""
    return make_bells(Config(Path("larderer.toml"), Path("plan.toml"), Path("data"), bells=(bell,)), ringer, publish)


# ---- courier ----


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
        until(lambda least=enough: len(lines()) >= least, 60)
        one.send_signal(signal.SIGKILL)
        one.wait()
        one.stdout.close()
        settled, before = marked(), len(lines())
        last_child = child(0, 0)
        if turn == rounds - 1:
            until(lambda: len(marked()) == rounds * count, 60)
        else:
            more = len(settled) + 1
            until(lambda least=more: len(marked()) >= least, 60)
        last_child.send_signal(signal.SIGKILL)
        last_child.wait()
        assert last_child.stdout is not None
        last_child.stdout.close()
        assert not settled & set(lines()[before:])
    assert set(lines()) == {f"M{n}" for n in range(1, rounds * count + 1)}
