"""What can be said of a limit by itself and of its book."""

from __future__ import annotations

import difflib
from collections.abc import Iterator

from rules.book import load_table
from rules.checks.against_books import against_site_books, fits, marks
from rules.checks.remark import PlanRemark
from rules.limits.spec import Ceiling, Cooling, Floor, HoldLethality, Humidity, IntegratedLethality
from rules.plan import Limit, Plan, Product
from rules.quantity import fahrenheit, format_span
from rules.reading import HOUR
from rules.wording import temperature

#: McMinn et al. 2018, Meat Muscle Biol. 2(1):168-179 (abstract): the meat table holds from 140 °F up and not at 130 °F.
_SUPPORTED_C = fahrenheit(140)
_LONG_DELAY = 4 * HOUR
_MEASURES = ("nitrite_ppm", "erythorbate_ppm", "salt_pct", "moisture_pct", "brine_pct", "water_activity", "weight_kg", "pH")


def one_limit(plan: Plan, product: Product | None, limit: Limit, where: str) -> Iterator[PlanRemark]:
    """What can be said of a limit by itself and of its book."""
    yield from _alarm(limit, where)
    table = load_table(limit.book) if limit.book else None
    if table is not None:
        yield from marks(plan, limit, table, where)
        yield from fits(product, limit, table, where)
    elif product is not None:
        yield from against_site_books(plan, product, limit, where)
    yield from _lethality(limit, where, plan.site.unit)
    if isinstance(limit.rule, Humidity) and limit.rule.exempt:
        return  # nothing is measured, and the exemption has its own source
    if limit.critical and not limit.do:
        yield PlanRemark("warning", f'{where}: no corrective action; write do = ["…"], what to do with the lot and its cause', limit.line)
    if limit.critical and table is None and not limit.source:
        yield PlanRemark("warning", f"{where}: neither book nor source supports this critical limit; write one of them", limit.line)
    if not limit.guard:
        yield PlanRemark("warning", f'{where}: guard = "none" leaves the probe\'s uncertainty out, which favours the lot', limit.line)
    if isinstance(limit.rule, Cooling):
        for need in (n for part in limit.rule.needs for n in part):
            near = difflib.get_close_matches(need.measure, _MEASURES, n=1)
            if need.measure not in _MEASURES and near:
                yield PlanRemark("warning", f'{where}: needs names "{need.measure}"; did you mean "{near[0]}"?', limit.line)


def _alarm(limit: Limit, where: str) -> Iterator[PlanRemark]:
    for key, delay in (("on_delay", limit.on_delay), ("off_delay", limit.off_delay)):
        if delay > _LONG_DELAY:
            sentence = f"{where}: {key} is {format_span(delay)}, so nobody hears of it in time; write minutes"
            yield PlanRemark("warning", sentence, limit.line)
    if limit.critical and limit.on_delay:
        sentence = f"{where}: on_delay lets a critical limit ring {format_span(limit.on_delay)} late; take it out"
        yield PlanRemark("warning", sentence, limit.line)
    rule = limit.rule
    if isinstance(rule, Ceiling | Floor) and rule.allowed and limit.on_delay > rule.allowed:
        sentence = f"{where}: on_delay {format_span(limit.on_delay)} is longer than allowed {format_span(rule.allowed)}"
        yield PlanRemark("warning", f"{sentence}, so it rings after the limit is passed; write a shorter on_delay", limit.line)


def _lethality(limit: Limit, where: str, unit: str) -> Iterator[PlanRemark]:
    rule = limit.rule
    lowest = rule.rows[0].at_c if isinstance(rule, HoldLethality) else rule.floor_c if isinstance(rule, IntegratedLethality) else None
    if lowest is None:
        return
    if lowest < _SUPPORTED_C - 0.001:
        sentence = f"{where}: rows below {temperature(_SUPPORTED_C, unit)} are met by holds that a study did not find supported at 130 °F"
        yield PlanRemark("warning", f"{sentence} (McMinn et al. 2018, Meat Muscle Biol. 2(1):168-179, abstract)", limit.line)
    if isinstance(rule, IntegratedLethality):
        sentence = f"{where}: published tables are hold times; the sum is accepted only with a qualified evaluation (FSIS-GD-2021-14 p. 68)"
        yield PlanRemark("note", f"{sentence}, here that of {rule.validated_by}", limit.line)
