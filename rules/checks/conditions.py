"""Cooling options and the conditions that the product and its lots must meet for them."""

from __future__ import annotations

from collections.abc import Iterator

from rules.book import load_table
from rules.book_text import condition_words
from rules.checks.remark import PlanRemark
from rules.limits.spec import Composition, Cooling, Need
from rules.plan import Limit, Product

#: What a value is computed from where it is not entered itself (docs/judging-choices.md, 27).
_MADE_OF = {"brine_pct": ("salt_pct", "moisture_pct"), "nitrite_ppm": ("cure_g", "cure_nitrite_pct", "weight_kg")}


def conditions(product: Product, limit: Limit, where: str) -> Iterator[PlanRemark]:
    """Needs of a cooling that no step asks for, and what its table asks besides and no watch judges."""
    rule = limit.rule
    if not isinstance(rule, Cooling):
        return
    if rule.needs:
        yield from _needs(product, limit, rule, where)
    table = load_table(limit.book) if limit.book else None
    rows = table.conditions if table is not None else ()
    besides = [row for row in rows if row.values.get("measure") != "water_activity"]
    if besides:
        words = "; ".join(condition_words(row.values) for row in besides)
        sentence = f"{where}: {limit.book} asks besides: {words}; no watch judges that"
        yield PlanRemark("note", f"{sentence}, so write into do who looks after it", limit.line)
    for row in (r for r in rows if r.values.get("measure") == "water_activity"):
        sentence = (
            f"{where}: {limit.book} would take a water_activity of {row.values['max']:g} or less instead of its needs, which are least"
        )
        yield PlanRemark(
            "note", f"{sentence} values; a lot that rests on it ends unproven here, so keep its evaluation by hand", limit.line
        )


def cure(product: Product) -> Iterator[PlanRemark]:
    """A cured product in which nothing holds the nitrite below a maximum."""
    held = [x.rule for s in product.steps for x in s.limits if isinstance(x.rule, Composition) and x.rule.measure == "nitrite_ppm"]
    if product.cured and not any(rule.most is not None for rule in held):
        sentence = f"product {product.code}: it is cured, cure is toxic in excess, and no limit holds its nitrite below a maximum"
        remedy = 'kind = "composition" and measure = "nitrite_ppm", from a book such as us-inspected-2021'
        yield PlanRemark("note", f"{sentence}; weigh it and keep the record, or write a limit with {remedy}", product.line)


def _needs(product: Product, limit: Limit, rule: Cooling, where: str) -> Iterator[PlanRemark]:
    entered = _entered(product, limit)
    least = {m: low for m, (low, _) in entered.items()}
    missing = [_missing(part, least) for part in rule.needs]
    if all(missing):
        # The alternative that lacks the fewest is what a person most likely means.
        lacking = min(missing, key=len)
        sentence = f"{where}: it needs {' and '.join(lacking)}, and no step of {product.code} asks for it"
        remedy = f'write a limit with kind = "composition" and measure = "{lacking[0]}" at the step where it is weighed'
        yield PlanRemark("warning", f"{sentence}, so a lot without it is found out only once it cools; {remedy}", limit.line)
        return
    for part in (p for p, lacks in zip(rule.needs, missing, strict=True) if not lacks):
        low = [f"{n.measure} {n.least:g}" for n in part if n.measure in least and (least[n.measure] or 0.0) < n.least]
        late = [n.measure for n in part if n.measure in entered and entered[n.measure][1]]
        if low:
            sentence = f"{where}: it needs at least {' and '.join(low)}, and the composition limit lets less through"
            yield PlanRemark("warning", f"{sentence}; write min = that figure there", limit.line)
        if late:
            sentence = f"{where}: it needs {' and '.join(late)} before the cooling opens, and the plan asks for it in a later step"
            yield PlanRemark("error", f"{sentence}; write that composition limit at a step before the cooling", limit.line)


def _entered(product: Product, cooling: Limit) -> dict[str, tuple[float | None, bool]]:
    """Each measure that a composition limit asks for: its least value, and whether it is asked for only after the cooling begins."""
    found: dict[str, tuple[float | None, bool]] = {}
    names = [s.name for s in product.steps]
    begins = next(i for i, s in enumerate(product.steps) if cooling in s.limits)
    cooks = [i for i, s in enumerate(product.steps) if any(x.kind == "lethality" for x in s.limits)]
    opens = min([begins, *(i + 1 for i in cooks)])
    for step in product.steps:
        for limit in step.limits:
            if isinstance(limit.rule, Composition):
                rule = limit.rule
                late = names.index(step.name) >= opens
                was = found.get(rule.measure, (None, True))
                found[rule.measure] = (max((v for v in (was[0], rule.least) if v is not None), default=None), was[1] and late)
    return found


def _missing(part: tuple[Need, ...], entered: dict[str, float | None]) -> list[str]:
    """The measures of one alternative that nothing asks for."""
    return [
        n.measure
        for n in part
        if n.measure not in entered and not (n.measure in _MADE_OF and all(m in entered for m in _MADE_OF[n.measure]))
    ]
