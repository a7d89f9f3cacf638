"""Rings Apprise addresses from a process of its own, and asks the same process whether an address can be read.

Apprise and what it loads take more than half of what the whole service does, and some of its services have no time limit of
their own. In a child process they cost nothing while nothing rings, and a delivery that hangs is ended by ending the child.

The child (this file, run by path) reads one JSON object a line, `{"id", "url", "title", "body"}`, and answers
`{"id", "outcome", "text"}` in any order. Addresses travel on its standard input only: arguments can be read by
every user of the machine.
"""

from __future__ import annotations

import contextlib
import json
import logging
import re
import subprocess
import sys
import threading
from collections.abc import Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:  # the child, run by path, has none of the service's own modules beside it
    from rules.reading import Instant, Span

#: Answers that another try cannot change (RFC 9110 section 15.5), but for the four that ask to come back later.
_PASSING = (408, 421, 425, 429)
_CODE = re.compile(r"error[=: ]+(\d{3})")
_START_TIMEOUT_S = 60.0
#: A child that had nothing to ring for half an hour is ended; an alarm that stands rings again after half of that, unless told otherwise.
QUIET: Final[Span] = 30 * 60 * 1_000_000


def check_addresses(urls: Sequence[str]) -> list[str]:
    """For each address, what is wrong with it in one sentence, or "" if Apprise can read it."""
    if not urls:
        return []
    ringer = Ringer()
    try:
        return [ringer.ask({"op": "check", "url": url}, _START_TIMEOUT_S)["text"] for url in urls]
    except (OSError, FutureTimeout, EOFError) as error:
        return [f"its address could not be checked ({type(error).__name__}); see that Apprise is installed" for _ in urls]
    finally:
        ringer.close()


class Ringer:
    """The parent's side: one child, started at the first delivery and again after it was ended."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._child: subprocess.Popen[str] | None = None
        self._waiting: dict[int, Future[dict[str, Any]]] = {}
        self._number = 0
        #: The last question that `rest` knew of, and when it saw it.
        self._rested: tuple[int, Instant] = (0, 0)

    def ring(self, url: str, title: str, body: str, timeout_s: float) -> tuple[str, str]:
        """Deliver one message; (outcome, text) with outcome delivered, retry or refused. Never longer than the timeout."""
        try:
            answer = self.ask({"op": "ring", "url": url, "title": title, "body": body, "timeout_s": timeout_s}, timeout_s)
        except FutureTimeout:
            # Only ending the process ends a hung delivery. What else was under way there is tried again (at least once).
            self.close()
            return "retry", f"no answer within {timeout_s:g} s"
        except (OSError, EOFError):
            return "retry", "the ringing process ended; it is started again"
        return str(answer["outcome"]), str(answer["text"])

    def ask(self, question: dict[str, Any], timeout_s: float) -> dict[str, Any]:
        """One question to the child and its answer; raises FutureTimeout, OSError or EOFError."""
        future: Future[dict[str, Any]] = Future()
        with self._lock:
            fresh = self._child is None or self._child.poll() is not None
            child = self._start() if fresh else self._child
            self._number += 1
            number = self._number
            self._waiting[number] = future
            assert child is not None
            assert child.stdin is not None
            child.stdin.write(json.dumps({**question, "id": number}) + "\n")
            child.stdin.flush()
        try:
            # The import of Apprise by a fresh child is not held against the bell.
            return future.result(timeout_s + (_START_TIMEOUT_S if fresh else 0.0))
        finally:
            with self._lock:
                self._waiting.pop(number, None)

    def rest(self, now: Instant) -> None:
        """End a child that has had nothing to do for `QUIET`. Called each second; `now` is of any one clock that goes on steadily."""
        with self._lock:
            number, since = self._rested
            if self._waiting or number != self._number:
                self._rested = self._number, now
                return
            if self._child is None or now - since < QUIET:
                return
            child, self._child = self._child, None
        _end(child)

    def close(self) -> None:
        """End the child; a later delivery starts another."""
        with self._lock:
            child, self._child = self._child, None
        if child is not None:
            _end(child)

    def _start(self) -> subprocess.Popen[str]:
        self._child = subprocess.Popen(
            [sys.executable, "-I", __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            encoding="utf-8",
        )
        threading.Thread(target=self._listen, args=(self._child,), name="ringer", daemon=True).start()
        return self._child

    def _listen(self, child: subprocess.Popen[str]) -> None:
        assert child.stdout is not None
        with child.stdout as lines:
            for line in lines:
                answer = json.loads(line)
                with self._lock:
                    future = self._waiting.get(answer["id"])
                if future is not None and not future.done():
                    future.set_result(answer)
        with self._lock:
            if self._child is child or self._child is None:
                left, self._waiting = list(self._waiting.values()), {}
            else:
                left = []
        for future in left:
            if not future.done():
                future.set_exception(EOFError("the ringing process ended"))


def _end(child: subprocess.Popen[str]) -> None:
    child.kill()
    child.wait()
    with contextlib.suppress(OSError):
        if child.stdin is not None:
            child.stdin.close()


class _Heard(logging.Handler):
    """What Apprise said while it delivered, by thread: its answer alone is only yes or no."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.said = threading.local()

    def emit(self, record: logging.LogRecord) -> None:
        lines = getattr(self.said, "lines", None)
        if lines is not None:
            lines.append(record.getMessage())


def _answer(question: dict[str, Any], heard: _Heard) -> dict[str, Any]:
    """What the child answers to one question."""
    from apprise import Apprise

    heard.said.lines = []
    target = Apprise.instantiate(question["url"], suppress_exceptions=True)
    if target is None:
        scheme = question["url"].split(":", 1)[0] if "://" in question["url"] else ""
        return {"id": question["id"], "outcome": "refused", "text": _unreadable(scheme, Apprise)}
    if question["op"] == "check":
        return {"id": question["id"], "outcome": "delivered", "text": ""}
    # Apprise bounds connecting and reading each; half the time for either keeps one delivery inside the whole.
    target.socket_connect_timeout = target.socket_read_timeout = max(0.5, question["timeout_s"] / 2)
    try:
        done = bool(target.notify(body=question["body"], title=question["title"]))
    except Exception as error:  # noqa: BLE001  # any of a hundred services' own errors; the message is tried again
        return {"id": question["id"], "outcome": "retry", "text": f"{type(error).__name__} in the bell's service"}
    if done:
        return {"id": question["id"], "outcome": "delivered", "text": ""}
    text = heard.said.lines[-1] if heard.said.lines else "the service did not take it"
    codes = [int(code) for line in heard.said.lines for code in _CODE.findall(line)]
    refused = any(400 <= code < 500 and code not in _PASSING for code in codes)
    return {"id": question["id"], "outcome": "refused" if refused else "retry", "text": text[:200]}


def _unreadable(scheme: str, apprise: Any) -> str:
    known = {
        schema for service in apprise().details()["schemas"] for key in ("protocols", "secure_protocols") for schema in service[key] or ()
    }
    if not scheme:
        return "its address has no scheme; write an Apprise address, such as json://host/path or mailto://…"
    if scheme not in known:
        return f"its address starts with {scheme}://, which Apprise does not know; write an Apprise address, such as json://host/path or mailto://…"
    return f"its {scheme}:// address is incomplete or malformed; see Apprise's page on {scheme} for its parts"


def main() -> None:
    """The child: a thread for each question, until standard input ends."""
    heard, lock = _Heard(), threading.Lock()
    logging.getLogger("apprise").addHandler(heard)

    def work(question: dict[str, Any]) -> None:
        try:
            answer = _answer(question, heard)
        except Exception as error:  # noqa: BLE001  # an unanswered question would hold its asker for the whole timeout
            answer = {"id": question["id"], "outcome": "retry", "text": f"{type(error).__name__} in the ringing process"}
        with lock:
            print(json.dumps(answer), flush=True)

    for line in sys.stdin:
        threading.Thread(target=work, args=(json.loads(line),), daemon=True).start()


if __name__ == "__main__":
    main()
