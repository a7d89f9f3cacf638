"""Bells with real parts: a web server, programs, a topic."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from monitor.alarms.bells import Answer, Call, Outcome, ProgramBell, make_bells, ring_test
from monitor.alarms.ringer import QUIET, Ringer, check_addresses
from monitor.config import BellConfig, Config, Secret
from rules.reading import SECOND
from tests.bench.figures import children
from tests.monitor.alarms.programs import script
from tests.waiting import until

CALL = Call("M1", "alarm", "critical", "CRITICAL A1", "CRITICAL A1: limit not met, J-0412")


class Hook(ThreadingHTTPServer):
    """A web hook on loopback that keeps what it was sent and answers as it is told."""

    daemon_threads = True

    def __init__(self) -> None:
        self.got: list[dict[str, str]] = []
        self.status = 200
        self.asked = 0
        self.hold = threading.Event()
        self.hold.set()
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                hook.asked += 1
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


def test_process_that_rings_ends_after_half_an_hour_of_quiet_and_comes_back(hook: Hook, ringer: Ringer) -> None:
    """A delivery begins the half hour anew; the next call finds another process and is delivered."""
    bell = make_bells_of(ringer, BellConfig("phone", hook.url))["phone"]
    before = children()
    ringer.rest(0)
    assert children() == before
    bell.ring(CALL)
    first = children()
    assert len(first - before) == 1
    ringer.rest(0)
    ringer.rest(QUIET - 1)
    bell.ring(CALL)
    ringer.rest(QUIET)
    ringer.rest(2 * QUIET - 1)
    assert children() == first
    ringer.rest(2 * QUIET)
    assert children() == before
    ringer.rest(2 * QUIET + SECOND)
    assert bell.ring(CALL).outcome is Outcome.DELIVERED
    assert len(children() - before - first) == 1
    assert len(hook.got) == 3


def test_process_is_not_ended_under_a_delivery_however_long_it_takes(hook: Hook, ringer: Ringer) -> None:
    """A service that is slow to answer is waited for as long as the bell's own timeout says."""
    bell = make_bells_of(ringer, BellConfig("phone", hook.url))["phone"]
    bell.ring(CALL)
    hook.hold.clear()
    with ThreadPoolExecutor(1) as pool:
        under_way = pool.submit(bell.ring, CALL)
        until(lambda: hook.asked == 2, "the delivery under way")
        ringer.rest(0)
        ringer.rest(3 * QUIET)
        hook.hold.set()
        assert under_way.result(20).outcome is Outcome.DELIVERED


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
