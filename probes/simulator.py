"""A simulated plant as a driver, and as a plain iterator: the same scenario, seed and start give the same day, at any speed.

`Simulator.step_until(at)` gives everything up to an instant: readings, faults, and the lot events that the scenario's people note.
As a driver it hands the readings to the Sink at `speed` times real time; lot events go to `on_event`, since people, not probes, write them.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, timedelta, tzinfo
from typing import cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from probes import ferncliff
from probes.clock import Clock, now
from probes.driver import Sink, tell_if_lost
from probes.errors import SettingError
from probes.fault_script import TROUBLES, FaultScript, ProbeFault, Trouble
from probes.settings import Settings
from probes.sim_world import GRID, GRID_S, World
from rules.errors import QuantityError
from rules.quantity import from_datetime, local, parse_instant
from rules.reading import MINUTE, SECOND, Fault, Instant, LotEvent, Reading, Span


@dataclass(frozen=True)
class Scenario:
    """A story that can be played. `start_hour` is the local hour at which it begins."""

    name: str
    build: Callable[[World], None]
    faults: Callable[[Instant], Sequence[ProbeFault]]
    length: Span
    start_hour: int
    operator: str

    def last_start(self, before: Instant, zone: tzinfo = UTC) -> Instant:
        """The latest start, at the scenario's local hour, from which it has ended by `before`."""
        day = local(before - self.length, zone).replace(hour=self.start_hour, minute=0, second=0, microsecond=0)
        start = from_datetime(day.astimezone(UTC))
        if start + self.length > before:
            start = from_datetime((day - timedelta(days=1)).astimezone(UTC))
        return start


SCENARIOS: Mapping[str, Scenario] = {
    "ferncliff-day": Scenario(
        "ferncliff-day", ferncliff.build, ferncliff.faults, ferncliff.LENGTH_MIN * MINUTE, ferncliff.START_HOUR, ferncliff.OPERATOR
    )
}


class Simulator:
    """One playing of a scenario. `period_s` is how often each probe is read, a multiple of 10 s; `faults` None: the scenario's own."""

    def __init__(
        self,
        scenario: str | Scenario,
        seed: int = 1,
        start: Instant = 0,
        *,
        period_s: int = GRID_S,
        faults: Sequence[ProbeFault] | None = None,
    ) -> None:
        if isinstance(scenario, str):
            if scenario not in SCENARIOS:
                raise SettingError(f"simulator: scenario is {scenario!r}; write one of {', '.join(SCENARIOS)}")
            scenario = SCENARIOS[scenario]
        if period_s <= 0 or period_s % GRID_S:
            raise SettingError(f"simulator: period_s is {period_s}; write a multiple of {GRID_S}")
        self.scenario = scenario
        self.start, self.end = start, start + scenario.length
        self._period = period_s * SECOND
        self._world = World(start, seed, scenario.operator)
        self._script = FaultScript(scenario.faults(start) if faults is None else faults, seed)
        self._begun = False

    @property
    def now(self) -> Instant:
        """The instant up to which the story has been told."""
        return self._world.now

    @property
    def done(self) -> bool:
        """True once the scenario has ended."""
        return self._begun and self._world.now >= self.end

    def step_until(self, at: Instant) -> list[Reading | Fault | LotEvent]:
        """Everything after the last call's end and up to `at`, in order of time, lot events before readings at one instant.

        However the instants are chosen, the pieces together are the same.
        """
        out: list[Reading | Fault | LotEvent] = []
        world = self._world
        if not self._begun and at >= self.start:
            self._begun = True
            self.scenario.build(world)
            self._show(world.act(), out)
        while self._begun and world.now + GRID <= min(at, self.end):
            self._show(world.advance(), out)
        return out

    def _show(self, noted: list[LotEvent], out: list[Reading | Fault | LotEvent]) -> None:
        out += noted
        if (self._world.now - self.start) % self._period == 0:
            out += self._script.apply(self._world.read())


class SimulatorDriver:
    """Plays a scenario in its own thread. With `start` None it is dated so that it ends now at the latest, and nothing lies ahead.

    `faults(start)` gives the troubles of its probes; None: the scenario's own.
    """

    def __init__(
        self,
        name: str,
        scenario: str,
        *,
        seed: int = 1,
        start: Instant | None = None,
        speed: float = 60.0,
        period_s: int = GRID_S,
        zone: tzinfo = UTC,
        clock: Clock = now,
        on_event: Callable[[LotEvent], None] | None = None,
        faults: Callable[[Instant], Sequence[ProbeFault]] | None = None,
    ) -> None:
        self.name, self.speed, self.on_event = name, speed, on_event
        if start is None:
            start = SCENARIOS[scenario].last_start(clock(), zone) if scenario in SCENARIOS else 0
        self.simulator = Simulator(scenario, seed, start, period_s=period_s, faults=None if faults is None else faults(start))

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Play to the end or until `stop`; `speed` 0 is flat out. Readings noted before a lot event are handed over before it is told."""
        simulator = self.simulator
        sink.state(self.name, True, f"{self.name}: playing {simulator.scenario.name}.")
        begun_s = time.monotonic()
        while not stop.is_set() and not simulator.done:
            told = round((time.monotonic() - begun_s) * self.speed * SECOND)
            at = simulator.start + told if self.speed else simulator.now + 10 * MINUTE
            self._hand_over(simulator.step_until(at), sink)
            if self.speed:
                stop.wait(min(0.5, max(0.02, GRID_S / self.speed)))
        # Nobody needs to be called because a story has come to its end.
        sink.state(self.name, simulator.done, f"{self.name}: {'the day is over' if simulator.done else 'stopped'}.")

    def _hand_over(self, items: Sequence[Reading | Fault | LotEvent], sink: Sink) -> None:
        batch: list[Reading | Fault] = []
        for item in items:
            if not isinstance(item, LotEvent):
                batch.append(item)
                continue
            if batch:
                sink.readings(batch).result()  # so that the event finds the readings before it already judged
                batch = []
            if self.on_event is not None:
                self.on_event(item)
        if batch:
            tell_if_lost(sink.readings(batch), sink, self.name)


def load(config: Mapping[str, object]) -> SimulatorDriver:
    """A simulator from its `[[source]]` table: `scenario`, `seed`, `speed` (0: flat out), `period_s`, `start` (ISO 8601), `timezone`.

    `fault`: troubles instead of the scenario's own, a list of tables, each with `kind`, `probe`, `after_min` from the start, `length_min`,
    and what the kind needs: `amount`, `other` (`fault_script.ProbeFault`).
    """
    s = Settings(config, "source simulator")
    scenario = s.choice("scenario", tuple(SCENARIOS), "ferncliff-day")
    zone_name, start_text = s.text("timezone", "UTC"), s.text("start", "")
    try:
        zone = ZoneInfo(zone_name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise s.wrong("timezone", "a zone such as America/Chicago") from error
    try:
        start = parse_instant(start_text) if start_text else None
    except QuantityError as error:
        raise s.wrong("start", "ISO 8601 with its offset, or leave it out") from error
    faults = [_fault(table) for table in s.tables("fault")]
    driver = SimulatorDriver(
        s.text("name", "simulator"),
        scenario,
        faults=(lambda at: [replace(f, at=f.at + at) for f in faults]) if s.has("fault") else None,
        seed=s.whole("seed", 1, 0, 2**31),
        start=start,
        speed=s.number("speed", 60.0, 0.0, 1e6),
        period_s=s.whole("period_s", GRID_S, GRID_S, 600),
        zone=zone,
    )
    s.done()
    return driver


def _fault(s: Settings) -> ProbeFault:
    """One trouble, dated from the start of the scenario."""
    kind, probe = s.choice("kind", TROUBLES), s.text("probe", want="the probe's id")
    after, length = s.number("after_min", 0.0, 0.0, 1e5), s.number("length_min", 1.0, 0.01, 1e5)
    amount, other = s.number("amount", 0.0, -1e9, 1e9), s.text("other", "")
    s.done()
    return ProbeFault(cast(Trouble, kind), probe, round(after * MINUTE), round(length * MINUTE), amount, other)
