"""The board's clock against a steady one: a step is noted in the ledger and rings, whichever way it goes.

Times written before a step are not changed; what the monitor dated itself around it may be wrong, and a reading stamped elsewhere
may look late or ahead. The steady clock counts from the start of the machine and is never set (`time.monotonic`).
"""

from __future__ import annotations

from collections.abc import Callable

from rules.reading import SECOND, Instant, Span

#: Less than this is a clock being put right by its time service.
STEP: Span = 5 * SECOND


class ClockWatch:
    """Compares two clocks; `look` says by how much the first was set since it was asked last."""

    def __init__(self, wall: Callable[[], Instant], steady: Callable[[], Span]) -> None:
        """`wall`: UTC as the system has it, steps and all; `steady`: microseconds that never jump."""
        self._wall, self._steady = wall, steady
        self._offset: Span = wall() - steady()

    def look(self) -> tuple[Span, Instant]:
        """The step since the last look (0: none; positive: forward) and the wall's time now."""
        steady, wall = self._steady(), self._wall()
        offset = wall - steady
        step, self._offset = offset - self._offset, offset
        return (step if abs(step) >= STEP else 0), wall

    def again(self, step: Span) -> None:
        """A step could not be noted: tell it at the next look."""
        self._offset -= step
