"""Composition: a value entered for the lot lies within its bounds; and values that follow from others."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rules.finding import Verdict
from rules.limits.spec import Composition
from rules.limits.watch import Watch
from rules.plan import Limit
from rules.reading import Instant
from rules.science.cure import brine_pct, curing_salt_ppm
from rules.science.errors import ScienceError

#: What each computed measure is computed from.
PARTS: dict[str, tuple[str, ...]] = {
    "brine_pct": ("salt_pct", "moisture_pct"),
    "nitrite_ppm": ("cure_g", "cure_nitrite_pct", "weight_kg"),
}


class CompositionWatch(Watch):
    """Judged at each entry of its measure; open while the limit runs."""

    __slots__ = ("newest", "seen", "worst")

    def __init__(self, limit: Limit, probe: str, u: float, unit: str, opened: Instant) -> None:
        super().__init__(limit, probe, u, unit, opened)
        self.newest: float | None = None
        self.worst: float | None = None
        self.seen = 0  # how many of the lot's measures have been looked at

    @property
    def measure(self) -> str:
        """What a person enters."""
        rule = self.limit.rule
        assert isinstance(rule, Composition)
        return rule.measure

    def enter(self, at: Instant, began: Instant, value: float) -> None:
        """One value, entered or computed at `at`; it is judged no earlier than the limit began."""
        rule = self.limit.rule
        assert isinstance(rule, Composition)
        at = max(at, began)
        self.last_at = at
        self.newest = value
        shown = f"{rule.measure} {value:g}, {asked(rule)}"
        low = rule.least is not None and round(value, 6) < round(rule.least, 6)
        high = rule.most is not None and round(value, 6) > round(rule.most, 6)
        if low or high:
            self.worst = value if self.worst is None else self.worst
            self.settle(Verdict.DEVIATED, at, shown)
        elif self.verdict is Verdict.MET:
            self.at, self.reason = at, shown  # the newest governs
        else:
            self.settle(Verdict.MET, at, shown)

    def close(self, at: Instant, *, withdrawn: bool = False) -> None:
        """With nothing entered nothing is known; otherwise the entries have decided."""
        if self.closed is not None:
            return
        self.closed = at
        self.before_closing = [self.verdict.value, self.at, self.reason]
        if self.newest is None:
            rule = self.limit.rule
            assert isinstance(rule, Composition)
            self.settle(Verdict.UNPROVEN, at, f"nothing was entered: write the measure {rule.measure} for the lot, {asked(rule)}")

    def margin(self) -> dict[str, float]:
        """The distance of the governing value from the nearer bound, in the measure's own unit (negative: outside)."""
        rule, value = self.limit.rule, self.newest if self.worst is None else self.worst
        assert isinstance(rule, Composition)
        if value is None:
            return {}
        room = [value - rule.least] if rule.least is not None else []
        room += [rule.most - value] if rule.most is not None else []
        return {"value": round(min(room), 6)}

    def evidence(self) -> dict[str, Any]:
        """The governing value, and the newest."""
        rule = self.limit.rule
        assert isinstance(rule, Composition)
        shown: dict[str, Any] = {"measure": rule.measure}
        if self.newest is not None:
            shown |= {"value": self.newest if self.worst is None else self.worst, "newest": self.newest}
        return shown


def asked(rule: Composition) -> str:
    """What the limit asks: "120 to 156 needed"."""
    if rule.least is None:
        return f"at most {rule.most:g} allowed"
    return f"at least {rule.least:g} needed" if rule.most is None else f"{rule.least:g} to {rule.most:g} needed"


def completed(measures: list[list[Any]]) -> tuple[list[tuple[str, float]], list[str]]:
    """What the newest of a lot's measures, `[at, name, value]`, completes: (name, value) of each computed one; and what it cannot.

    Each part is the newest of its name. A value that was entered by its own name before is not computed.
    """
    name = measures[-1][1]
    newest = {n: v for _, n, v in measures}
    found: list[tuple[str, float]] = []
    wrong: list[str] = []
    for measure, parts in PARTS.items():
        if name in parts and measure not in newest and all(p in newest for p in parts):
            try:
                found.append((measure, _computed(measure, [newest[p] for p in parts])))
            except ScienceError as error:
                wrong.append(f"{measure} cannot be computed: {error}")
    return found, wrong


def _computed(measure: str, parts: Iterable[float]) -> float:
    if measure == "brine_pct":
        salt, moisture = parts
        return brine_pct(salt, moisture)
    cure_g, nitrite_pct, weight_kg = parts
    return curing_salt_ppm(cure_g / 1000, nitrite_pct / 100, weight_kg)
