"""A limit in a few words and the site's unit, short enough for the first line of a message."""

from __future__ import annotations

from functools import singledispatch

from rules.limits import spec
from rules.plan import Limit
from rules.quantity import format_span
from rules.wording import temperature


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
