"""Troubles of probes on a script, shared by tests and demo: what comes out of a sensor that is unplugged, stuck, drifting, swapped.

`FaultScript.apply` takes the true readings of one instant and gives what would arrive instead. The same script and seed give the
same troubles.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from probes.errors import SettingError
from rules.reading import HOUR, SECOND, Fault, Instant, Reading, Span

Trouble = Literal["unplug", "stuck", "spike", "error-code", "drift", "dropout", "swap", "clock-jump"]
TROUBLES: tuple[str, ...] = get_args(Trouble)


@dataclass(frozen=True, slots=True)
class ProbeFault:
    """One trouble of one probe, from `at` for `length` (the last instant not included).

    `unplug` gives nothing. `stuck` repeats the last value before it. `spike` adds `amount` °C. `error-code` gives a
    Fault whose raw text is the amount. `drift` adds `amount` °C per hour since `at`. `dropout` loses readings with the
    probability `amount` (0 to 1). `swap` exchanges the probe with `other`. `clock-jump` has the device's clock wrong by `amount` seconds,
    which may be below 0.
    """

    kind: Trouble
    probe: str
    at: Instant
    length: Span
    amount: float = 0.0
    other: str = ""

    def __post_init__(self) -> None:
        if self.kind not in TROUBLES:
            raise SettingError(f"fault script: kind is {self.kind!r}; write one of {', '.join(TROUBLES)}")
        if self.length <= 0:
            raise SettingError(f"fault script: {self.kind} of {self.probe} has length {self.length}; write a length above 0")
        if (self.kind == "swap") != bool(self.other):
            raise SettingError(f"fault script: {self.kind} of {self.probe} has other {self.other!r}; only a swap names another probe")
        if self.kind == "dropout" and not 0.0 < self.amount <= 1.0:
            raise SettingError(f"fault script: dropout of {self.probe} has amount {self.amount:g}; write a share from 0 to 1")
        if not math.isfinite(self.amount) or abs(self.amount) > 1e9:
            raise SettingError(f"fault script: {self.kind} of {self.probe} has amount {self.amount!r}; write a number")

    def covers(self, at: Instant) -> bool:
        """True while the trouble lasts."""
        return self.at <= at < self.at + self.length


class FaultScript:
    """Troubles in the order in which they are applied to one reading."""

    def __init__(self, faults: Sequence[ProbeFault] = (), seed: int = 1) -> None:
        self.faults = tuple(faults)
        self._seed = seed
        self._last: dict[str, float] = {}

    def apply(self, readings: Sequence[Reading]) -> list[Reading | Fault]:
        """What arrives of the true readings of one instant."""
        by_probe = {reading.probe: reading for reading in readings}
        out: list[Reading | Fault] = []
        for reading in readings:
            item: Reading | Fault | None = reading
            for fault in self.faults:
                if isinstance(item, Reading) and fault.covers(reading.at):
                    item = self._one(fault, item, by_probe, reading.at)
            if isinstance(item, Reading):
                self._last[item.probe] = item.celsius
            if item is not None:
                out.append(item)
        return out

    def _one(self, fault: ProbeFault, item: Reading, by_probe: dict[str, Reading], at: Instant) -> Reading | Fault | None:
        """What one trouble makes of an item; `at` is the true instant, whatever the device's clock says."""
        if fault.kind == "swap" and item.probe in (fault.probe, fault.other):
            twin = by_probe.get(fault.other if item.probe == fault.probe else fault.probe)
            return None if twin is None else item._replace(celsius=twin.celsius)
        if fault.probe != item.probe or fault.kind == "swap":
            return item
        if fault.kind == "unplug":
            return None
        if fault.kind == "error-code":
            return Fault(item.probe, item.at, "error code", f"{fault.amount:g}")
        if fault.kind == "dropout":
            # Drawn from the instant itself, so that it does not depend on what was asked before.
            return None if random.Random(f"{self._seed} {item.probe} {at}").random() < fault.amount else item
        if fault.kind == "stuck":
            return item._replace(celsius=self._last.get(item.probe, item.celsius))
        if fault.kind == "clock-jump":
            return item._replace(at=item.at + round(fault.amount * SECOND))
        hours = (at - fault.at) / HOUR
        return item._replace(celsius=item.celsius + fault.amount * (hours if fault.kind == "drift" else 1.0))
