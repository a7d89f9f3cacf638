"""Ceiling, floor, exposure, come-up, dwell and lethality, computed over the whole history (`judging.md` section 5)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import fsum
from typing import NamedTuple

from rules.finding import Verdict
from rules.limits.spec import Ceiling, ComeUp, Dwell, Exposure, Floor, HoldLethality, IntegratedLethality
from rules.reading import Instant, Span
from tests.plain.evidence import OPEN, Outcome, Part, Seen, Spell, Watch, milli, parts

Asks = Callable[[Seen], bool]


def ceiling(rule: Ceiling | Floor, watch: Watch, now: Instant) -> Outcome:
    """Time beyond the limit, excursion by excursion."""
    u = watch.u

    def beyond(s: Seen) -> bool:
        return milli(s.high + u) > milli(rule.max_c) if isinstance(rule, Ceiling) else milli(s.low - u) < milli(rule.min_c)

    def back(s: Seen) -> bool:
        if isinstance(rule, Ceiling):
            return milli(s.high + u) <= milli(rule.max_c - rule.deadband_c)
        return milli(s.low - u) >= milli(rule.min_c + rule.deadband_c)

    known = parts(watch, now)
    causes = [s.at for part in known for s in part.doubts if beyond(s)]
    excursion, over = False, 0
    for interval in (i for part in known for i in part.intervals):
        a, b, length = interval.a, interval.b, interval.end - interval.start
        if a is None and b is not None and beyond(b) and not excursion:
            excursion, over = True, 0  # the leading edge belongs to the excursion that its reading opens
        counts = excursion and any(s is not None and beyond(s) for s in (a, b))
        if interval.gap:
            counts = excursion and a is not None and b is not None and beyond(a) and beyond(b)
            if not counts:
                causes.append(interval.end)
        if counts:
            if rule.allowed > 0 and over + length > rule.allowed:
                return Outcome(Verdict.DEVIATED, interval.start + rule.allowed - over, True)
            over += length
        if b is not None and beyond(b):
            if rule.allowed == 0:
                return Outcome(Verdict.DEVIATED, b.at, True)
            if not excursion:
                excursion, over = True, 0
        elif b is not None and back(b):
            excursion = False
    return _ended(known, causes)


def _ended(known: Sequence[Part], causes: Sequence[Instant]) -> Outcome:
    """What a ceiling or floor that did not deviate is."""
    closed = known[-1].closed
    if closed is not None and not any(part.seen for part in known):
        causes = [*causes, closed]
    if causes:
        return Outcome(Verdict.UNPROVEN, min(causes))
    return OPEN if closed is None else Outcome(Verdict.MET, closed)


class Counted(NamedTuple):
    """A stretch that counts against a sum, for certain (`sure`) or as possible."""

    start: Instant
    end: Instant
    sure: bool


class Base(NamedTuple):
    """The sums a watch starts from: certain, and certain plus possible; time, or °C hours."""

    sure: float = 0
    total: float = 0


def _counted(watch: Watch, now: Instant, short: Callable[[Seen, Seen], bool], beyond: Asks) -> list[Counted]:
    """`short`: whether an interval that is no gap counts; `beyond`: whether one reading, standing for both ends, counts."""
    result = []
    for i in (i for part in parts(watch, now) for i in part.intervals):
        if i.a is not None and i.b is not None:
            if not i.gap and short(i.a, i.b):
                result.append(Counted(i.start, i.end, True))
            elif i.gap:
                result.append(Counted(i.start, i.end, beyond(i.a) and beyond(i.b)))
        elif i.gap:
            result.append(Counted(i.start, i.end, False))
        else:
            one = i.a or i.b
            if one is not None and beyond(one):
                result.append(Counted(i.start, i.end, True))
    return result


def exposure_counted(above_c: float, watch: Watch, now: Instant) -> list[Counted]:
    """What counts against one tier."""

    def above(s: Seen) -> bool:
        return milli(s.high + watch.u) > milli(above_c)

    return _counted(watch, now, lambda a, b: above(a) or above(b), above)


def is_low(rule: ComeUp, s: Seen, u: float) -> bool:
    """At or below `low`."""
    return milli(s.high + u) <= milli(rule.low_c)


def is_hot(rule: ComeUp, s: Seen, u: float) -> bool:
    """At or above `high`."""
    return milli(s.low - u) >= milli(rule.high_c)


def come_up_counted(rule: ComeUp, watch: Watch, now: Instant) -> list[Counted]:
    """What counts as time between `low` and `high`."""
    u = watch.u

    def between(s: Seen) -> bool:
        return not is_low(rule, s, u) and not is_hot(rule, s, u)

    def short(a: Seen, b: Seen) -> bool:
        return not (is_low(rule, a, u) and is_low(rule, b, u)) and not (is_hot(rule, a, u) and is_hot(rule, b, u))

    return _counted(watch, now, short, between)


def sums(base: Base, counted: Sequence[Counted]) -> Base:
    """Both sums at the end of what counted."""
    every = sum(c.end - c.start for c in counted)
    return Base(base.sure + sum(c.end - c.start for c in counted if c.sure), base.total + every)


def passing(base: Base, counted: Sequence[Counted], allowed: Span, opened: Instant) -> Instant | None:
    """The instant at which the certain sum passes `allowed`."""
    if base.sure > allowed:
        return opened
    total = base.sure
    for c in (c for c in counted if c.sure):
        if total + c.end - c.start > allowed:
            return c.start + round(allowed - total)
        total += c.end - c.start
    return None


def exposure(rule: Exposure, watch: Watch, bases: Sequence[Base], now: Instant) -> Outcome:
    """Each tier's sum of time above it."""
    known = parts(watch, now)
    closed = known[-1].closed
    if not any(part.seen for part in known):
        return OPEN if closed is None else Outcome(Verdict.UNPROVEN, closed)
    counted = [exposure_counted(tier.above_c, watch, now) for tier in rule.tiers]
    tiers = list(zip(rule.tiers, bases, counted, strict=True))
    passed = [passing(base, c, tier.within, watch.opened.at) for tier, base, c in tiers]
    if any(at is not None for at in passed):
        return Outcome(Verdict.DEVIATED, min(at for at in passed if at is not None), True)
    if closed is None:
        return OPEN
    doubtful = any(sums(base, c).total > tier.within for tier, base, c in tiers)
    return Outcome(Verdict.UNPROVEN if doubtful else Verdict.MET, closed)


def come_up(rule: ComeUp, watch: Watch, base: Base, now: Instant, lethal: Instant | None, was_low: Callable[[Instant], bool]) -> Outcome:
    """The sum of time between `low` and `high`, up to `lethal`, the instant at which the probe's lethality was met."""
    done = lethal is not None and lethal <= now
    known = parts(watch, lethal if done and lethal is not None else now)
    closed = lethal if done else known[-1].closed
    seen = [s for part in known for s in part.seen]
    if not seen:
        return OPEN if closed is None else Outcome(Verdict.UNPROVEN, closed, done)
    counted = come_up_counted(rule, watch, lethal if done and lethal is not None else now)
    passed = passing(base, counted, rule.within, watch.opened.at)
    if passed is not None:
        return Outcome(Verdict.DEVIATED, passed, True)
    pairs = [i for part in known for i in part.intervals if i.a and i.b and not i.gap]
    reached = [i.start for i in pairs if i.a and i.b and is_hot(rule, i.a, watch.u) and is_hot(rule, i.b, watch.u)]
    if closed is None:
        return Outcome(Verdict.MET, reached[0]) if reached else OPEN
    first_not_low = next((s.at for s in seen if not is_low(rule, s, watch.u)), None)
    doubtful = sums(base, counted).total > rule.within or not reached or (first_not_low is not None and not was_low(first_not_low))
    return Outcome(Verdict.UNPROVEN, closed, done) if doubtful else Outcome(Verdict.MET, reached[0], done)


def dwell(rule: Dwell, watch: Watch, now: Instant) -> Outcome:
    """The sum of time at or beyond the limit; a probe placed again starts from nothing."""

    def holds(s: Seen) -> bool:
        if rule.max_c is not None:
            return milli(s.high + watch.u) <= milli(rule.max_c)
        return rule.min_c is not None and milli(s.low - watch.u) >= milli(rule.min_c)

    known, shown = parts(watch, now), 0
    for part in known:
        for i in part.intervals:
            counts = i.a is not None and i.b is not None and holds(i.a) and holds(i.b) and not i.gap and not i.absent
            shown = shown + i.end - i.start if counts else 0 if rule.contiguous or i.absent else shown
            if counts and shown >= rule.length:
                return Outcome(Verdict.MET, i.end, True)
        if part.removed:
            shown = 0  # placed again, even in a later stay, it starts from nothing
        if part.closed is not None and not part.removed and any(p.seen for p in known[: known.index(part) + 1]):
            return Outcome(Verdict.DEVIATED, part.closed, True)
    closed, removed = known[-1].closed, known[-1].removed
    return OPEN if closed is None else Outcome(Verdict.UNPROVEN, closed, withdrawn=removed)


class Session(NamedTuple):
    """A placement as lethality and cooling see it: from the watch's opening to the removal, past the step's end."""

    spell: Spell
    seen: tuple[Seen, ...]


def sessions(watch: Watch, now: Instant) -> list[Session]:
    """The placements in which the watch was ever open, each to its removal or `now`."""
    result = []
    for placed in watch.placed:
        inside = [spell for stretch in watch.stretches for spell in stretch.inside]
        starts = [spell.start for spell in inside if placed.start <= spell.start and (placed.end is None or spell.start < placed.end)]
        if starts and min(starts).at <= now:
            spell = Spell(min(starts), placed.end if placed.end is not None and placed.end.at <= now else None)
            result.append(Session(spell, tuple(s for s in watch.evidence.seen if s.at <= now and spell.holds(s.at))))
    return result


def lethality(rule: HoldLethality | IntegratedLethality, watch: Watch, now: Instant) -> Outcome:
    """Shown or not: by rows held, or by the sum of log reductions."""
    lowest = min(row.at_c for row in rule.rows) if isinstance(rule, HoldLethality) else rule.floor_c
    runs = [stretch.run for stretch in watch.stretches]
    every = sessions(watch, now)
    outcome = OPEN
    for session in every:
        for index, s in enumerate(session.seen):
            credit = session.seen[: index + 1]
            if _held(rule, credit, watch) if isinstance(rule, HoldLethality) else _summed(rule, credit, watch):
                return Outcome(Verdict.MET, s.at, True)
            left = [run.end.at for run in runs if run.end is not None and run.end.at < s.at]
            if left and not any(run.holds(s.at) for run in runs) and milli(s.low - watch.u) <= milli(lowest - 2):
                return Outcome(Verdict.DEVIATED, max(left), True)
        end = session.spell.end
        outcome = OPEN
        if end is not None:
            ended = [run.end.at for run in runs if run.end is not None and run.end <= end]
            running = any(run.start <= end and (run.end is None or end < run.end) for run in runs)
            if running or not ended:
                outcome = Outcome(Verdict.UNPROVEN, end.at, withdrawn=True)
            else:
                nothing = not any(other.seen for other in every)
                return Outcome(Verdict.UNPROVEN if nothing else Verdict.DEVIATED, max(ended), True)
    return outcome


def _held(rule: HoldLethality, credit: Sequence[Seen], watch: Watch) -> bool:
    """Whether the newest reading completes any row: an unbroken run back from it, of two readings at least, spans the row's time."""
    for row in rule.rows:
        run: list[Seen] = []
        for s in reversed(credit):
            if milli(s.low - watch.u) < milli(row.at_c) or (run and run[-1].at - s.at > watch.max_gap):
                break
            run.append(s)
        if len(run) >= 2 and run[0].at - run[-1].at >= row.length:
            return True
    return False


def _summed(rule: IntegratedLethality, credit: Sequence[Seen], watch: Watch) -> bool:
    """Whether the log reductions of the intervals so far reach the target."""
    shares = []
    for a, b in pairwise(credit):
        t = min(a.low, b.low) - watch.u
        if b.at - a.at <= watch.max_gap and milli(t) >= milli(rule.floor_c):
            shares.append(10 ** ((t - rule.reference_c) / rule.z_value_c) * (b.at - a.at) / rule.d_value)
    return fsum(shares) >= rule.target_log - 1e-9
