"""A child process of a bench: the real service on loopback, with a lot being judged, or the bare thing it is held against.

Run as `python -m tests.bench.served KIND FOLDER`; the first line it prints is JSON and says where it listens. It ends when
its standard input is closed.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
#: Who looks at the page of the bench.
PERSON, SECRET = "Odile Marsh", "juniper-9"


class Child:
    """A started child: what its first line said, and what it says when asked."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        assert process.stdout is not None
        line = process.stdout.readline()
        if not line:
            raise RuntimeError(f"the child ended with {process.wait()} before it said where it listens")
        self.said: dict[str, Any] = json.loads(line)

    def ask(self, question: str) -> Any:
        """One question, one line of JSON as the answer."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(question + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())


@contextmanager
def child(kind: str, folder: Path, *arguments: str) -> Iterator[Child]:
    """Run this module in a process of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.served", kind, str(folder), *arguments],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    try:
        yield Child(process)
    finally:
        assert process.stdin is not None
        process.stdin.close()
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        assert process.stdout is not None
        process.stdout.close()


def resident_mb(pid: int | str = "self") -> float:
    """Resident memory of a process in megabytes (10**6 bytes), as /proc tells it (proc(5), VmRSS)."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) * 1024 / 1e6
    return 0.0


def answer_until_closed(answers: dict[str, Callable[[], Any]], end: Callable[[], None]) -> None:
    """Answer questions on standard input; when it is closed, end."""

    def listen() -> None:
        for line in sys.stdin:
            print(json.dumps(answers[line.strip()]()), flush=True)
        end()

    threading.Thread(target=listen, daemon=True).start()


# ---- the bare things -------------------------------------------------------------------------------------------------


def bare_endpoint() -> None:
    """The bare FastAPI endpoint, on a free port."""
    import uvicorn

    from tests.bench.bare import app

    config = uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning", access_log=False)
    server = uvicorn.Server(config)

    def tell() -> None:
        while not server.started:
            time.sleep(0.01)
        print(json.dumps({"port": server.servers[0].sockets[0].getsockname()[1], "token": ""}), flush=True)

    threading.Thread(target=tell, daemon=True).start()
    answer_until_closed({}, lambda: setattr(server, "should_exit", True))
    asyncio.run(server.serve())


def bare_subscriber(port: int) -> None:
    """A paho subscriber at QoS 1 that parses each message and counts it."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    count = [0]
    ready = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, "bench-bare")

    def message(_client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        json.loads(message.payload)
        count[0] += 1

    client.on_message = message
    client.on_connect = lambda c, *_: c.subscribe("larderer/bench/probe/+/reading", qos=1)
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    ready.wait(20)
    ended = threading.Event()
    print(json.dumps({}), flush=True)
    answer_until_closed({"count": lambda: count[0]}, ended.set)
    ended.wait()
    client.disconnect()
    client.loop_stop()


# ---- the service -----------------------------------------------------------------------------------------------------


def service(folder: Path, mqtt_port: int = 0, bell: str = "") -> None:
    """The real service, one lot in its cook with a probe for each sender, and rooms with a ceiling each where a bell is given."""
    from monitor import people
    from monitor.commands.run import spare_what_stands
    from monitor.config import load_config
    from monitor.service import Service
    from rules.reading import LotEvent
    from tests.bench.site import SENDERS, write_site

    one = Service(load_config(write_site(folder, mqtt_port=mqtt_port, bell=bell)))
    one.start()
    now = one.clock()
    token = one.writer.submit(lambda conn: people.add_device(conn, "bench", "probe", now)).result()
    one.writer.submit(lambda conn: people.add_person(conn, PERSON, "reviewer", now, secret=SECRET)).result()
    entries = [LotEvent(now, "start", "L", "links"), *(LotEvent(now, "place", "L", f"core-{n}") for n in range(SENDERS))]
    for entry in entries:
        one.writer.submit(lambda conn, entry=entry: one.pipeline.event(conn, entry)).result()
    one.without_engine(spare_what_stands)  # as `larderer run` does

    def tell() -> None:
        while not one.answering or not all(one.sources.get(d.name) for d in one.drivers):
            time.sleep(0.01)
        print(json.dumps({"port": one.bound_port(), "token": token}), flush=True)

    def count() -> int:
        return sum(n for what, n in one.intake.counts.items() if what not in ("lost", "turned-away"))

    threading.Thread(target=tell, daemon=True).start()
    answer_until_closed(
        {"count": count, "counts": lambda: dict(one.intake.counts), "commits": lambda: one.writer.commits, "memory": resident_mb}, one.stop
    )
    one.run_server()


def made_store(folder: Path) -> None:
    """Make the site and its tables; how much memory that took, Alembic with it, which stays loaded until the next start."""
    from monitor.config import load_config
    from monitor.demo.site import write_site
    from monitor.service import Service

    one = Service(load_config(write_site(folder, page=0, broker=1, phone=9)), drivers=[])
    print(json.dumps({"mb": resident_mb()}), flush=True)
    one.close()


def simulated_day(folder: Path) -> None:
    """The service through the whole simulated day, flat out, its page asked for now and then; then how much memory it holds."""
    from monitor import people
    from monitor.config import load_config
    from monitor.demo.day import START
    from monitor.demo.people import Cast
    from monitor.demo.site import ODILE, Phones, write_site
    from monitor.demo.story import Player, StoryClock
    from monitor.service import Service
    from probes.simulator import Simulator
    from tests.bench.figures import children

    clock = StoryClock(START)
    rung: list[str] = []
    phones = Phones(lambda bell, _title, _body: rung.append(bell))
    phones.start()
    one = Service(load_config(write_site(folder, page=0, broker=1, phone=phones.port)), clock=clock, drivers=[], tick_s=0.1)
    start_mb = resident_mb()
    one.start()
    one.writer.submit(lambda conn: people.set_secret(conn, ODILE, "123456", clock(), by="bench")).result()
    cast = Cast(one, lambda _text: None)
    server = threading.Thread(target=one.run_server, daemon=True)
    server.start()

    def durable() -> int:
        counts = dict(one.intake.counts)
        return sum(counts.values()) - counts.get("duplicate", 0)

    begun = time.monotonic()
    player = Player(Simulator("ferncliff-day", 1, START), clock, one.intake.readings, durable, cast.act, cast.look)
    done = player.play()
    told = {
        "done": done,
        "readings": player.sent,
        "seconds": time.monotonic() - begun,
        "start_mb": start_mb,
        "mb": resident_mb(),
        "children_mb": sum(map(resident_mb, children())),
        "rung": len(rung),
    }
    one.stop()
    server.join(30)
    phones.close()
    print(json.dumps(told), flush=True)


def main() -> None:
    """One kind of child."""
    from monitor.commands.run import log_to_stderr
    from monitor.memory import keep_little, load_little

    keep_little()  # as `larderer run` does
    load_little()
    log_to_stderr(logging.ERROR)  # standard output is for the answers
    kind, folder, *rest = sys.argv[1:]
    if kind == "bare-endpoint":
        bare_endpoint()
    elif kind == "bare-subscriber":
        bare_subscriber(int(rest[0]))
    elif kind == "service":
        service(Path(folder), int(rest[0]) if rest else 0, rest[1] if len(rest) > 1 else "")
    elif kind == "store":
        made_store(Path(folder))
    elif kind == "day":
        simulated_day(Path(folder))
    else:
        raise SystemExit(f"no such child: {kind}")


if __name__ == "__main__":
    main()
