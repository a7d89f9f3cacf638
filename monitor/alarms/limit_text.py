"""A limit in a few words and the site's unit, short enough for the first line of a message."""

from __future__ import annotations

from functools import singledispatch

from rules.limits import spec
from rules.plan import Limit
from rules.quantity import format_span
from rules.wording import degree_hours, difference, percent, temperature


def limit_text(limit: Limit, unit: str) -> str:
    """What the limit asks, such as "at most 34 °F" or "130 to 80 °F within 5 h"."""
    return _text(limit.rule, unit)


@singledispatch
def _text(rule: object, unit: str) -> str:
    """A kind with no short wording of its own is named by its kind."""
    kind = spec.KIND_OF.get(type(rule))
    return kind if kind else type(rule).__name__


@_text.register
def _(rule: spec.Ceiling, unit: str) -> str:
    return f"at most {temperature(rule.max_c, unit)}" + (f", {format_span(rule.allowed)} over allowed" if rule.allowed else "")


@_text.register
def _(rule: spec.Floor, unit: str) -> str:
    return f"at least {temperature(rule.min_c, unit)}" + (f", {format_span(rule.allowed)} under allowed" if rule.allowed else "")


@_text.register
def _(rule: spec.Exposure, unit: str) -> str:
    return "; ".join(f"above {temperature(t.above_c, unit)} at most {format_span(t.within)}" for t in rule.tiers)


@_text.register
def _(rule: spec.Dwell, unit: str) -> str:
    side = (
        f"at or below {temperature(rule.max_c, unit)}" if rule.max_c is not None else f"at or above {temperature(rule.min_c or 0.0, unit)}"
    )
    return f"{format_span(rule.length)} {side}"


@_text.register
def _(rule: spec.ComeUp, unit: str) -> str:
    return f"{temperature(rule.low_c, unit)} to {temperature(rule.high_c, unit)} within {format_span(rule.within)}"


@_text.register
def _(rule: spec.HoldLethality, unit: str) -> str:
    first, last = rule.rows[0], rule.rows[-1]
    text = f"{temperature(first.at_c, unit)} held {format_span(first.length)}"
    return text if first is last else f"{text}, or a hotter row up to {temperature(last.at_c, unit)} {format_span(last.length)}"


@_text.register
def _(rule: spec.IntegratedLethality, unit: str) -> str:
    return f"{rule.target_log:g} log above {temperature(rule.floor_c, unit)}"


@_text.register
def _(rule: spec.Cooling, unit: str) -> str:
    parts = [temperature(rule.start_c, unit)]
    for window in rule.windows:
        length = window.by if window.within is None else window.within
        parts.append(f"to {temperature(window.to_c, unit)} {'within' if window.by is None else 'by'} {format_span(length or 0)}")
    return " ".join(parts)


@_text.register
def _(rule: spec.Profile, unit: str) -> str:
    stages = ", then ".join(
        f"{temperature(s.set_c, unit)} "
        + (f"for {format_span(s.length)}" if s.length is not None else f"until the core is {temperature(s.until_core_c or 0.0, unit)}")
        for s in rule.stages
    )
    return f"{stages}, within {difference(rule.tolerance_c, unit)}"


@_text.register
def _(rule: spec.Humidity, unit: str) -> str:
    if rule.exempt:
        return f"exempt from humidity: {rule.exempt}"
    parts = [f"{percent(100 * rule.share)} of the cook"] if rule.share is not None else []
    parts += [f"at least {format_span(rule.at_least)}"] if rule.at_least is not None else []
    what = "steam or a sealed oven" if rule.min_rh is None else f"{percent(rule.min_rh)} humidity"
    return f"{what} for {' and '.join(parts)}"


@_text.register
def _(rule: spec.DegreeHours, unit: str) -> str:
    limits = sorted({band.limit for band in rule.bands}, reverse=True)
    most = degree_hours(limits[0], unit) + (f" to {degree_hours(limits[-1], unit)} by the hottest chamber" if len(limits) > 1 else "")
    return f"at most {most} above {temperature(rule.base_c, unit)} until pH {rule.until_ph:g}"


@_text.register
def _(rule: spec.Composition, unit: str) -> str:
    if rule.least is None:
        return f"{rule.measure} at most {rule.most:g}"
    return f"{rule.measure} at least {rule.least:g}" if rule.most is None else f"{rule.measure} {rule.least:g} to {rule.most:g}"
