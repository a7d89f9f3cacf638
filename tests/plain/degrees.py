"""Degree-hours, computed over the whole history (`judging.md` section 5, choice 26)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from rules.finding import Verdict
from rules.limits.spec import Band, DegreeHours
from rules.reading import HOUR, Instant
from tests.plain.evidence import OPEN, Interval, Moment, Outcome, Seen, Watch, milli, parts
from tests.plain.kinds import Base


class Amount(NamedTuple):
    """Degree-hours of one interval, for certain (`sure`) or as possible."""

    start: Instant
    end: Instant
    celsius_hours: float
    sure: bool


class Warmth(NamedTuple):
    """A reading with what is used against the lot."""

    at: Instant
    celsius: float
    probe: str


def warmer(rule: DegreeHours, ends: Sequence[float], length: int) -> float:
    """°C h over the base at the warmest of some ends."""
    return max(0.0, max(ends) - rule.base_c) * length / HOUR


def amounts(rule: DegreeHours, watch: Watch, until: Instant, closes: bool = False) -> list[Amount]:
    """What each interval adds; with `closes`, also the stretch from the newest reading to `until`."""
    found = []
    known = parts(watch, until)
    for n, part in enumerate(known):
        intervals = list(part.intervals)
        if closes and n == len(known) - 1 and part.closed is None:
            last = part.seen[-1] if part.seen else None
            start = last.at if last is not None else part.opened
            intervals.append(Interval(start, until, last, None, until - start > watch.max_gap))
        for i in intervals:
            ends = [s.high + watch.u for s in (i.a, i.b) if s is not None]
            if ends:
                found.append(Amount(i.start, i.end, warmer(rule, ends, i.end - i.start), not i.gap))
    return found


def degree_sums(rule: DegreeHours, watch: Watch, base: Base, until: Instant) -> Base:
    """Both sums at an instant."""
    found = amounts(rule, watch, until)
    return Base(base.sure + sum(a.celsius_hours for a in found if a.sure), base.total + sum(a.celsius_hours for a in found))


def row(rule: DegreeHours, highest_c: float) -> Band | None:
    """The row for the highest temperature seen: one with both ends includes them, one with one end does not."""
    for band in rule.bands:
        low, high, t = band.from_c, band.to_c, milli(highest_c)
        both = low is not None and high is not None
        above = low is None or t > milli(low) or (both and t == milli(low))
        below = high is None or t < milli(high) or (both and t == milli(high))
        if above and below:
            return band
    return None


def degree_hours(
    rule: DegreeHours, watch: Watch, base: Base, warmths: Sequence[Warmth], ph: Instant | None, early: bool, now: Instant
) -> Outcome:
    """As known at `now`, nothing having deviated earlier; `warmths` are the readings that choose the row.

    `ph` is when the pH was reached; `early`: nothing is summed since that stood before.
    """
    opened = watch.opened.at
    closing = _closed_by_ph(watch, ph, now)
    until, reached = (now, False) if closing is None else (closing, True)
    found = [] if early else amounts(rule, watch, until, reached)
    own = [w for w in warmths if w.at < until or (w.at == until and w.probe == watch.probe)]
    left = parts(watch, until)[-1].closed
    whole = [w for w in warmths if w.at <= (until if left is None else left)]
    known = parts(watch, until)
    heir = over(base.sure, _limit(rule, [w for w in warmths if w.at <= opened]))  # it starts from a sum already over
    if heir and any(part.seen for part in known):  # which nothing measured has shown before its first reading
        return Outcome(Verdict.DEVIATED, opened, True)
    sure = base.sure + sum(a.celsius_hours for a in found if a.sure and a.end < until)
    for a in (a for a in found if a.sure and a.end == until):
        at_reading = any(s.at == until for s in watch.evidence.seen) and a.end > a.start
        limit = _limit(rule, own if at_reading else whole)
        if over(sure, limit):
            return Outcome(Verdict.DEVIATED, until, True)
        if over(sure + a.celsius_hours, limit):
            return Outcome(Verdict.DEVIATED, a.start + round((limit - sure) / a.celsius_hours * (a.end - a.start)), True)
        sure += a.celsius_hours
    if over(sure, _limit(rule, whole)) and not heir:
        return Outcome(Verdict.DEVIATED, until, True)
    causes = [] if early else _rowless(rule, whole, opened)
    closed = until if reached else known[-1].closed
    if not early:
        ends = [(part, part.closed if part.closed is not None else closed) for part in known]
        causes += [end for part, end in ends if end is not None and not part.seen and end - part.opened > watch.max_gap]
    total = base.total + sum(a.celsius_hours for a in found)
    seen = early or any(part.seen for part in known)
    if closed is not None and (not reached or not seen or over(total, _limit(rule, whole))):
        causes.append(closed)
    if causes:
        return Outcome(Verdict.UNPROVEN, min(causes), reached)
    return Outcome(Verdict.MET, until, True) if reached else OPEN


def _closed_by_ph(watch: Watch, ph: Instant | None, now: Instant) -> Instant | None:
    """When the pH closed the watch: at its entry, or at the next opening after it."""
    spells = sorted((spell for stretch in watch.stretches for spell in stretch.inside), key=lambda spell: spell.start)
    for spell in spells:
        if ph is not None and (spell.end is None or spell.end.at >= ph):
            at = max(ph, spell.start.at)
            return at if at <= now else None
    return None


def over(sum_: float, limit: float) -> bool:
    """Whether a sum is above a limit, compared to 0.000001 °C h."""
    return round(sum_, 6) > round(limit, 6) if sum_ != float("inf") else True


def _limit(rule: DegreeHours, warmths: Sequence[Warmth]) -> float:
    """The limit of the row in force; nothing is over while there is no row."""
    band = row(rule, max(w.celsius for w in warmths)) if warmths else None
    return float("inf") if band is None else band.limit


def _rowless(rule: DegreeHours, warmths: Sequence[Warmth], opened: Instant) -> list[Instant]:
    """When the highest temperature first had no row."""
    highest = float("-inf")
    for w in sorted(warmths):
        highest = max(highest, w.celsius)
        if row(rule, highest) is None:
            return [max(w.at, opened)]
    return []


def bare_amount(rule: DegreeHours, watches: Sequence[Watch], later: Watch, last: Instant, until: Instant, at: Instant) -> float:
    """What uncovered time adds, as possible: its length at the warmer of the readings before it and the later watch's first."""

    def within(watch: Watch) -> list[Seen]:
        spells = [spell for stretch in watch.stretches for spell in stretch.inside]
        return [s for s in watch.evidence.seen if s.at <= at and any(spell.holds(s.at) for spell in spells)]

    seen = sorted((s.at, s.high + watch.u) for watch in watches for s in within(watch))
    before = [celsius for when, celsius in seen if when <= last][-1:]
    after = [s.high + later.u for s in within(later) if s.at >= until][:1]
    return warmer(rule, before + after, until - last) if before or after else float("inf")


def has_read(watch: Watch, before: Moment) -> bool:
    """Whether a watch had a reading before a moment; those of its own instant come after it."""
    spells = [spell for stretch in watch.stretches for spell in stretch.inside]
    return any(s.at < before.at and any(spell.holds(s.at) for spell in spells) for s in watch.evidence.seen)
