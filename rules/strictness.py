"""Whether one limit is laxer than another of its kind: a plan's own figures against a published table's."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from rules.limits.spec import (
    Band,
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
    Need,
    Profile,
    Rule,
)
from rules.quantity import format_span
from rules.reading import Span
from rules.wording import degree_hours, difference, temperature


def laxer(rule: Rule, book: Rule, unit: str) -> str:
    """Why `rule` allows something that `book` does not, and what to write; "" where it allows nothing more.

    Where it cannot be shown that nothing more is allowed, that is said. `unit` is the site's, "C" or "F".
    Rules of different kinds are not comparable: "".
    """
    compare = _COMPARE.get(type(rule))
    return compare(rule, book, unit) if compare is not None and type(rule) is type(book) else ""


def _above(a: float, b: float) -> bool:
    return round(a, 3) > round(b, 3)


def _ceiling(rule: Ceiling, book: Ceiling, unit: str) -> str:
    if _above(rule.max_c, book.max_c):
        return f"max is {temperature(rule.max_c, unit)} where the book has {temperature(book.max_c, unit)}; write that or less"
    return _allowed(rule.allowed, book.allowed)


def _floor(rule: Floor, book: Floor, unit: str) -> str:
    if _above(book.min_c, rule.min_c):
        return f"min is {temperature(rule.min_c, unit)} where the book has {temperature(book.min_c, unit)}; write that or more"
    return _allowed(rule.allowed, book.allowed)


def _allowed(own: Span, book: Span) -> str:
    if own > book:
        return f"allowed is {format_span(own)} where the book has {format_span(book)}; write that or less"
    return ""


def _exposure(rule: Exposure, book: Exposure, unit: str) -> str:
    for tier in book.tiers:
        if not any(not _above(t.above_c, tier.above_c) and t.within <= tier.within for t in rule.tiers):
            return (
                f"no tier holds the time above {temperature(tier.above_c, unit)} to {format_span(tier.within)} as the book does; "
                f'write {{ above = "{temperature(tier.above_c, unit)}", within = "{format_span(tier.within)}" }}'
            )
    return ""


def _dwell(rule: Dwell, book: Dwell, unit: str) -> str:
    if rule.length < book.length:
        return f"for is {format_span(rule.length)} where the book has {format_span(book.length)}; write that or more"
    if book.max_c is not None and (rule.max_c is None or _above(rule.max_c, book.max_c)):
        return f"max is not {temperature(book.max_c, unit)} or less as in the book; write that"
    if book.min_c is not None and (rule.min_c is None or _above(book.min_c, rule.min_c)):
        return f"min is not {temperature(book.min_c, unit)} or more as in the book; write that"
    return "contiguous is false where the book has true; write true" if book.contiguous and not rule.contiguous else ""


def _come_up(rule: ComeUp, book: ComeUp, unit: str) -> str:
    if _above(rule.low_c, book.low_c):
        return f"low is {temperature(rule.low_c, unit)} where the book has {temperature(book.low_c, unit)}; write that or less"
    if _above(book.high_c, rule.high_c):
        return f"high is {temperature(rule.high_c, unit)} where the book has {temperature(book.high_c, unit)}; write that or more"
    if rule.within > book.within:
        return f"within is {format_span(rule.within)} where the book has {format_span(book.within)}; write that or less"
    return ""


def _hold(rule: HoldLethality, book: HoldLethality, unit: str) -> str:
    for row in rule.rows:
        # No interpolation: a temperature between two rows of the book earns the lower one.
        below = [b for b in book.rows if not _above(b.at_c, row.at_c)]
        if not below:
            lowest = temperature(book.rows[0].at_c, unit)
            return f"the row at {temperature(row.at_c, unit)} lies below the book's lowest, {lowest}; take it out"
        need = min(b.length for b in below)
        if row.length < need:
            at = temperature(row.at_c, unit)
            if row.length == 0:
                return f"{at} is a bare temperature, which the book asks to be held for {format_span(need)}; write that"
            return f"{format_span(row.length)} at {at} is less than the book's {format_span(need)}; write that or more"
    return ""


def _integrated(rule: IntegratedLethality, book: IntegratedLethality, unit: str) -> str:
    if _above(book.floor_c, rule.floor_c):
        return f"floor is {temperature(rule.floor_c, unit)} where the book has {temperature(book.floor_c, unit)}; write that or more"
    if rule.target_log < book.target_log:
        return f"target_log is {rule.target_log:g} where the book has {book.target_log:g}; write that or more"
    # Both rates are straight lines in T on a log scale, so two temperatures decide; 80 °C is past every table's cut-off.
    for at_c in (rule.floor_c, 80.0):
        if _log_rate(rule, at_c) > _log_rate(book, at_c) + 1e-9:
            return f"at {temperature(at_c, unit)} the plan's d_value and z_value credit more than the book's; write the book's"
    return ""


def _log_rate(rule: IntegratedLethality, at_c: float) -> float:
    return (at_c - rule.reference_c) / rule.z_value_c - math.log10(rule.d_value)


def _cooling(rule: Cooling, book: Cooling, unit: str) -> str:
    if _above(book.start_c, rule.start_c):
        return f"start is {temperature(rule.start_c, unit)} where the book has {temperature(book.start_c, unit)}; write that or more"
    mark, previous = book.start_c, book.start_c
    for window in book.windows:
        if window.within is not None:
            mark, limit, words = previous, window.within, "from the mark before"
        else:
            mark, limit, words = book.start_c, window.by or 0, "from the start"
        most = _longest(rule, mark, window.to_c)
        to = temperature(window.to_c, unit)
        if most is None:
            return f"no window goes down to {to} as the book's does; write one"
        if most > limit:
            return f"the windows allow {format_span(most)} to {to} {words} where the book has {format_span(limit)}; write its windows"
        previous = window.to_c
    if book.begin_within is not None and (rule.begin_within is None or rule.begin_within > book.begin_within):
        return f"begin_within is longer than the book's {format_span(book.begin_within)} or left out; write that"
    if book.needs and not rule.needs:
        return f"needs is left out where the book asks {_needs(book.needs)}; write it"
    if book.needs and not all(any(_implies(own, asked) for asked in book.needs) for own in rule.needs):
        return f"needs asks less than the book, which asks {_needs(book.needs)}; write that"
    return ""


def _longest(rule: Cooling, from_c: float, to_c: float) -> Span | None:
    """The longest that the windows allow from `from_c` to `to_c`; None: they do not go down so far."""
    marks = [rule.start_c, *(w.to_c for w in rule.windows)]
    last = next((i for i, m in enumerate(marks) if i and not _above(m, to_c)), None)
    if last is None:
        return None
    first = max(i for i, m in enumerate(marks) if not _above(from_c, m))
    by_start: Span = 0
    stretch: Span | None = 0
    for i, window in enumerate(rule.windows[:last], 1):
        by_start = (window.by or 0) if window.within is None else by_start + window.within
        if i > first:
            stretch = None if stretch is None or window.within is None else stretch + window.within
    return by_start if stretch is None else min(by_start, stretch)


def _implies(own: tuple[Need, ...], asked: tuple[Need, ...]) -> bool:
    least = {n.measure: n.least for n in own}
    return all(least.get(n.measure, -math.inf) >= n.least for n in asked)


def _needs(needs: tuple[tuple[Need, ...], ...]) -> str:
    return " or ".join(" and ".join(f"{n.measure} {n.least:g}" for n in part) for part in needs)


def _profile(rule: Profile, book: Profile, unit: str) -> str:
    if rule.stages != book.stages:
        return "its stages are not the book's, so that nothing shows that they ask as much; leave stages out"
    if _above(rule.tolerance_c, book.tolerance_c):
        return f"tolerance is {difference(rule.tolerance_c, unit)} where {difference(book.tolerance_c, unit)} is usual; write that or less"
    if rule.settle > book.settle:
        return f"settle is {format_span(rule.settle)} where {format_span(book.settle)} is usual; write that or less"
    return ""


def _humidity(rule: Humidity, book: Humidity, _unit: str) -> str:
    if rule.exempt:
        return ""
    if book.min_rh is not None and (rule.min_rh is None or _above(book.min_rh, rule.min_rh)):
        own = "left out" if rule.min_rh is None else f"{rule.min_rh:g} %"
        return f"min_rh is {own} where the book has {book.min_rh:g} %; write that or more"
    if book.share is not None and (rule.share is None or rule.share < book.share):
        own = "left out" if rule.share is None else f"{100 * rule.share:g} %"
        return f"share is {own} where the book has {100 * book.share:g} %; write that or more"
    if book.at_least is not None and (rule.at_least is None or rule.at_least < book.at_least):
        own = "left out" if rule.at_least is None else format_span(rule.at_least)
        return f"at_least is {own} where the book has {format_span(book.at_least)}; write that or more"
    return ""


def _degree_hours(rule: DegreeHours, book: DegreeHours, unit: str) -> str:
    if _above(rule.base_c, book.base_c):
        return f"base is {temperature(rule.base_c, unit)} where the book has {temperature(book.base_c, unit)}; write that or less"
    if rule.until_ph > book.until_ph:
        return f"until_ph is {rule.until_ph:g} where the book has {book.until_ph:g}; write that or less"
    for band in book.bands:
        low, high = _ends(band)
        for own in rule.bands:
            own_low, own_high = _ends(own)
            if max(own_low, low) < min(own_high, high) and own.limit > band.limit + 1e-9:
                words = [f"{w} {temperature(e, unit)}" for w, e in (("above", band.from_c), ("below", band.to_c)) if e is not None]
                where = f" for a chamber {' and '.join(words)}" if words else ""
                book_has = degree_hours(band.limit, unit)
                return f"limit is {degree_hours(own.limit, unit)} where the book has {book_has}{where}; write that or less"
    return ""


def _ends(band: Band) -> tuple[float, float]:
    return (-math.inf if band.from_c is None else band.from_c), (math.inf if band.to_c is None else band.to_c)


def _composition(rule: Composition, book: Composition, _unit: str) -> str:
    if rule.measure != book.measure:
        return ""
    if book.least is not None and (rule.least is None or rule.least < book.least):
        return f"min is {'left out' if rule.least is None else f'{rule.least:g}'} where the book has {book.least:g}; write that or more"
    if book.most is not None and (rule.most is None or rule.most > book.most):
        return f"max is {'left out' if rule.most is None else f'{rule.most:g}'} where the book has {book.most:g}; write that or less"
    return ""


_COMPARE: dict[type, Callable[[Any, Any, str], str]] = {
    Ceiling: _ceiling,
    Floor: _floor,
    Exposure: _exposure,
    Dwell: _dwell,
    ComeUp: _come_up,
    HoldLethality: _hold,
    IntegratedLethality: _integrated,
    Cooling: _cooling,
    Profile: _profile,
    Humidity: _humidity,
    DegreeHours: _degree_hours,
    Composition: _composition,
}
