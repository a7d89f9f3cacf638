"""The plain judge's evidence: readings of one probe, moments, and the intervals of one watch.

Everything here looks at the complete history and is written for obviousness, not for speed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from rules.finding import Verdict
from rules.quantity import parse_instant, parse_temperature
from rules.reading import Event, Instant, LotEvent, Reading, Span, Tick

LAST = 10**9  # the order of what happens after every event and reading of its instant


class Moment(NamedTuple):
    """An instant, and which of the things at that instant: lot events in the order given, then automatic advances."""

    at: Instant
    order: int


class Spell(NamedTuple):
    """From one moment to another, both instants included; `end` is None while it lasts."""

    start: Moment
    end: Moment | None

    def holds(self, at: Instant) -> bool:
        """Whether an instant belongs to it."""
        return self.start.at <= at and (self.end is None or at <= self.end.at)


class Seen(NamedTuple):
    """The good values of one probe at one instant: °C, corrected, lowest and highest where they conflict."""

    at: Instant
    low: float
    high: float


class Outcome(NamedTuple):
    """A verdict, its instant, whether more evidence can still change it, and whether it is a withdrawal."""

    verdict: Verdict
    at: Instant | None
    final: bool = False
    withdrawn: bool = False


OPEN = Outcome(Verdict.OPEN, None)


@dataclass(frozen=True)
class Evidence:
    """What one probe gave: good readings by instant, and suspect ones as if they were good."""

    seen: tuple[Seen, ...] = ()
    doubts: tuple[Seen, ...] = ()


def milli(celsius: float) -> int:
    """A temperature as compared: whole thousandths of a °C."""
    return round(celsius * 1000)


def arranged(events: Iterable[Event], at: Instant | None) -> list[Event]:
    """Events as they count: none after `at`, lot events first at an instant; an undo takes back the last given of its instant."""
    kept: list[Event] = []
    for e in events:
        if isinstance(e, Tick) or (at is not None and e.at > at):
            continue
        if isinstance(e, LotEvent) and e.event == "undo":
            target = parse_instant(e.value)
            kept.remove([k for k in kept if isinstance(k, LotEvent) and (k.lot, k.at) == (e.lot, target)][-1])
        else:
            kept.append(e)
    return sorted(kept, key=lambda e: (e.at, 0 if isinstance(e, LotEvent) else 1))


def evidence_of(events: Sequence[Event], probe: str) -> Evidence:
    """The evidence of one probe; a value with a suspect copy at the same instant is suspect."""
    good: dict[Instant, set[float]] = defaultdict(set)
    suspect: dict[Instant, set[float]] = defaultdict(set)
    for e in events:
        if isinstance(e, Reading) and e.probe == probe:
            (suspect if e.suspect else good)[e.at].add(e.celsius + e.offset_c)
    return _evidence({at: values - suspect[at] for at, values in good.items()}, suspect)


def evidence_of_checks(events: Sequence[Event], lot: str, place: str) -> Evidence:
    """The evidence of a lot's hand checks at one place."""
    good: dict[Instant, set[float]] = defaultdict(set)
    for e in events:
        if isinstance(e, LotEvent) and e.event == "check" and e.lot == lot and e.name == place:
            good[e.at].add(parse_temperature(e.value))
    return _evidence(good, {})


def _evidence(good: dict[Instant, set[float]], suspect: dict[Instant, set[float]]) -> Evidence:
    seen = tuple(Seen(at, min(good[at]), max(good[at])) for at in sorted(good) if good[at])
    doubts = tuple(Seen(at, min(suspect[at]), max(suspect[at])) for at in sorted(suspect) if suspect[at])
    return Evidence(seen, doubts)


@dataclass(frozen=True)
class Stretch:
    """One piece of a limit's run, and the spells within it in which the watch's probe was in."""

    run: Spell
    inside: tuple[Spell, ...]


@dataclass(frozen=True)
class Watch:
    """One limit judged on one probe: `u` is the uncertainty used against the lot, `placed` the probe's whole time in the lot."""

    probe: str
    u: float
    max_gap: Span
    evidence: Evidence
    stretches: tuple[Stretch, ...]
    placed: tuple[Spell, ...] = ()
    fixed: bool = False

    @property
    def opened(self) -> Moment:
        """When it opened first."""
        return self.stretches[0].inside[0].start


class Interval(NamedTuple):
    """The time between two readings, or between one and an edge of the watch (`a` or `b` is None), or an empty part (both None)."""

    start: Instant
    end: Instant
    a: Seen | None
    b: Seen | None
    gap: bool
    absent: bool = False


@dataclass(frozen=True)
class Part:
    """A stretch of a watch as it stands at some instant."""

    opened: Instant
    closed: Instant | None
    removed: bool
    seen: tuple[Seen, ...]
    doubts: tuple[Seen, ...]
    intervals: tuple[Interval, ...]


def parts(watch: Watch, now: Instant) -> list[Part]:
    """The watch's stretches with what is known of them at `now`, readings of that instant included."""
    return [_part(watch, stretch, now) for stretch in watch.stretches if stretch.inside[0].start.at <= now]


def _part(watch: Watch, stretch: Stretch, now: Instant) -> Part:
    inside = [spell for spell in stretch.inside if spell.start.at <= now]
    last = inside[-1].end
    closed = last.at if last is not None and last.at <= now else None
    removed = closed is not None and last != stretch.run.end and not watch.fixed
    within = [s for s in watch.evidence.seen if s.at <= now and any(spell.holds(s.at) for spell in inside)]
    doubts = [s for s in watch.evidence.doubts if s.at <= now and any(spell.holds(s.at) for spell in inside)]
    opened = inside[0].start.at
    points: list[tuple[Instant, Seen | None]] = [(opened, None), *((s.at, s) for s in within)]
    if closed is not None:
        points.append((closed, None))
    intervals = []
    for (start, a), (end, b) in pairwise(points):
        absent = a is not None and b is not None and not any(spell.holds(start) and spell.holds(end) for spell in inside)
        intervals.append(Interval(start, end, a, b, end - start > watch.max_gap, absent))
    return Part(opened, closed, removed, tuple(within), tuple(doubts), tuple(intervals))


def settle(judge: Callable[[Instant], Outcome], instants: Iterable[Instant]) -> Outcome:
    """The outcome at the last instant, unless it was final at an earlier one."""
    outcome = OPEN
    for at in sorted(set(instants)):
        outcome = judge(at)
        if outcome.final:
            return outcome
    return outcome


def instants_of(watch: Watch, now: Instant) -> list[Instant]:
    """Every instant up to `now` at which something of this watch can change."""
    found = [s.at for s in watch.evidence.seen] + [s.at for s in watch.evidence.doubts]
    for spell in [spell for stretch in watch.stretches for spell in (*stretch.inside, stretch.run)] + list(watch.placed):
        found += [spell.start.at] + ([spell.end.at] if spell.end is not None else [])
    return [at for at in found if at <= now] + [now]


def meet(a: Spell, b: Spell) -> Spell | None:
    """The time common to two spells."""
    ends = [end for end in (a.end, b.end) if end is not None]
    start, end = max(a.start, b.start), min(ends) if ends else None
    return Spell(start, end) if end is None or start < end else None


def joined(spells: Iterable[Spell]) -> list[Spell]:
    """Spells in order, those that touch or overlap made one."""
    result: list[Spell] = []
    for spell in sorted(spells, key=lambda s: s.start):
        before = result[-1] if result else None
        if before is not None and (before.end is None or spell.start <= before.end):
            end = None if before.end is None or spell.end is None else max(before.end, spell.end)
            result[-1] = Spell(before.start, end)
        else:
            result.append(spell)
    return result
