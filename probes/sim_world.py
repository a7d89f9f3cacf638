"""The simulated plant: places, bodies in them, probes on bodies or in air, and the scripts of the people who work there.

Physics advances on a fixed grid of `GRID_S` seconds from the scenario's start, whatever instants are asked for, so that the same
scenario and seed always give the same day.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import TypeAlias

from probes.sim_models import Body, Place
from rules.quantity import to_fahrenheit
from rules.reading import MINUTE, SECOND, Instant, LotEvent, Reading, Span

GRID_S = 10
GRID: Span = GRID_S * SECOND

Condition: TypeAlias = Callable[[], bool]
#: What people do: a generator that does something, then yields what it waits for.
Script: TypeAlias = Iterator[Condition]

#: Spread of one reading and of a probe's own error, °C. Invented.
NOISE_C = 0.04
BIAS_C = 0.1


class World:
    """Places, bodies, probes and people at one instant. `now` moves by whole grid steps."""

    def __init__(self, start: Instant, seed: int, operator: str) -> None:
        self.start = self.now = start
        self.operator = operator
        self.places: dict[str, Place] = {}
        self.air: dict[str, str] = {}  # fixed probe -> place
        self.core: dict[str, Body | None] = {}  # core probe -> body, None while it lies about
        self.rest_place = ""
        self._where: dict[int, tuple[Body, str]] = {}
        self._scripts: list[tuple[Script, Condition]] = []
        self._noted: list[LotEvent] = []
        self._draws: dict[str, random.Random] = {}
        self._bias: dict[str, float] = {}
        self._seed = seed

    def put(self, body: Body, place: str) -> None:
        """Bring a body to a place."""
        self._where[id(body)] = (body, place)

    def play(self, script: Script) -> None:
        """Begin a script; it runs up to its first wait at once."""
        condition = next(script, None)
        if condition is not None:
            self._scripts.append((script, condition))

    def note(self, lot: str, event: str, name: str = "", value: str = "") -> None:
        """Write down a lot event, as a person does at this instant."""
        self._noted.append(LotEvent(self.now, event, lot, name, value, None, self.operator))

    def place_probe(self, lot: str, probe: str, body: Body) -> None:
        """Put a core probe into a body and note it."""
        self.core[probe] = body
        self.note(lot, "place", probe)

    def take_probe(self, lot: str, probe: str, reason: str) -> None:
        """Take a core probe out and note why."""
        self.core[probe] = None
        self.note(lot, "remove", probe, reason)

    def check(self, lot: str, body: Body) -> None:
        """Measure a body with the handheld, which shows tenths of a degree Fahrenheit."""
        self.note(lot, "check", "core", f"{to_fahrenheit(body.core_c):.1f} °F")

    def after(self, minutes: float) -> Condition:
        """True from some minutes after now."""
        due = self.now + round(minutes * MINUTE)
        return lambda: self.now >= due

    def at(self, minutes: float) -> Condition:
        """True from some minutes after the scenario's start."""
        due = self.start + round(minutes * MINUTE)
        return lambda: self.now >= due

    def advance(self) -> list[LotEvent]:
        """One grid step: heat flows, then people whose wait is over act. Returns what they noted."""
        for place in self.places.values():
            place.step(GRID_S)
        for body, name in self._where.values():
            place = self.places[name]
            body.step(GRID_S, place.celsius, place.transfer)
        self.now += GRID
        return self.act()

    def act(self) -> list[LotEvent]:
        """Let people act at this instant, each as far as their waits allow. Returns what they noted."""
        waiting: list[tuple[Script, Condition]] = []
        for script, first in self._scripts:
            condition: Condition | None = first
            while condition is not None and condition():
                condition = next(script, None)
            if condition is not None:
                waiting.append((script, condition))
        self._scripts = waiting
        noted, self._noted = self._noted, []
        return noted

    def read(self) -> list[Reading]:
        """What every probe shows now, to a tenth of a degree, with its own small error."""
        rest = self.places[self.rest_place]
        out = [self._show(probe, rest.celsius if body is None else body.core_c) for probe, body in self.core.items()]
        return out + [self._show(probe, self.places[place].celsius) for probe, place in self.air.items()]

    def _show(self, probe: str, celsius: float) -> Reading:
        draw = self._draws.get(probe)
        if draw is None:
            draw = self._draws[probe] = random.Random(f"{self._seed} {probe}")
            self._bias[probe] = max(-2 * BIAS_C, min(2 * BIAS_C, draw.gauss(0.0, BIAS_C)))
        return Reading(probe, self.now, round(celsius + self._bias[probe] + draw.gauss(0.0, NOISE_C), 1))
