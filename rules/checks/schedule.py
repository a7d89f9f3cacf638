"""A chamber's schedule against what the cook asks: hot enough, ended, seen by its interval, and the come-up on the model."""

from __future__ import annotations

from collections.abc import Iterator

from rules.checks.remark import PlanRemark
from rules.limits.spec import ComeUp, HoldLethality, IntegratedLethality, Profile
from rules.plan import Limit, Plan, Product, Step
from rules.quantity import format_span
from rules.rehearsal.oven import come_up
from rules.rehearsal.settings import START_C, material
from rules.wording import temperature


def schedule(plan: Plan, product: Product) -> Iterator[PlanRemark]:
    """Every remark on one product's profiles."""
    for step in product.steps:
        for limit in step.limits:
            if isinstance(limit.rule, Profile):
                where = f"product {product.code}, step {step.name}, limit {limit.name}"
                yield from _stages(limit, limit.rule, where, plan.site.unit)
                yield from _against_the_cook(product, step, limit, limit.rule, where, plan.site.unit)


def _stages(limit: Limit, profile: Profile, where: str, unit: str) -> Iterator[PlanRemark]:
    for number, stage in enumerate(profile.stages, 1):
        if stage.until_core_c is not None and stage.until_core_c >= stage.set_c - 0.001:
            until, set_to = temperature(stage.until_core_c, unit), temperature(stage.set_c, unit)
            sentence = f"{where}: stage {number} waits for a core of {until} in a chamber of {set_to}, which it cannot reach"
            yield PlanRemark("error", f"{sentence}; write a hotter set, or a lower until_core", limit.line)
        if stage.length is not None and stage.length <= profile.settle:
            sentence = f"{where}: stage {number} lasts {format_span(stage.length)}, and settle is {format_span(profile.settle)}"
            yield PlanRemark("warning", f"{sentence}, so nothing of it is judged; write a shorter settle", limit.line)
    shortest = min((s.length for s in profile.stages if s.length is not None), default=None)
    if shortest is not None and shortest < limit.max_gap:
        sentence = f"{where}: the monitoring interval of {format_span(limit.max_gap)} is longer than a stage, {format_span(shortest)}"
        yield PlanRemark("warning", f"{sentence}; write a shorter max_gap", limit.line)


def _against_the_cook(product: Product, step: Step, limit: Limit, profile: Profile, where: str, unit: str) -> Iterator[PlanRemark]:
    names = {step.name, *limit.over}
    beside = [x for s in product.steps for x in s.limits if x.kind in ("lethality", "come-up") and ({s.name, *x.over} & names)]
    hottest = max(s.set_c for s in profile.stages)
    for other in beside:
        rule = other.rule
        least = rule.rows[0].at_c if isinstance(rule, HoldLethality) else rule.floor_c if isinstance(rule, IntegratedLethality) else None
        if least is not None and hottest <= least:
            sentence = (
                f"{where}: no stage is hotter than {temperature(hottest, unit)}, where {other.name} begins at {temperature(least, unit)}"
            )
            yield PlanRemark("error", f"{sentence}, so the core cannot get there; write a hotter last stage", limit.line)
            return
    for other in beside:
        if isinstance(other.rule, ComeUp):
            yield from _unlikely(product, limit, profile, other, other.rule, where, unit)


def _unlikely(product: Product, limit: Limit, profile: Profile, other: Limit, rule: ComeUp, where: str, unit: str) -> Iterator[PlanRemark]:
    """The come-up on the heat-transfer model, which flatters it: nothing evaporates, and the chamber is at its set point at once."""
    if product.diameter_m is None:
        sentence = f"{where}: without a diameter its schedule cannot be tried against {other.name}"
        yield PlanRemark("note", f'{sentence}; write diameter = "30 mm" at the product', limit.line)
        return
    across = f"{product.diameter_m * 1000:g} mm"
    found = come_up(profile.stages, product.diameter_m, material(product), START_C, (rule.low_c, rule.high_c), rule.within)
    low, high = temperature(rule.low_c, unit), temperature(rule.high_c, unit)
    see = f"larderer plan rehearse shows it for {product.code}"
    if found.inside > rule.within:
        sentence = f"{where}: on the heat-transfer model a core of {across} from {temperature(START_C, unit)} is between {low} and {high}"
        told = f"{sentence} for longer than the {format_span(rule.within)} of {other.name}"
        yield PlanRemark("warning", f"{told}; write hotter or shorter early stages ({see})", limit.line)
    elif not found.through:
        sentence = (
            f"{where}: on the heat-transfer model the schedule is over while a core of {across} reads {temperature(found.highest_c, unit)}"
        )
        yield PlanRemark("warning", f"{sentence}, below {high}; write a longer or hotter last stage ({see})", limit.line)
