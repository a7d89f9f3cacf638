"""What the demo needs around the service: a data folder with its configuration, a broker, and two telephones.

All of it listens on loopback only and ends with the demo.
"""

from __future__ import annotations

import asyncio
import http.server
import json
import socket
import threading
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

from monitor.errors import DemoError

ODILE, TAM = "Odile Marsh", "Tam Okafor"
#: Who answers which telephone.
PHONES: Mapping[str, str] = {"odile-phone": ODILE, "tam-phone": TAM}
_START_S = 20.0

_CONFIG = """\
# The demonstration's own configuration: everything on this machine, nothing reaches a real telephone.
plan = "plan.toml"
data = "data"

[server]
host = "127.0.0.1"
port = {page}
public_url = "http://127.0.0.1:{page}"

[mqtt]
host = "127.0.0.1"
port = {broker}

[[bell]]
id = "odile-phone"
url = "json://127.0.0.1:{phone}/odile-phone"

[[bell]]
id = "tam-phone"
url = "json://127.0.0.1:{phone}/tam-phone"

[[person]]
name = "Odile Marsh"
role = "operator"
bells = ["odile-phone"]

[[person]]
name = "Tam Okafor"
role = "reviewer"
bells = ["tam-phone"]

[[escalation]]
after = "0 min"
persons = ["Odile Marsh"]

[[escalation]]
after = "10 min"
persons = ["Tam Okafor"]
at_least = "high"
"""


def demo_plan() -> str:
    """The plan of Ferncliff Yard, an invented site, as it lies in the package."""
    return files("monitor.demo").joinpath("plan.toml").read_text(encoding="utf-8")


def write_site(folder: Path, *, page: int, broker: int, phone: int) -> Path:
    """Write plan and configuration into `folder`; the path of the configuration."""
    (folder / "plan.toml").write_text(demo_plan(), encoding="utf-8")
    config = folder / "larderer.toml"
    config.write_text(_CONFIG.format(page=page, broker=broker, phone=phone), encoding="utf-8")
    return config


def free_port(wanted: int = 0) -> int:
    """`wanted` if nobody listens there, else a port that is free."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise DemoError("this machine has no free port left on 127.0.0.1; end another program and try again")


class Broker:
    """An MQTT broker in this process, on a free port of loopback, in a thread of its own."""

    def __init__(self) -> None:
        self.port = free_port()
        self._up, self._stop, self._why = threading.Event(), threading.Event(), ""
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def start(self) -> None:
        """Start it and wait until it answers; DemoError where it does not."""
        self._thread.start()
        if not self._up.wait(_START_S) or self._why:
            raise DemoError(f"the broker of the demo did not start on port {self.port} ({self._why or 'no answer'}); try again")

    def close(self) -> None:
        """Stop it."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_START_S)

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as error:  # the thread's last word, told by `start`
            self._why = f"{type(error).__name__}: {error}"
            self._up.set()
            if not self._stop.is_set():
                raise

    async def _serve(self) -> None:
        from amqtt.broker import Broker as Amqtt

        listener = {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}
        plugins = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
        broker = Amqtt({"listeners": {"default": listener}, "plugins": plugins})
        await broker.start()
        self._up.set()
        while not self._stop.is_set():
            await asyncio.sleep(0.05)
        await broker.shutdown()


class Phones:
    """Two telephones: what Apprise posts to them is handed to `ring(bell, title, body)`."""

    def __init__(self, ring: Callable[[str, str, str], None]) -> None:
        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                try:
                    message: Any = json.loads(body)
                    ring(self.path.strip("/"), str(message["title"]), str(message["message"]))
                except (ValueError, KeyError, TypeError):
                    self.send_error(400, "not a message")
                    return
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                """Say nothing: the demo tells what came."""

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), name="phones", daemon=True)

    def start(self) -> None:
        """Switch them on."""
        self._thread.start()

    def close(self) -> None:
        """Switch them off."""
        if self._thread.is_alive():
            self._server.shutdown()
            self._thread.join(_START_S)
        self._server.server_close()
