"""How one lot moves on with nobody there: conditions, prompts, straddling."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rules.finding import Verdict
from rules.limits.hold_for_step import CoreHold
from rules.plan import Step
from rules.quantity import format_span
from rules.reading import MINUTE, Instant

if TYPE_CHECKING:
    from rules.lot import Lot

CONFIRM_WITHIN = 30 * MINUTE


class LotAdvance:
    """`straddling` and `prompt` stand until a person's next `step` event; a step's advance is decided once for the lot."""

    def __init__(self, lot: Lot) -> None:
        self.lot = lot
        self.straddling: dict[str, Any] | None = None
        self.prompt: dict[str, Any] | None = None
        self.decided: list[str] = []

    def answered(self) -> None:
        """A person has said where the lot is."""
        self.prompt = self.straddling = None

    def entered(self, step: Step, at: Instant) -> None:
        """A step was entered: its time begins."""
        if step.advance is not None and step.advance.when == "after":
            self.lot.hub.later(at + step.advance.length, self.lot.id, "after", f"{step.name}@{at}")

    def follow(self, probe: str, u: float, at: Instant) -> None:
        """Hold a core probe against the conditions of the steps that the lot is in."""
        lot = self.lot
        for mover in [m for m in lot.movers if isinstance(m, CoreHold) and m.probe == probe]:
            if not any(lot.step(n).advance is mover.advance for n in lot.current):
                lot.drop_mover(mover)
        for name in lot.current:
            advance = lot.step(name).advance
            if advance is None or advance.when != "core" or name in self.decided:
                continue
            if not any(isinstance(m, CoreHold) and m.probe == probe and m.advance is advance for m in lot.movers):
                hold = CoreHold(advance, next(iter(lot.runs.values())).limit, probe, u, lot.unit, at)
                lot.movers.append(hold)
                lot.hub.attach(hold, lot)

    def held(self, at: Instant) -> None:
        """A core probe holds its condition: does every placed one?"""
        lot = self.lot
        for name in list(lot.current):
            step = lot.step(name)
            if step.advance is None or step.advance.when != "core" or name in self.decided or self.straddling is not None:
                continue
            holds = {m.probe for m in lot.movers if isinstance(m, CoreHold) and m.advance is step.advance and m.held}
            if holds >= set(lot.placed):
                lot.hub.cross(at)
                self.fulfilled(step, at)

    def shown(self, kind: str, at: Instant) -> None:
        """A lethality or dwell limit is met: is it the last that a step waits for?"""
        lot = self.lot
        for name in list(lot.current):
            step = lot.step(name)
            if step.advance is None or step.advance.when != {"lethality": "lethality met", "dwell": "dwell met"}[kind]:
                continue
            runs = [r for r in lot.runs.values() if r.limit.kind == kind and name in r.steps]
            if runs and all(r.verdict()[0] is Verdict.MET for r in runs):
                self.fulfilled(step, at)

    def timer(self, at: Instant, kind: str, arg: str) -> None:
        """A time set earlier has come: "after" of a step, or the answer to a prompt is overdue."""
        lot = self.lot
        if kind == "after":
            name, entered = arg.rsplit("@", 1)
            if name in lot.current and lot.since.get(name) == int(entered):
                self.fulfilled(lot.step(name), at)
        elif kind == "confirm" and self.prompt is not None and self.prompt["at"] == int(arg):
            self.prompt["escalated"] = True
            text = f'nobody has confirmed for {format_span(at - self.prompt["at"])}: is the lot in "{self.prompt["to"]}"?'
            lot.says.tell(at, "unconfirmed", self.prompt["from"], None, "", text)

    def fulfilled(self, step: Step, at: Instant) -> None:
        """The step's condition is fulfilled at `at`: enter the next step, straddle, or ask."""
        lot = self.lot
        if step.name in self.decided or step.advance is None or self.straddling is not None:
            return
        self.decided.append(step.name)
        following = lot.product.steps[lot.product.steps.index(step) + 1 :]
        target = next((s for s in following if not s.optional), None)
        how = step.advance.how
        if target is None or how == "hand":
            return
        same_room = target.room == step.room
        if step.advance.when == "after" and (not same_room or self._leaves_open(step, target)):
            how = "ask"
        why = step.advance.text or step.advance.when
        if how == "auto" and same_room:
            lot.says.tell(at, "advanced", target.name, None, "", f'{why}: the lot entered "{target.name}" by itself')
            lot.enter([target.name], at)
            return
        within = step.advance.confirm_within or CONFIRM_WITHIN
        self.prompt = {"at": at, "from": step.name, "to": target.name, "escalated": False}
        if how == "auto":
            self.straddling = {"from": step.name, "to": target.name, "since": at}
            lot.enter([step.name, target.name], at)
            text = f'{why}: is the lot in "{target.name}" now? Both steps are judged until somebody confirms.'
        else:
            text = f'{why}: move the lot to "{target.name}" and confirm it.'
        lot.says.tell(at, "prompt", step.name, None, "", text)
        lot.hub.later(at + within, lot.id, "confirm", str(at))

    def _leaves_open(self, step: Step, target: Step) -> bool:
        """Whether a critical limit of this step that does not run in the next one is still open."""
        runs = [r for r in self.lot.runs.values() if step.name in r.steps and target.name not in r.steps and r.limit.critical]
        return any(r.verdict()[0] is Verdict.OPEN for r in runs)
