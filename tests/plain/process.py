"""Profile and humidity, computed over the whole history (`judging.md` section 5, choices 24 and 25)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from rules.finding import Verdict
from rules.limits.spec import Humidity, Profile
from rules.reading import MINUTE, Instant, Span
from rules.science.errors import OutOfRange
from rules.science.humidity import relative_humidity, vapour_pressure
from tests.plain.evidence import OPEN, Evidence, Outcome, Seen, Spell, Watch, milli, parts


class Reached(NamedTuple):
    """A core probe as a profile sees it: when it was in the lot, its readings, its uncertainty."""

    probe: str
    placed: Sequence[Spell]
    seen: Sequence[Seen]
    u: float

    def is_in(self, at: Instant) -> bool:
        """Whether it is in the lot once the lot events of an instant have happened."""
        return any(spell.start.at <= at and (spell.end is None or at < spell.end.at) for spell in self.placed)


class StageTime(NamedTuple):
    """When a stage begins, and ends if that is known."""

    begin: Instant
    end: Instant | None


def stage_times(rule: Profile, begin: Instant, cores: Sequence[Reached]) -> list[StageTime]:
    """The stages that begin, in order."""
    found: list[StageTime] = []
    for stage in rule.stages:
        end = begin + stage.length if stage.length is not None else _all_reached(stage.until_core_c or 0.0, begin, cores)
        found.append(StageTime(begin, end))
        if end is None:
            break
        begin = end
    return found


def _all_reached(until_c: float, begin: Instant, cores: Sequence[Reached]) -> Instant | None:
    """The first core reading from `begin` on at which every probe then in the lot has reached the temperature."""
    reached: set[str] = set()
    for at in sorted({s.at for core in cores for s in core.seen if s.at >= begin and core.is_in(s.at)}):
        for core in cores:
            if any(s.at == at and milli(s.low - core.u) >= milli(until_c) for s in core.seen):
                reached.add(core.probe)
        if {core.probe for core in cores if core.is_in(at)} <= reached:
            return at
    return None


def profile(rule: Profile, watch: Watch, stages: Sequence[StageTime], now: Instant) -> Outcome:
    """Deviated at the first reading off, or at a closing before the last stage has begun."""
    known = parts(watch, now)
    over = stages[-1].end if len(stages) == len(rule.stages) else None
    causes: list[Instant] = []
    for n, part in enumerate(known):
        for interval in part.intervals:
            if interval.b is not None and is_off(rule, watch.u, stages, interval.b):
                return Outcome(Verdict.DEVIATED, interval.b.at, True)
            asked = interval.end if over is None else min(interval.end, over)
            if asked - interval.start > watch.max_gap:
                causes.append(interval.end)
        if part.closed is not None and not any(p.seen for p in known[: n + 1]):
            causes.append(part.closed)
        elif part.closed is not None and not (len(stages) == len(rule.stages) and stages[-1].begin <= part.closed):
            return Outcome(Verdict.DEVIATED, part.closed, True)
    closed = known[-1].closed
    if causes:
        return Outcome(Verdict.UNPROVEN, min(causes))
    return OPEN if closed is None else Outcome(Verdict.MET, closed)


def is_off(rule: Profile, u: float, stages: Sequence[StageTime], s: Seen) -> bool:
    """Whether a reading is off its stage, after the settling."""
    index = next((n for n, stage in enumerate(stages) if stage.begin <= s.at and (stage.end is None or s.at < stage.end)), None)
    return index is not None and s.at > stages[index].begin + rule.settle and not _within(rule, u, index, s)


def _within(rule: Profile, u: float, index: int, s: Seen) -> bool:
    wanted = rule.stages[index].set_c
    return milli(s.low - u) >= milli(wanted - rule.tolerance_c) and milli(s.high + u) <= milli(wanted + rule.tolerance_c)


def profile_told(rule: Profile, watch: Watch, stages: Sequence[StageTime], now: Instant) -> list[tuple[str, str, Instant]]:
    """What is said of the course: `off`, `back`, `fire-out`, each with its probe and instant."""
    told: list[tuple[str, str, Instant]] = []
    was_off, burnt_out = False, False
    in_stage: list[Seen] = []
    index_before: int | None = None
    heard = [(n, s) for n, part in enumerate(parts(watch, now)) for s in part.seen]
    stay = 0
    for n, s in heard:
        was_off, stay = was_off and n == stay, n  # left while off, it may be off anew
        index = next((n for n, stage in enumerate(stages) if stage.begin <= s.at and (stage.end is None or s.at < stage.end)), None)
        off = is_off(rule, watch.u, stages, s)
        if off != was_off:
            told.append(("off" if off else "back", watch.probe, s.at))
            was_off = off
        in_stage = [*(in_stage if index == index_before else []), s]
        index_before = index
        if index is None or rule.fire_out is None:
            continue
        fall, within = rule.fire_out
        fell = any(s.at - e.at <= within and milli(e.high - s.high) >= milli(fall) for e in in_stage)
        if fell and not burnt_out:
            told.append(("fire-out", watch.probe, s.at))
        burnt_out = fell or (burnt_out and not _within(rule, watch.u, index, s))
    return told


def needed(rule: Humidity, cook: Span, edges: Span = 0) -> Span:
    """The humid time wanted of a cook of this length; of a share no more than could be shown beside its short edges."""
    return max(min(math.ceil(round(cook * (rule.share or 0.0), 3)), cook - edges), rule.at_least or 0)


def humidity(rule: Humidity, watch: Watch, now: Instant) -> Outcome:
    """The sum of time at the humidity asked for, against a share of the cook and a least time."""
    assert rule.min_rh is not None
    least = milli(rule.min_rh)

    def humid(s: Seen | None) -> bool:
        return s is not None and milli(s.low - watch.u) >= least

    known, outcome = parts(watch, now), OPEN
    credit = unknown = cook = edges = 0
    for n, part in enumerate(known):
        outcome = OPEN
        for i in part.intervals:
            if i.gap:
                unknown += i.end - i.start
            elif i.a is None or i.b is None:
                edges += i.end - i.start
            elif humid(i.a) and humid(i.b):
                credit += i.end - i.start
                if rule.share is None and credit >= needed(rule, 0):
                    return Outcome(Verdict.MET, i.end, True)
        if part.closed is None:
            continue
        cook += part.closed - part.opened
        wanted = needed(rule, cook, edges)
        if not any(p.seen for p in known[: n + 1]):
            outcome = Outcome(Verdict.UNPROVEN, part.closed)
        elif credit >= wanted:
            outcome = Outcome(Verdict.MET, part.closed)
        elif credit + unknown >= wanted:
            outcome = Outcome(Verdict.UNPROVEN, part.closed)
        else:
            return Outcome(Verdict.DEVIATED, part.closed, True)
    return outcome


def bulbs(wet: Evidence, dry: Evidence, wet_u: float, dry_u: float, pressure_kpa: float) -> Evidence:
    """Relative humidity at each wet-bulb reading that has a dry-bulb reading at most a minute older; both bulbs against the lot."""
    found = []
    for s in wet.seen:
        beside = [d for d in dry.seen if s.at - MINUTE <= d.at <= s.at]
        if beside and (rh := _least_rh(s, beside[-1], wet_u, dry_u, pressure_kpa)) is not None:
            found.append(Seen(s.at, rh, rh))
    return Evidence(tuple(found))


def _least_rh(wet: Seen, dry: Seen, wet_u: float, dry_u: float, pressure_kpa: float) -> float | None:
    """0 for air drier than can be; None for bulbs that are no evidence."""
    if milli(wet.low) >= milli(dry.high):
        return None
    try:
        vapour_pressure(dry.high, wet.low, pressure_kpa)
    except OutOfRange:
        return 0.0  # drier than air without water, or beyond the equations
    try:
        return relative_humidity(dry.high + dry_u, wet.low - wet_u, pressure_kpa)
    except OutOfRange:
        return 0.0
