"""A product's steps: what watches each, how it is left, and whether the monitoring interval can see it."""

from __future__ import annotations

from collections.abc import Iterator

from rules.checks.conditions import conditions, cure
from rules.checks.one_limit import one_limit
from rules.checks.remark import PlanRemark, Severity
from rules.checks.site import rooms_of, served
from rules.limits.spec import ComeUp, Cooling, Dwell, Exposure, Floor, HoldLethality, Humidity
from rules.plan import Limit, Plan, Product, Step
from rules.quantity import fahrenheit, format_span
from rules.reading import Span
from rules.wording import temperature

#: A temperature at which a core is being cooked and not kept warm: the lowest row of the published meat tables.
_COOKED_C = fahrenheit(130)


def product_steps(plan: Plan, product: Product) -> Iterator[PlanRemark]:
    """Every remark on one product."""
    covered = _covered(product)
    for i, step in enumerate(product.steps):
        where = f"product {product.code}, step {step.name}"
        if step.name not in covered:
            sentence = f"{where}: no limit watches it; write a [[product.step.limit]] below it, or name the step in another limit's over"
            yield PlanRemark("error", sentence, step.line)
        if step.advance is not None and i == len(product.steps) - 1:
            yield PlanRemark("warning", f"{where}: it is the last step and advances into nothing; take advance out", step.line)
        for limit in step.limits:
            named = f"{where}, limit {limit.name}"
            yield from served(plan, limit, rooms_of(product, step, limit), named)
            yield from one_limit(plan, product, limit, named)
            yield from conditions(product, limit, named)
            yield from _interval(step, limit, named)
            yield from _bare_floor(product, step, limit, named, plan.site.unit)
    yield from cure(product)
    kinds = {limit.kind for step in product.steps for limit in step.limits}
    if "lethality" in kinds:
        for kind in ("come-up", "cooling"):
            if kind not in kinds:
                sentence = f"product {product.code}: it is cooked and has no {kind} limit; write one, or say in the plan's records why not"
                yield PlanRemark("warning", sentence, product.line)


def _covered(product: Product) -> set[str]:
    """Steps that some limit watches. Cooling opens as soon as lethality is met, so it watches from there to its own step."""
    covered = {s.name for s in product.steps if s.limits}
    cooked = None
    for i, step in enumerate(product.steps):
        for limit in step.limits:
            covered |= set(limit.over)
            if limit.kind == "lethality":
                cooked = i
            elif limit.kind == "cooling" and cooked is not None:
                covered |= {s.name for s in product.steps[cooked:i]}
    return covered


def _interval(step: Step, limit: Limit, where: str) -> Iterator[PlanRemark]:
    rule = limit.rule
    times: list[tuple[Span, str]] = []
    if step.advance is not None and step.advance.when == "after" and not limit.over:
        times.append((step.advance.length, "the step"))
        if isinstance(rule, Dwell) and rule.length > step.advance.length:
            sentence = f"{where}: the step ends after {format_span(step.advance.length)}, before the {format_span(rule.length)} are over"
            yield PlanRemark("error", f'{sentence}; write when = "dwell met"', limit.line)
    match rule:
        case ComeUp():
            times.append((rule.within, "the come-up"))
        case Cooling():
            times += [(w.within or w.by or 0, "a cooling window") for w in rule.windows]
        case Dwell():
            times.append((rule.length, "the dwell"))
        case Exposure():
            times += [(t.within, "a tier") for t in rule.tiers]
        case HoldLethality():
            times.append((max(r.length for r in rule.rows), "the longest hold"))
        case Humidity() if rule.at_least is not None and not rule.exempt:
            times.append((rule.at_least, "the humid time asked"))
        case _:
            pass
    shortest, what = min(times, default=(0, ""))
    if 0 < shortest < limit.max_gap:
        key = "sampled" if limit.sampled else "max_gap"
        sentence = f"{where}: the monitoring interval of {format_span(limit.max_gap)} is longer than {what}, {format_span(shortest)}"
        # Two readings that far apart can still show a short hold; the other kinds could pass whole between two readings.
        severity: Severity = "warning" if isinstance(rule, HoldLethality) else "error"
        yield PlanRemark(severity, f"{sentence}; write a shorter {key}", limit.line)


def _bare_floor(product: Product, step: Step, limit: Limit, where: str, unit: str) -> Iterator[PlanRemark]:
    rule = limit.rule
    if limit.place != "core" or not isinstance(rule, Floor | Dwell) or rule.min_c is None or rule.min_c < _COOKED_C - 0.001:
        return
    before = product.steps[: product.steps.index(step)]
    cooks = any(x.kind == "lethality" for x in step.limits) or (
        "cook" in step.name.lower() and not any(x.kind == "lethality" for s in before for x in s.limits)
    )
    if not cooks:
        return
    at = temperature(rule.min_c, unit)
    if isinstance(rule, Floor):
        sentence = f'{where}: {at} at the core is a bare temperature; a cook is held for a time, so write kind = "lethality" with its book'
        yield PlanRemark("error", sentence, limit.line)
    else:
        sentence = f'{where}: a dwell at {at} adds up broken holds; write kind = "lethality" with its book for a cook'
        yield PlanRemark("warning", sentence, limit.line)
