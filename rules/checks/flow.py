"""The way through a product's steps: what an advance carries on, cooking again, and what the come-up leaves out."""

from __future__ import annotations

from collections.abc import Iterator

from rules.checks.remark import PlanRemark
from rules.plan import Limit, Plan, Product, Step
from rules.quantity import format_span
from rules.wording import temperature

#: Kinds that are final only once their steps are left, so that an automatic advance carries them on.
_UNTIL_LEFT = ("ceiling", "floor", "exposure", "degree-hours")
_NO_TEMPERATURE = ("composition", "humidity")


def flow(plan: Plan, product: Product) -> Iterator[PlanRemark]:
    """Every remark on the order of one product's steps."""
    for i, step in enumerate(product.steps):
        where = f"product {product.code}, step {step.name}"
        yield from _carried(plan, product, i, where)
        yield from _left_bare(step, _running(product, step), where, plan.site.unit)
        running = _running(product, step)
        if running and all(x.kind in _NO_TEMPERATURE for x in running) and not _cooling_passes(product, i):
            sentence = f"{where}: no limit watches a temperature while meat is in it"
            yield PlanRemark("warning", f"{sentence}; write a ceiling below it, or name the step in another limit's over", step.line)
    yield from _again(product)
    yield from _before_come_up(plan, product)
    yield from _silences(plan, product)


def _running(product: Product, step: Step) -> list[Limit]:
    return [x for s in product.steps for x in s.limits if s is step or step.name in x.over]


def _cooling_passes(product: Product, i: int) -> bool:
    """Whether a cooling that opened with the cook's end is still open in this step."""
    cooked = any(x.kind == "lethality" for s in product.steps[:i] for x in s.limits)
    return cooked and any(x.kind == "cooling" for s in product.steps[i:] for x in s.limits)


def _left_bare(step: Step, running: list[Limit], where: str, unit: str) -> Iterator[PlanRemark]:
    """A cook that is left at a temperature touched for a while: its hold goes on open and is left short when the meat cools."""
    advance = step.advance
    if advance is None or advance.at_least_c is None or not any(x.kind == "lethality" for x in running):
        return
    at = temperature(advance.at_least_c, unit)
    sentence = f"{where}: it is left at a core of {at} held for {format_span(advance.length)}, whether its lethality is met or not"
    yield PlanRemark("warning", f'{sentence}; write when = "lethality met"', step.line)


def _carried(plan: Plan, product: Product, i: int, where: str) -> Iterator[PlanRemark]:
    """A critical limit goes on beside the next step's until it is final or a person enters a step (docs/judging-choices.md, 12)."""
    step = product.steps[i]
    after = next((s for s in product.steps[i + 1 :] if not s.optional), None)
    if step.advance is None or step.advance.how != "auto" or after is None or (plan.rooms and step.room != after.room):
        return
    for limit in _running(product, step):
        if limit.critical and limit.kind in _UNTIL_LEFT and after.name not in limit.over:
            sentence = f"{where}: it advances by itself, which carries the critical {limit.kind} {limit.name} into {after.name}"
            remedy = f'write how = "ask" so that it ends with its step, or over = [… "{after.name}"] if it is meant to go on'
            yield PlanRemark("warning", f"{sentence} until a person enters a step; {remedy}", step.line)


def _again(product: Product) -> Iterator[PlanRemark]:
    """A second lethality: a cook in two stages, or meat that is cooked again after it was cooled."""
    cooks = [(i, s) for i, s in enumerate(product.steps) if any(x.kind == "lethality" for x in s.limits)]
    cools = [(i, s) for i, s in enumerate(product.steps) if any(x.kind == "cooling" for x in s.limits)]
    for number, (i, step) in enumerate(cooks[1:], 1):
        between = [(j, s) for j, s in cools if cooks[number - 1][0] <= j < i]
        where = f"product {product.code}, step {step.name}"
        for _, cool in between:
            if not step.optional:
                sentence = f"{where}: the cooling of {cool.name} opens once every lethality is met, and this one comes after it"
                yield PlanRemark("error", f"{sentence}; write optional = true here if it is for cooking again", step.line)
            if not (step.repeats or cool.repeats):
                sentence = f"{where}: a lot cooked again enters {cool.name} a second time, and its old watches would go on"
                yield PlanRemark("warning", f"{sentence}; write repeats = true on {cool.name}", step.line)


def _before_come_up(plan: Plan, product: Product) -> Iterator[PlanRemark]:
    """Chamber steps just before the cook, which the come-up must count too: a warm core there is in the band already."""
    steps = product.steps
    for i, step in enumerate(steps):
        for limit in (x for x in step.limits if x.kind == "come-up" and x.critical):
            before: list[str] = []
            for earlier in reversed(steps[:i]):
                room = plan.room_by_id.get(earlier.room or "")
                # Fermenting meat is held by its degree-hours, not by the come-up.
                if room is None or room.kind != "chamber" or any(x.kind == "degree-hours" for x in _running(product, earlier)):
                    break
                before.insert(0, earlier.name)
            if before:
                named = ", ".join(f'"{n}"' for n in (*before, step.name, *(n for n in limit.over if n != step.name)))
                sentence = f"product {product.code}, step {step.name}, limit {limit.name}: the core warms in {', '.join(before)} already"
                yield PlanRemark(
                    "warning", f"{sentence}, which it does not count; write it below {before[0]} with over = [{named}]", limit.line
                )


def _silences(plan: Plan, product: Product) -> Iterator[PlanRemark]:
    """A probe whose silence rings later than the interval that a critical limit asks for."""
    for step in product.steps:
        for limit in (x for x in step.limits if x.critical and not x.sampled):
            slow = [p for p in plan.probes if p.place == limit.place and p.silent_after > limit.max_gap]
            for probe in slow:
                sentence = f"probe {probe.id}: its silence rings after {format_span(probe.silent_after)}, when limit {limit.name} of "
                sentence += f"{product.code} has been without evidence for longer than its {format_span(limit.max_gap)}"
                yield PlanRemark("warning", f"{sentence}; write a shorter silent_after", probe.line)
