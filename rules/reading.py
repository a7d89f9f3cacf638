"""What the engine eats: readings, faults, ticks and lot events. Shared by every room.

`Instant` is a whole number of microseconds since 1970-01-01T00:00:00Z and `Span` a whole number of
microseconds, so that "exactly 90 min" is exact and a replay repeats every instant to the digit.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

Instant: TypeAlias = int
Span: TypeAlias = int

SECOND: Span = 1_000_000
MINUTE: Span = 60 * SECOND
HOUR: Span = 60 * MINUTE


class Reading(NamedTuple):
    """One temperature by one probe, in event time.

    `celsius` is the raw value in °C; `offset_c` is the calibration offset in force at `at`, added before
    judging. `suspect` is empty for a good reading, otherwise the reason why it is judged as if absent.
    `high_c` is set by `rules.history` alone: the highest of several values at one instant, `celsius` being the lowest.
    """

    probe: str
    at: Instant
    celsius: float
    offset_c: float = 0.0
    suspect: str = ""
    high_c: float | None = None


class Fault(NamedTuple):
    """A probe that answered without a temperature: recorded, evidence of nothing.

    `reason` is a plain word or two ("open circuit", "checksum"); `raw` is what came over the wire.
    """

    probe: str
    at: Instant
    reason: str
    raw: str = ""


class Tick(NamedTuple):
    """Time has moved on to `at` with nothing read. Changes when a thing is known, never a verdict."""

    at: Instant


class LotEvent(NamedTuple):
    """Something a person did or noted about a lot, or took back.

    `event` is one of EVENTS; `name` and `value` mean what `contract.md` says for that event.
    `entered` is when it was written down, if later than `at`; `by` is who wrote it.
    """

    at: Instant
    event: str
    lot: str
    name: str = ""
    value: str = ""
    entered: Instant | None = None
    by: str = ""


EVENTS = ("start", "step", "place", "remove", "check", "measure", "undo", "end")
REMOVAL_REASONS = ("moved", "slipped", "failed", "done")

Event: TypeAlias = Reading | Fault | Tick | LotEvent
