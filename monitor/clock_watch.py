"""The board's clock against a steady one: a step is noted in the ledger and rings, whichever way it goes; a slew is noted.

Times written before a step are not changed; what the monitor dated itself around it may be wrong, and a reading stamped elsewhere
may look late or ahead. The steady clock counts from the start of the machine and is never set (`time.monotonic`), but a time service
that slews the clock slews it too: how much, the machine's own oscillator tells (`clock.kernel_slew`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from rules.reading import SECOND, Instant, Span

#: Less than this is a clock being put right by its time service; so much of it together is noted.
STEP: Span = 5 * SECOND


class Looked(NamedTuple):
    """What became of the clock: the step since the last look (0: none; positive: forward), the wall's time now, and what it was slewed by
    in `over` of time (0 unless that is to be noted)."""

    step: Span
    wall: Instant
    slewed: Span = 0
    over: Span = 0


class ClockWatch:
    """Compares two clocks; `look` says by how much the first was set since it was asked last."""

    def __init__(self, wall: Callable[[], Instant], steady: Callable[[], Span], slew: Callable[[], Span] = lambda: 0) -> None:
        """`wall`: UTC as the system has it, steps and all; `steady`: microseconds that never jump; `slew`: how far that was slewed."""
        self._wall, self._steady, self._slew = wall, steady, slew
        self._offset: Span = wall() - steady()
        self._kernel: Span = slew()
        self._slewed: Span = 0  # since `_since`, of the steady clock
        self._since: Span = steady()

    def look(self) -> Looked:
        """What became of the clock since the last look."""
        steady, wall, kernel = self._steady(), self._wall(), self._slew()
        offset = wall - steady
        step, self._offset = offset - self._offset, offset
        stepped = abs(step) >= STEP
        self._slewed += kernel - self._kernel + (0 if stepped else step)
        self._kernel = kernel
        slewed, over = self._slewed, steady - self._since
        if abs(slewed) < STEP:
            slewed = over = 0
        else:
            self._slewed, self._since = 0, steady
        return Looked(step if stepped else 0, wall, slewed, over)

    def again(self, looked: Looked) -> None:
        """What was found could not be noted: tell it at the next look."""
        self._offset -= looked.step
        self._slewed += looked.slewed
        self._since -= looked.over
