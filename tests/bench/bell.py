"""From a reading that breaks a limit to the bell: a webhook on loopback through Apprise, and a local program.

Each breach is of another room, so that none is folded into the one before. Timed is from just before the reading is sent
over HTTP, which is earlier than its acceptance, to the arrival at the bell.
"""

from __future__ import annotations

import http.client
import http.server
import json
import socket
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.bench.figures import Figure, percentile
from tests.bench.served import child
from tests.bench.site import LIMIT_C, ROOMS

AIM_MS = 50.0
#: The first breaches warm up.
_WARM = 5
_PATIENCE_S = 20.0
#: The program bell: it tells the time at which it runs to a socket; `sh` and `nc` would cost more than the bell itself.
_PROGRAM = """#!/bin/sh
echo x > "{pipe}"
"""


class Ear:
    """What the bell reaches: notes when each call came."""

    def __init__(self) -> None:
        self.came: list[float] = []
        self.cond = threading.Condition()

    def rang(self) -> None:
        with self.cond:
            self.came.append(time.monotonic())
            self.cond.notify_all()

    def wait_for(self, count: int) -> float:
        with self.cond:
            if not self.cond.wait_for(lambda: len(self.came) >= count, _PATIENCE_S):
                raise TimeoutError(f"the bell rang {len(self.came)} times, {count} were due")
            return self.came[count - 1]


def webhook(ear: Ear) -> tuple[http.server.ThreadingHTTPServer, str]:
    """A small web server that stands for a telephone."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length") or 0))
            ear.rang()
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            """Say nothing."""

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    return server, f'url = "json://127.0.0.1:{server.server_address[1]}/bell"'


def program(ear: Ear, folder: Path) -> str:
    """A program that writes a byte into a named pipe which this process reads."""
    import os

    pipe, script = folder / "pipe", folder / "ring"
    os.mkfifo(pipe)
    script.write_text(_PROGRAM.format(pipe=pipe))
    script.chmod(0o755)

    def listen() -> None:
        keep = os.open(pipe, os.O_RDWR)  # kept open for writing too, so that the end of one writer is not the end of all
        while os.read(keep, 2) != b"":
            ear.rang()

    threading.Thread(target=listen, daemon=True).start()
    return f'program = ["{script}"]'


def breaches(port: int, token: str, ear: Ear) -> tuple[list[float], list[float]]:
    """Milliseconds from sending to the bell, and to the answer, for a breach in each room; the first finds nothing loaded that rings."""
    connection = http.client.HTTPConnection("127.0.0.1", port)
    connection.connect()
    connection.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    head = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    to_bell, to_answer = [], []

    def post(probe: str, value: float) -> None:
        connection.request("POST", "/api/v1/readings", json.dumps({"probe": probe, "value": value, "time": time.time()}), head)
        answer = connection.getresponse()
        text = answer.read()
        if answer.status != 200 or b'"stored"' not in text:
            raise RuntimeError(f"{answer.status} {text[:300]!r}")

    for room in range(ROOMS):
        post(f"air-{room}", LIMIT_C - 2.0)
        begun = time.monotonic()
        post(f"air-{room}", LIMIT_C + 1.0)
        answered = time.monotonic()
        came = ear.wait_for(room + 1)
        to_bell.append((came - begun) * 1000)
        to_answer.append((answered - begun) * 1000)
        time.sleep(0.02)  # the courier writes down that the message went out
    connection.close()
    return to_bell, to_answer


def run(say: Callable[[str], None]) -> list[Figure]:
    """The figures for both kinds of bell."""
    figures = []
    for name in ("a webhook through Apprise", "a local program"):
        ear = Ear()
        with tempfile.TemporaryDirectory() as text:
            folder = Path(text)
            server = None
            if name.startswith("a webhook"):
                server, way = webhook(ear)
            else:
                way = program(ear, folder)
            with child("service", folder / "site", "0", way) as one:
                all_bells, all_answers = breaches(one.said["port"], one.said["token"], ear)
            if server is not None:
                server.shutdown()
                server.server_close()
        first, bells, answers = all_bells[0], all_bells[_WARM:], all_answers[_WARM:]
        half, most = percentile(bells, 0.5), percentile(bells, 0.99)
        say(f"bell, {name}: p50 {half:.1f} ms, p99 {most:.1f} ms, most {max(bells):.1f} ms; answer p50 {percentile(answers, 0.5):.1f} ms")
        measured = f"p50 {half:.0f} ms, p99 {most:.0f} ms of {len(bells)} breaches; the first after a start or long quiet {first:.0f} ms"
        figures.append(Figure(f"breach to bell, {name}", measured, most, AIM_MS, "ms at p99"))
    return figures
