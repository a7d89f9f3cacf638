"""Durable readings over HTTP, 1 and 100 a request, against two bare FastAPI endpoints: one only reads the JSON, one declares its type.

The second is what "a bare FastAPI endpoint" says: whoever writes one declares what its body is, and gets it checked and described;
the first is less than that, a parser behind a server, and is printed beside it.

The same sender, in this process, speaks to each of them in turn over the same number of kept-open connections. The
service answers a request once its readings are on the disk, judged, and every finding with them.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.bench.figures import Figure, cpu_s
from tests.bench.served import child
from tests.bench.site import SENDERS

AIM_BATCHED = 3.0
PATHS = {"ours": "/api/v1/readings", "bare": "/api/v1/readings", "typed": "/api/v1/typed"}
ROUNDS = 12
SECONDS = 1.0
#: So near that no sender gets ahead of the clock: its readings of the next round would be late, and judged twice.
APART_S = 0.0001


def body(sender: int, first: int, count: int, now_s: float) -> bytes:
    """A push of `count` readings of one probe, `APART_S` apart, ending about now."""
    items = [
        {"probe": f"core-{sender}", "value": 20.0 + (first + n) % 100 / 10, "time": round(now_s + (n - count) * APART_S, 6)}
        for n in range(count)
    ]
    return json.dumps(items if count > 1 else items[0]).encode()


async def sender(number: int, port: int, token: str, count: int, until: float, path: str) -> int:
    """Push until the time is over, each request after the answer to the one before; how many readings were answered."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    head = f"POST {path} HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {token}\r\nContent-Type: application/json\r\n"
    answered = 0
    newest = 0.0
    while time.monotonic() < until:
        newest = max(time.time(), newest + count * APART_S)
        data = body(number, answered, count, newest)
        writer.write(f"{head}Content-Length: {len(data)}\r\n\r\n".encode() + data)
        answer = await reader.readuntil(b"\r\n\r\n")
        status = answer.split(b" ", 2)[1]
        length = next(int(line.split(b":")[1]) for line in answer.lower().split(b"\r\n") if line.startswith(b"content-length"))
        text = await reader.readexactly(length)
        if status != b"200":
            raise RuntimeError(f"{status.decode()}: {text[:300].decode()}")
        answered += count
    writer.close()
    return answered


async def push(port: int, token: str, count: int, path: str = PATHS["ours"]) -> float:
    """Readings a second that were answered."""
    begun = time.monotonic()
    done = await asyncio.gather(*(sender(n, port, token, count, begun + SECONDS, path) for n in range(SENDERS)))
    return sum(done) / (time.monotonic() - begun)


def run(say: Callable[[str], None]) -> list[Figure]:
    """The figures for 1 and for 100 readings a request; both servers stay up and are spoken to in turn, the best of each counts."""
    figures = []
    for count, aim in ((1, None), (100, AIM_BATCHED)):
        rates: dict[str, list[float]] = {name: [] for name in PATHS}
        cpu: dict[str, list[float]] = {name: [] for name in PATHS}
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            with child("bare-endpoint", folder) as other, child("service", folder / "site") as one:
                for n in range(ROUNDS + 1):  # the first round warms up
                    for who, path in PATHS.items():
                        server = one if who == "ours" else other
                        before = cpu_s(server.process.pid)
                        rate = asyncio.run(push(server.said["port"], server.said["token"], count, path))
                        rates[who].append(rate)
                        cpu[who].append((cpu_s(server.process.pid) - before) / (rate * SECONDS) * 1e6)
                    now = ", ".join(f"{who} {found[-1]:,.0f}" for who, found in rates.items())
                    say(f"HTTP, {count} a request, {n}/{ROUNDS}: readings/s {now}")
        best = {who: max(found[1:]) for who, found in rates.items()}
        used = {who: min(found[1:]) for who, found in cpu.items()}
        what = f"durable, judged readings over HTTP, {count} a request, {SENDERS} connections"
        for bare, words in (("bare", "bare endpoint"), ("typed", "endpoint with a typed body")):
            measured = (
                f"{best['ours']:,.0f} readings/s; {words} {best[bare]:,.0f}; CPU {used['ours']:.0f} and {used[bare]:.1f} µs a reading"
            )
            named = what if bare == "bare" else f"{what}, against a typed body"
            figures.append(Figure(named, measured, best[bare] / best["ours"], aim))
    return figures
