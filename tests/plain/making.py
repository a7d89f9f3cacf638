"""What is known while a scenario is being built, and what is drawn again and again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from rules.plan import Plan, Step
from rules.quantity import fahrenheit
from rules.reading import SECOND, Event, Fault, Instant, Reading, Span
from tests.plain.choose import Choose

START: Instant = 1_772_400_000 * SECOND  # a round instant, 2026-03-01T21:20:00Z
COLD_F = (34.0, 38.0, 40.0)


class Scenario(NamedTuple):
    """A plan, what happened, and up to when it is judged (None: to the last event)."""

    plan: Plan
    events: tuple[Event, ...]
    at: Instant | None = None


class Leg(NamedTuple):
    """A stretch of time in a step, as it truly happened."""

    step: str
    start: Instant
    end: Instant


@dataclass
class Making:
    """What is known while a scenario is being built."""

    choose: Choose
    pace: Span
    rooms: bool
    events: list[Event] = field(default_factory=list)
    taken: set[Instant] = field(default_factory=set)

    def span(self, low: int, high: int) -> Span:
        """A few sampling periods, at times a second more or less."""
        return max(SECOND, self.pace * self.choose.number(low, high) + self.choose.among([0, 0, 0, SECOND, -SECOND, self.pace // 2]))

    def free(self, at: Instant) -> Instant:
        """An instant at which no other lot event stands."""
        while at in self.taken:
            at += SECOND
        self.taken.add(at)
        return at

    def beside(self, at: Instant) -> Instant:
        """Mostly such an instant; at times one at which something else happens to the lot."""
        return at if self.choose.chance(25) else self.free(at)

    def read(self, probe: str, at: Instant, celsius: float) -> None:
        """One sample: mostly a good reading, at times a fault, a suspect one, two of the same, two that differ, none."""
        c = self.choose
        kind = c.among(["good"] * 40 + ["fault", "suspect", "twice", "conflict", "silent", "offset", "fault beside", "doubted twin"])
        if kind in ("fault", "fault beside"):
            self.events.append(Fault(probe, at, "open circuit"))
        if kind in ("suspect", "doubted twin"):
            self.events.append(Reading(probe, at, celsius, suspect="source"))
        if kind == "offset":
            self.events.append(Reading(probe, at, celsius - 0.25, 0.25))
        if kind in ("good", "twice", "conflict", "fault beside", "doubted twin"):
            self.events.append(Reading(probe, at, celsius))
        if kind == "twice":
            self.events.append(Reading(probe, at, celsius))
        if kind == "conflict":
            self.events.append(Reading(probe, at, celsius + c.among([0.5, -0.5, 1.0, -1.0])))

    def read_f(self, probe: str, at: Instant, value_f: float) -> None:
        """The same in °F, to a tenth."""
        self.read(probe, at, fahrenheit(round(value_f, 1)))


def step_of(plan: Plan, leg: Leg) -> Step:
    """The step of a leg."""
    return next(step for step in plan.products[0].steps if step.name == leg.step)


def leg_at(legs: Sequence[Leg], at: Instant) -> Leg:
    """The leg of an instant; the first or last outside them."""
    return next((leg for leg in legs if at <= leg.end), legs[-1])
