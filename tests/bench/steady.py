"""What a reading costs as lots grow: on day 30 against hour 1, with many probes against few, with the rules across probes against none."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator

from rules.engine import Engine
from rules.plan_load import load_plan
from rules.quantity import fahrenheit
from rules.reading import MINUTE, SECOND, LotEvent, Reading
from tests.bench.figures import Figure

ROUNDS = 5
CHUNK = 20_000  # readings that are timed together
DAYS = 30
_SITE = '[site]\nid = "bench"\nname = "Bench, an invented site"\nunit = "F"\n[[room]]\nid = "house"\nkind = "chamber"\n'
_STEP = """[[product]]
code = "links"
[[product.step]]
name = "cook"
room = "house"
[[product.step.limit]]
name = "lethality"
kind = "lethality"
rows = [{ at = "140 °F", for = "12 min" }, { at = "145 °F", for = "4 min" }]
[[product.step]]
name = "chill"
room = "house"
[[product.step.limit]]
name = "stabilization"
kind = "cooling"
start = "130 °F"
windows = [{ to = "80 °F", within = "90 min" }]
"""


def engine(cores: int, air: int = 0, stuck: bool = False) -> Engine:
    """A lot with so many cores placed, in a room with so many chamber probes."""
    still = 'stuck_after = "30 min"\n' if stuck else ""
    probes = "".join(f'[[probe]]\nid = "core-{n}"\nplace = "core"\nuncertainty = "0.5 °F"\n{still}' for n in range(cores))
    probes += "".join(f'[[probe]]\nid = "air-{n}"\nplace = "chamber"\nroom = "house"\n' for n in range(air))
    one = Engine(load_plan(_SITE + probes + _STEP))
    one.feed(LotEvent(0, "start", "L", "links"))
    for n in range(cores):
        one.feed(LotEvent(0, "place", "L", f"core-{n}"))
    return one


def readings(names: list[str], every: int, first: int, count: int, seed: int = 1) -> Iterator[Reading]:
    """Readings of all probes by turns, each about its own temperature: cores at 60 °F, the chamber at 120."""
    draw = random.Random(seed)
    for n in range(first, first + count):
        name = names[n % len(names)]
        base = 120.0 if name.startswith("air") else 60.0
        yield Reading(name, n // len(names) * every, fahrenheit(round(base + draw.gauss(0.0, 0.3), 1)))


def timed(one: Engine, rows: list[Reading]) -> float:
    """Seconds a reading."""
    feed = one.feed
    begun = time.perf_counter()
    for row in rows:
        feed(row)
    return (time.perf_counter() - begun) / len(rows)


def long_lot() -> tuple[float, float]:
    """Seconds a reading in the first hours and at the end of 30 days, four probes every ten seconds."""
    names = [f"core-{n}" for n in range(4)]
    one = engine(4)
    total = DAYS * 24 * 60 * 6 * len(names)
    early = late = float("inf")
    first = 0
    while first < total:
        rows = list(readings(names, 10 * SECOND, first, CHUNK, first))
        seconds = timed(one, rows)
        first += CHUNK
        if first <= ROUNDS * CHUNK:
            early = min(early, seconds)
        elif first > total - ROUNDS * CHUNK:
            late = min(late, seconds)
    return early, late


def best(cores: int, air: int = 0, stuck: bool = False) -> float:
    """Seconds a reading of the cores, a reading a second from every probe."""
    names = [f"core-{n}" for n in range(cores)] + [f"air-{n}" for n in range(air)]
    found = []
    for n in range(ROUNDS):
        one = engine(cores, air, stuck)
        rows = list(readings(names, SECOND, 0, CHUNK * 2, n))
        timed(one, [r for r in rows if r.at < MINUTE])
        found.append(timed(one, [r for r in rows if r.at >= MINUTE]))
    return min(found)


def run(say: Callable[[str], None]) -> list[Figure]:
    """The figures, as ratios."""

    def figure(what: str, ours: float, theirs: float, aim: float) -> Figure:
        return Figure(what, f"{ours * 1e6:.2f} µs a reading; {theirs * 1e6:.2f}", ours / theirs, aim)

    early, late = long_lot()
    say("engine: 30 days judged")
    few, many = best(4), best(64)
    say("engine: 4 and 64 probes judged")
    doubted = best(4, air=2, stuck=True)
    beside = best(4, air=2)
    return [
        figure("a reading at the end of a lot of 30 days; in its first hours", late, early, 1.2),
        figure("a reading with 64 probes in the lot; with 4", many, few, 1.3),
        figure("a reading with two chamber probes beside four cores; with the cores alone", beside, few, 1.3),
        figure("the same, every core with stuck_after; without", doubted, beside, 2.5),
    ]
