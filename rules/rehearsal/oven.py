"""The chamber's air under a profile, and the core's way through the come-up band in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from rules.limits.spec import Stage
from rules.reading import HOUR, SECOND, Span
from rules.rehearsal.settings import TRANSFER
from rules.science.conduction import Material, Piece

STEP_S = 10
STEP: Span = STEP_S * SECOND
_LONGEST: Span = 48 * HOUR


class Oven:
    """Set points that follow one another. The last one stays on."""

    def __init__(self, stages: Sequence[Stage]) -> None:
        self.stages = tuple(stages)
        self.number = 0
        self.in_stage: Span = 0
        self.done = False

    @property
    def celsius(self) -> float:
        """The present set point, which the air has at once."""
        return self.stages[self.number].set_c

    def pass_time(self, span: Span, core_c: float) -> None:
        """Go on by one step of time; a stage `until_core` ends once the core reads that."""
        stage = self.stages[self.number]
        self.in_stage += span
        over = self.in_stage >= stage.length if stage.length is not None else core_c >= (stage.until_core_c or 0.0)
        if not over:
            return
        if self.number + 1 < len(self.stages):
            self.number, self.in_stage = self.number + 1, 0
        else:
            self.done = True


class ComeUp(NamedTuple):
    """How long the core lay strictly inside the band; `through`: it left it upwards before the schedule was over.

    `highest_c` is the core at the end: of the schedule, of the band, or where `most` was passed.
    """

    inside: Span
    through: bool
    highest_c: float


def come_up(
    stages: Sequence[Stage], diameter_m: float, material: Material, start_c: float, band: tuple[float, float], most: Span = _LONGEST
) -> ComeUp:
    """The core's way through `band` (°C) in the stages, on the model; it stops where the time inside passes `most`."""
    oven, piece = Oven(stages), Piece("cylinder", diameter_m / 2.0, start_c, material)
    low, high = band
    inside: Span = 0
    total: Span = 0
    through = False
    while not oven.done and total < _LONGEST:
        piece.step(STEP_S, oven.celsius, TRANSFER["chamber"])
        total += STEP
        core_c = piece.core_c
        if core_c >= high:
            through = True
            break
        if core_c > low:
            inside += STEP
            if inside > most:
                break
        oven.pass_time(STEP, core_c)
    return ComeUp(inside, through, piece.core_c)
