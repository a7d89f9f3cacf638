"""A generated plan as the TOML text that a person would write, for what reads plans from files.

What the text cannot say is left out of it: degree-hour tables of several bands (only a book has those) keep their first,
and limits exempt under an invented code go. So the plan that counts is the one that is read back.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from rules.limits.spec import (
    Ceiling,
    ComeUp,
    Composition,
    Cooling,
    DegreeHours,
    Dwell,
    Exposure,
    Floor,
    HoldLethality,
    Humidity,
    IntegratedLethality,
    Profile,
    Rule,
)
from rules.plan import Advance, Limit, Plan, Probe
from rules.reading import MINUTE, SECOND, Span


def plan_text(plan: Plan) -> str:
    """The plan as TOML."""
    return "\n".join(_lines(plan)) + "\n"


def _lines(plan: Plan) -> Iterator[str]:
    site = plan.site
    yield from ("[site]", *_pairs({"id": site.id, "name": site.name, "timezone": site.timezone, "unit": site.unit}))
    if site.altitude_m is not None:
        yield f'altitude = "{_number(site.altitude_m)} m"'
    for room in plan.rooms:
        yield from ("[[room]]", *_pairs({"id": room.id, "kind": room.kind}))
    for probe in plan.probes:
        yield from ("[[probe]]", *_pairs(_probe(probe)))
    for standing in plan.standing:
        yield from ("[[standing]]", *_pairs({"room": standing.room}))
        for limit in standing.limits:
            yield from ("[[standing.limit]]", *_pairs(_limit(limit)))
    for product in plan.products:
        yield from ("[[product]]", *_pairs({"code": product.code, "name": product.name}))
        for step in product.steps:
            yield from ("[[product.step]]", *_pairs({"name": step.name, "room": step.room, **_flags(step)}))
            if step.advance is not None:
                yield f"advance = {{ when = {_json(_when(step.advance))}, how = {_json(step.advance.how)} }}"
            for limit in step.limits:
                if not (isinstance(limit.rule, Humidity) and limit.rule.exempt):
                    yield from ("[[product.step.limit]]", *_pairs(_limit(limit)))


def _pairs(values: dict[str, Any]) -> Iterator[str]:
    for key, value in values.items():
        if value is not None:
            yield f"{key} = {value if isinstance(value, _Raw) else _json(value)}"


class _Raw(str):
    """TOML as it is."""


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def _number(value: float) -> str:
    return format(Decimal(repr(float(value))), "f")


def _degrees(value: float | None) -> str | None:
    return None if value is None else f"{_number(value)} °C"


def _span(span: Span | None) -> str | None:
    return None if span is None else f"{format(Decimal(span) / SECOND, 'f')} s"


def _tables(rows: list[dict[str, Any]]) -> _Raw:
    return _Raw("[" + ", ".join("{ " + ", ".join(_pairs(row)) + " }" for row in rows) + "]")


def _flags(step: Any) -> dict[str, Any]:
    return {"optional": step.optional or None, "repeats": step.repeats or None}


def _probe(probe: Probe) -> dict[str, Any]:
    unit = "%" if probe.place == "humidity" else "°C"
    rate = None if probe.max_rate_c_s is None else f"{_number(round(probe.max_rate_c_s * MINUTE / SECOND, 9))} {unit}/min"
    return {
        "id": probe.id,
        "place": probe.place,
        "room": probe.room,
        "uncertainty": None if probe.uncertainty_c is None else f"{_number(probe.uncertainty_c)} {unit}",
        "span": None if probe.span_c is None else [f"{_number(end)} {unit}" for end in probe.span_c],
        "silent_after": _span(probe.silent_after),
        "max_rate": rate,
        "stuck_after": _span(probe.stuck_after),
        "dry_bulb": probe.dry_bulb,
    }


def _when(advance: Advance) -> str:
    if advance.when == "after":
        return f"after {_span(advance.length)}"
    if advance.when != "core":
        return advance.when
    bound = f"<= {_degrees(advance.at_most_c)}" if advance.at_most_c is not None else f">= {_degrees(advance.at_least_c)}"
    return f"core {bound} for {_span(advance.length)}"


def _limit(limit: Limit) -> dict[str, Any]:
    entered = isinstance(limit.rule, Composition) or (isinstance(limit.rule, Humidity) and limit.rule.min_rh is None)
    profile = isinstance(limit.rule, Profile)
    return {
        "name": limit.name,
        "kind": limit.kind,
        "class": None if profile else "critical" if limit.critical else "operating",
        "place": None if entered else limit.place,
        "max_gap": None if limit.sampled else _span(limit.max_gap),
        "sampled": _span(limit.sampled),
        "probes": limit.probes,
        "over": list(limit.over) or None,
        "guard": None if limit.guard else "none",
        "source": "invented",
        **_rule(limit.rule),
    }


def _rule(rule: Rule) -> dict[str, Any]:
    match rule:
        case Ceiling():
            return {"max": _degrees(rule.max_c), "allowed": _span(rule.allowed), "deadband": _degrees(rule.deadband_c)}
        case Floor():
            return {"min": _degrees(rule.min_c), "allowed": _span(rule.allowed), "deadband": _degrees(rule.deadband_c)}
        case Exposure():
            return {"tiers": _tables([{"above": _degrees(t.above_c), "within": _span(t.within)} for t in rule.tiers])}
        case Dwell():
            ends = {"max": _degrees(rule.max_c), "min": _degrees(rule.min_c)}
            return {**ends, "for": _span(rule.length), "contiguous": rule.contiguous}
        case ComeUp():
            return {"low": _degrees(rule.low_c), "high": _degrees(rule.high_c), "within": _span(rule.within)}
        case HoldLethality():
            return {"method": "hold", "rows": _tables([{"at": _degrees(r.at_c), "for": _span(r.length)} for r in rule.rows])}
        case IntegratedLethality():
            return {
                "method": "integrated",
                "reference": _degrees(rule.reference_c),
                "d_value": _span(rule.d_value),
                "z_value": _degrees(rule.z_value_c),
                "floor": _degrees(rule.floor_c),
                "target_log": rule.target_log,
                "validated_by": rule.validated_by,
            }
        case Cooling():
            windows = [{"to": _degrees(w.to_c), "within": _span(w.within), "by": _span(w.by)} for w in rule.windows]
            needs = [{need.measure: need.least for need in part} for part in rule.needs]
            return {
                "start": _degrees(rule.start_c),
                "windows": _tables(windows),
                "needs": _tables(needs) if needs else None,
                "begin_within": _span(rule.begin_within),
            }
        case _:
            return _process_rule(rule)


def _process_rule(rule: Rule) -> dict[str, Any]:
    match rule:
        case Profile():
            stages = [{"set": _degrees(s.set_c), "for": _span(s.length), "until_core": _degrees(s.until_core_c)} for s in rule.stages]
            fall = rule.fire_out
            return {
                "stages": _tables(stages),
                "tolerance": _degrees(rule.tolerance_c),
                "settle": _span(rule.settle),
                "fire_out": None if fall is None else f"{_degrees(fall[0])} in {_span(fall[1])}",
            }
        case Humidity():
            least = None if rule.min_rh is None else f"{_number(rule.min_rh)} %"
            return {"min_rh": least, "share": rule.share, "at_least": _span(rule.at_least)}
        case DegreeHours():
            return {
                "base": _degrees(rule.base_c),
                "limit": f"{_number(round(rule.bands[0].limit, 6))} °C h",
                "until_ph": rule.until_ph,
            }
        case Composition():
            return {"measure": rule.measure, "min": rule.least, "max": rule.most}
    raise AssertionError(f"{type(rule).__name__} is not written yet")
