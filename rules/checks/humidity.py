"""The humidity that hold tables go with: watched or exempt, for the rows that are used, and possible at the chamber's heat."""

from __future__ import annotations

from collections.abc import Iterator

from rules.book import load_table
from rules.checks.remark import PlanRemark
from rules.limits.spec import Floor, HoldLethality, Humidity, IntegratedLethality, Profile
from rules.plan import Limit, Plan, Product, Step
from rules.quantity import parse_temperature
from rules.science.humidity import STANDARD_PRESSURE_KPA, greatest_humidity, high_humidity_impossible, pressure_at_altitude
from rules.wording import percent, temperature

_GUIDE = "FSIS-GD-2021-14"
#: Tables of the guideline that go with no humidity: parasites are another hazard, and patties cook by direct heat (p. 32).
_WITHOUT = ("trichinae", "patties-5-log")
_OPTIONS = "us-inspected-2021/humidity-option-3"
#: Options by steam or a sealed oven, which no probe shows, go with rows of 145 °F or more (FSIS-GD-2021-14 p. 26).
_STEAM_ENDPOINT = "145 °F"
#: Above this the pressure of steam is not in the table; no chamber for meat is meant to be so hot and humid.
_STEAM_TABLE_TO_C = 200.0


def humidity(plan: Plan, product: Product) -> Iterator[PlanRemark]:
    """Every remark on the humidity of one product's cook."""
    watching = [(s, x, x.rule) for s in product.steps for x in s.limits if isinstance(x.rule, Humidity)]
    for step in product.steps:
        for limit in (x for x in step.limits if x.kind == "lethality"):
            where = f"product {product.code}, step {step.name}, limit {limit.name}"
            beside = [(x, rule) for s, x, rule in watching if _together(step, limit, s, x)]
            if _wants_humidity(limit) and not beside:
                sentence = f"{where}: its table goes with a humidity condition ({_GUIDE} p. 23, 26), and nothing watches that"
                remedy = f'write a limit with kind = "humidity" and book = "{_OPTIONS}", or exempt = "casing" if it is cooked in one'
                yield PlanRemark("warning", f"{sentence}; {remedy}", limit.line)
            for other, rule in beside:
                yield from _endpoint(limit, other, rule, where, plan.site.unit)
    for step, limit, rule in watching:
        if rule.exempt:
            sentence = f"product {product.code}, step {step.name}, limit {limit.name}: exempt from humidity as {rule.exempt}"
            yield PlanRemark("note", f"{sentence}: {rule.exempt_text}", limit.line)
        elif rule.min_rh is not None:
            yield from _possible(plan, product, step, limit, rule)


def _together(step: Step, limit: Limit, other_step: Step, other: Limit) -> bool:
    """Whether two limits run in one step."""
    return bool({step.name, *limit.over} & {other_step.name, *other.over})


def _wants_humidity(limit: Limit) -> bool:
    table = load_table(limit.book) if limit.book else None
    return table is not None and table.name not in _WITHOUT and any(c.document == _GUIDE for c in limit.citations)


def _endpoint(limit: Limit, other: Limit, rule: Humidity, where: str, unit: str) -> Iterator[PlanRemark]:
    if rule.exempt:
        return
    table = load_table(other.book) if other.book else None
    asked = table.endpoint if table is not None else _STEAM_ENDPOINT if rule.min_rh is None else ""
    least = limit.rule
    lowest = least.rows[0].at_c if isinstance(least, HoldLethality) else least.floor_c if isinstance(least, IntegratedLethality) else None
    if not asked or lowest is None or lowest >= parse_temperature(asked) - 0.001:
        return
    from_c = temperature(parse_temperature(asked), unit)
    name = other.book or "steam or a sealed oven"
    sentence = f"{where}: {name} is for rows of {from_c} or more ({_GUIDE} p. 26), and a row from {temperature(lowest, unit)} up would do"
    yield PlanRemark("error", f"{sentence}; write rows from {from_c} up, or another humidity option for limit {other.name}", limit.line)


def _possible(plan: Plan, product: Product, step: Step, limit: Limit, rule: Humidity) -> Iterator[PlanRemark]:
    """No air above its boiling point holds so much humidity (FSIS-GD-2021-14 p. 43: 90 % above 212 °F)."""
    pressure = STANDARD_PRESSURE_KPA if plan.site.altitude_m is None else pressure_at_altitude(plan.site.altitude_m)
    unit = plan.site.unit
    hot: list[tuple[float, str]] = []
    stages = 0
    for s in product.steps:
        for x in s.limits:
            if not _together(step, limit, s, x):
                continue
            if isinstance(x.rule, Profile):
                stages += len(x.rule.stages)
                hot += [(stage.set_c, f"a stage of {x.name}") for stage in x.rule.stages if _too_hot(stage.set_c, rule, pressure)]
            elif isinstance(x.rule, Floor) and x.place == "chamber" and _too_hot(x.rule.min_c, rule, pressure):
                hot, stages = [(x.rule.min_c, x.name)], 1
    if not hot:
        return
    at_c, name = max(hot)
    at = temperature(at_c, unit)
    sentence = (
        f"product {product.code}, step {step.name}, limit {limit.name}: {percent(rule.min_rh or 0)} cannot be held at the {at} of {name}"
    )
    if at_c <= _STEAM_TABLE_TO_C:
        sentence += f", where air holds {percent(greatest_humidity(at_c, pressure))} at most"
    # Cooler stages may be long enough for a share of the cook, which a plan alone does not tell.
    never = len(hot) == stages or (rule.share or 0.0) >= 1.0
    told = f"{sentence} ({_GUIDE} p. 43: 90 % is impossible above 212 °F)"
    yield PlanRemark("error" if never else "warning", f"{told}; lower the chamber, or write exempt where an exemption applies", limit.line)


def _too_hot(dry_c: float, rule: Humidity, pressure_kpa: float) -> bool:
    """The guideline's line for 90 % and more, physics for less, and no air beyond the table of steam."""
    asked = rule.min_rh or 0.0
    if asked >= 90.0 and high_humidity_impossible(dry_c):
        return True
    return dry_c > _STEAM_TABLE_TO_C or greatest_humidity(dry_c, pressure_kpa) < asked
