"""Readings per second through the engine, one lethality and one cooling watch per probe, against a bare Python loop.

The bare loop runs over two prebuilt lists of times and temperatures and does, per reading, one difference, one
`math.exp`, one multiply-add and one comparison, nothing else. Both run in turn in one process; the best of each counts.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable, Iterator

from rules.engine import Engine
from rules.plan import Plan
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import HOUR, SECOND, LotEvent, Reading
from tests.bench import steady
from tests.bench.figures import Figure

AIM = 8.0
ROUNDS = 7
PROBES = 4
_PLAN = """
[site]
id = "bench"
name = "Bench, an invented site"
timezone = "UTC"
unit = "F"
books = ["us-inspected-2021"]

{probes}

[[product]]
code = "links"
name = "Links"
species = "meat"
cured = true

[[product.step]]
name = "cook"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
place = "core"
book = "us-inspected-2021/meat-6.5-log"

[[product.step]]
name = "chill"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
place = "core"
book = "us-inspected-2021/cooling-option-1"
confirmed = "the bench, against nothing: no verdict of it counts"
"""


def plan() -> Plan:
    """The 31 rows of the meat table and the windows of cooling option 1, on each of some core probes."""
    probe = '[[probe]]\nid = "core-{}"\nplace = "core"\nuncertainty = "0.5 °F"\n'
    return load_plan(_PLAN.format(probes="\n".join(probe.format(n) for n in range(PROBES))), "bench")


def curve(seconds: int, seed: int = 1) -> Iterator[float]:
    """A cook and a chill in °F, one value a second: six tenths rising to 129, then through the table's rows, held, and cooled."""
    draw = random.Random(seed)
    for n in range(seconds):
        x = n / seconds
        if x < 0.6:
            value = 35.0 + 94.0 * x / 0.6
        elif x < 0.7:
            value = 129.0 + 23.0 * (x - 0.6) / 0.1
        else:
            value = 33.0 + 119.0 * math.exp(-(x - 0.7) * 14.0)
        yield round(value + draw.gauss(0.0, 0.1), 1)


def stream(length_s: int) -> list[Reading]:
    """The readings of all probes in order of time."""
    curves = [list(curve(length_s, seed)) for seed in range(PROBES)]
    names = [f"core-{n}" for n in range(PROBES)]
    return [Reading(names[p], t * SECOND, fahrenheit(curves[p][t])) for t in range(length_s) for p in range(PROBES)]


def engine(readings: list[Reading]) -> tuple[float, float, Engine]:
    """Seconds for the whole lot, and for its first half, in which both watches of every probe are open."""
    one = Engine(plan())
    one.feed(LotEvent(0, "start", "L", "links"))
    for n in range(PROBES):
        one.feed(LotEvent(0, "place", "L", f"core-{n}"))
    feed, middle = one.feed, len(readings) // 2
    first, second = readings[:middle], readings[middle:]
    begun = time.perf_counter()
    for reading in first:
        feed(reading)
    half = time.perf_counter()
    for reading in second:
        feed(reading)
    return time.perf_counter() - begun, half - begun, one


def bare(times: list[float], values: list[float]) -> float:
    """Seconds of the bare loop."""
    exp = math.exp
    total, last, over = 0.0, times[0], 0
    begun = time.perf_counter()
    for at, celsius in zip(times, values, strict=True):
        length = at - last
        last = at
        total += exp((celsius - 65.0) * 0.4) * length
        if total > 1e300:
            over += 1
    return time.perf_counter() - begun


def run(say: Callable[[str], None]) -> list[Figure]:
    """The engine's figures."""
    readings = stream(int(10 * HOUR / SECOND))
    times, values = [r.at / SECOND for r in readings], [r.celsius for r in readings]
    middle = len(readings) // 2
    whole, half, loop, loop_half = [], [], [], []
    for n in range(ROUNDS):
        loop.append(bare(times, values))
        loop_half.append(bare(times[:middle], values[:middle]))
        seconds, first, judged = engine(readings)
        whole.append(seconds)
        half.append(first)
        say(f"engine {n + 1}/{ROUNDS}: {seconds:.2f} s, bare {loop[-1]:.3f} s")
    report = judged.report()["lots"][0]
    verdicts = {watch["verdict"] for limit in report["limits"] for watch in limit["watches"]}
    count = len(readings)

    def figure(what: str, ours: list[float], theirs: list[float], items: int, aim: float | None) -> Figure:
        measured = f"{items / min(ours):,.0f} readings/s; bare loop {items / min(theirs):,.0f}"
        return Figure(what, measured, min(ours) / min(theirs), aim)

    say(f"engine: verdicts reached {', '.join(sorted(verdicts))}")
    return [
        figure("engine, a whole lot of 10 h, a reading a second from each of 4 probes", whole, loop, count, AIM),
        figure("engine, the part in which both watches of each probe are open", half, loop_half, middle, AIM),
        *steady.run(say),
    ]
