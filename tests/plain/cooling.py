"""Cooling, computed over the whole history: the clock, the marks, the deadlines (`judging.md` section 5)."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from rules.finding import Verdict
from rules.limits.spec import Cooling
from rules.reading import MINUTE, Instant
from tests.plain.evidence import LAST, OPEN, Moment, Outcome, Seen, Spell, Watch, milli

WAITING = -1  # the newest reading is at or above `start`


def clock(rule: Cooling, seen: Sequence[Seen], u: float, opening: Instant, restarts: Sequence[Instant]) -> Instant | None:
    """When the probe's own clock started, as known from these readings; WAITING; None if it was never at or above `start`."""
    found = _sought(rule, seen, u, opening)
    for again in restarts:
        newest = [s for s in seen if s.at < again][-1:]
        hot = [s for s in newest if milli(s.low - u) >= milli(rule.start_c)]  # it waits already
        later = _sought(rule, [*hot, *(s for s in seen if s.at >= again)], u, again)
        found = found if later is None else later
    return found


def _sought(rule: Cooling, seen: Sequence[Seen], u: float, since: Instant) -> Instant | None:
    fixed = [s.at for s in seen if s.at >= since and milli(s.low - u) <= milli(rule.start_c - 2)]
    before = [s for s in seen if not fixed or s.at < fixed[0]]
    hot = [s.at for s in before if milli(s.low - u) >= milli(rule.start_c)]
    if not hot:
        return None
    return WAITING if not fixed and hot[-1] == before[-1].at else hot[-1]


class Leave(NamedTuple):
    """When the lot left a cook, and when it entered a later one, if it did."""

    at: Instant
    cooked_again: Instant | None


@dataclass(frozen=True)
class Setting:
    """What a cooling watch needs to know beyond its own readings.

    `opening` is the limit's; `restarts` are later instants at which lethality was met; `short_of_needs`: the conditions
    were not entered by the opening; `others(at)` are the clocks of the lot's other core probes at an instant;
    `leaves` are when the lot left its cooks; `clock_opening` is when a watch of the limit first opened on this probe,
    `fresh_since` when nothing that earlier watches did not know was hidden yet: at a further cook, or else at that opening.
    """

    opening: Instant
    restarts: Sequence[Instant]
    short_of_needs: bool
    others: Callable[[Instant], Sequence[Instant]]
    leaves: Sequence[Leave] = ()
    lot_end: Moment | None = None
    clock_opening: Instant | None = None
    fresh_since: Instant | None = None


def cooling(rule: Cooling, watch: Watch, all_seen: Sequence[Seen], setting: Setting, now: Instant) -> Outcome:
    """`all_seen` are all good readings of the probe while placed in the lot, also those before the opening."""
    if watch.opened.at > now:
        return OPEN
    ends = [spell.end.at for spell in spells(watch) if spell.end is not None and spell.end.at <= now]
    instants = {watch.opened.at, now, *ends, *(s.at for s in all_seen if s.at <= now and any(spell.holds(s.at) for spell in spells(watch)))}
    outcome = OPEN
    for at in sorted(instants):
        closed = _closing(watch, at)
        seen = [s for s in all_seen if s.at <= (at if closed is None else closed.at)]
        until = at if closed is None else closed.at
        start, taken, causes = _start(rule, watch, seen, setting, until)
        if setting.short_of_needs:
            causes.append(watch.opened.at)
        event = at == watch.opened.at and watch.opened.order < LAST  # an opening that comes before every reading of its instant
        before = _start(rule, watch, [s for s in seen if s.at < at], setting, at - 1 if event else until)
        views = [before[:2], (start, taken)]  # as known before the reading of this instant, and with it
        deviated = []
        for clock_start, took in views[1:] if at == watch.opened.at and watch.opened.order >= LAST else views:
            if clock_start != WAITING:
                course = Course(rule, watch, seen, clock_start, took, until, closed is not None, clock_start != start)
                deviated += [course.deviated] if course.deviated is not None else []
        for leave in setting.leaves:
            late = _begun_late(rule, watch, seen, leave, at, closed is not None)
            if late is not None and late.at is not None:
                (deviated if late.verdict is Verdict.DEVIATED else causes).append(late.at)
        if deviated:
            return Outcome(Verdict.DEVIATED, min(deviated), True)
        outcome = _standing(rule, watch, seen, (start, taken), causes, at, closed, setting)
        if outcome.final:
            return outcome
    return outcome


def spells(watch: Watch) -> list[Spell]:
    """When the watch is open: within the limit's run, the probe in the lot."""
    return sorted((spell for stretch in watch.stretches for spell in stretch.inside), key=lambda spell: spell.start)


def _closing(watch: Watch, at: Instant) -> Moment | None:
    """What the watch was closed by, if it is closed at an instant."""
    begun = [spell for spell in spells(watch) if spell.start.at <= at]
    end = begun[-1].end
    return end if end is not None and end.at <= at else None


def _start(rule: Cooling, watch: Watch, seen: Sequence[Seen], setting: Setting, at: Instant) -> tuple[Instant, bool, list[Instant]]:
    """The clock's start as known at `at`, whether it was taken over, and what its lack makes unproven."""
    restarts = [again for again in setting.restarts if again <= at]
    own = clock(rule, seen, watch.u, setting.clock_opening or watch.opened.at, restarts)
    if own is not None:
        return own, False, []
    hot = [s.at for s in seen if milli(s.low - watch.u) >= milli(rule.start_c)]
    if hot and setting.others(hot[0]) and all(start == WAITING for start in setting.others(hot[0])):
        risen = _sought(rule, [s for s in seen if s.at >= hot[0]], watch.u, hot[0])  # it rose while it waited for the others
        return (WAITING if risen is None else risen), False, []
    others = setting.others(at)
    started = [start for start in others if start != WAITING]
    if started:
        return min(started), True, []
    if others:
        return WAITING, True, []
    return setting.opening, True, [setting.clock_opening or watch.opened.at] if seen else []


class Course:
    """The marks and deadlines along the readings after the clock's start."""

    def __init__(
        self, rule: Cooling, watch: Watch, seen: Sequence[Seen], start: Instant, taken: bool, now: Instant, closed: bool, over: bool = False
    ) -> None:
        """`over`: the clock does not outlast the reading at `now`, of which then only a deadline passed before it counts."""
        self.rule, self.start, self.u, self.max_gap = rule, start, watch.u, watch.max_gap
        self.marks: list[Instant | None] = [None] * len(rule.windows)
        self.causes: list[Instant] = []
        self.gap_ends: list[Instant] = []
        self.deviated: Instant | None = None
        self.kept_since: Instant | None = None
        self.kept_at: Instant | None = None
        before = [s.at for s in seen if (s.at < start if taken else s.at <= start)]
        self.last, self.last_is_reading = (max(before), True) if before else (min(start, watch.opened.at), False)
        for s in [s for s in seen if (s.at >= start if taken else s.at > start)]:
            self._read(s, over and s.at == now)
            if self.deviated is not None:
                return
        self._silence(now, closed)

    def deadline(self, i: int) -> Instant | None:
        """The deadline of window `i`; None while it has none."""
        window = self.rule.windows[i]
        if window.by is not None:
            return self.start + window.by
        since = self.start if i == 0 else self.marks[i - 1]
        return None if since is None or window.within is None else since + window.within

    def _above(self, s: Seen, i: int) -> bool:
        return milli(s.high + self.u) > milli(self.rule.windows[i].to_c)

    def _read(self, s: Seen, over: bool) -> None:
        gap = s.at - self.last > self.max_gap
        deviated: list[Instant] = []
        for i, mark in enumerate(self.marks):
            deadline = self.deadline(i)
            if deadline is None or deadline >= s.at or (over and (gap or mark is not None)):
                continue
            if mark is not None:
                deviated += [s.at] if self._above(s, i) else []
            elif not gap or (deadline == self.last and self.last_is_reading):
                deviated.append(deadline)
            elif self._above(s, i):
                deviated.append(s.at)
            else:
                self.causes.append(deadline)
        if deviated:
            self.deviated = min(deviated)
            return
        if gap:
            self.gap_ends.append(s.at)
        for i in range(len(self.marks)):
            if self._above(s, i):
                self.marks[i] = None
            elif self.marks[i] is None:
                self.marks[i] = s.at
        if self.marks[-1] is None:
            self.kept_since = None
        elif self.kept_since is None or gap:
            self.kept_since = s.at
        if self.kept_since is not None and self.kept_at is None and s.at - self.kept_since >= 30 * MINUTE:
            self.kept_at = s.at
        self.last, self.last_is_reading = s.at, True

    def _silence(self, now: Instant, closed: bool) -> None:
        """From the last reading to the closing, or to a `now` that lies more than `max_gap` after it."""
        long = now - self.last > self.max_gap
        if not closed and not long:
            return
        deviated: list[Instant] = []
        for i, mark in enumerate(self.marks):
            deadline = self.deadline(i)
            if mark is None and deadline is not None and self.last <= deadline < now:  # earlier ones were judged at the readings
                at_reading = deadline == self.last and self.last_is_reading
                (deviated if at_reading or not long else self.causes).append(deadline)
        self.deviated = min(deviated) if deviated else None


def _standing(
    rule: Cooling,
    watch: Watch,
    seen: Sequence[Seen],
    clock_start: tuple[Instant, bool],
    causes: list[Instant],
    at: Instant,
    closing: Moment | None,
    setting: Setting,
) -> Outcome:
    """The outcome at an instant at which nothing has deviated."""
    start, taken = clock_start
    closed = None if closing is None else closing.at
    removed = closing is not None and closing != setting.lot_end and any(spell.end == closing for spell in watch.placed)
    causes = [*causes, *_waited_blind(rule, watch, seen, setting.fresh_since or watch.opened.at)]
    if start == WAITING or not seen:
        if closed is not None:
            return Outcome(Verdict.UNPROVEN, min([*causes, closed]), withdrawn=removed)
        return Outcome(Verdict.UNPROVEN, min(causes)) if causes else OPEN
    course = Course(rule, watch, seen, start, taken, at if closed is None else closed, closed is not None)
    last_mark = course.marks[-1]
    causes = [*causes, *course.causes, *course.gap_ends]
    short = any(mark is None for mark in course.marks)
    if closed is not None and short:
        causes.append(closed)
    final = not short and (course.kept_at is not None or (closed is not None and not removed))
    if causes:
        return Outcome(Verdict.UNPROVEN, min(causes), final, withdrawn=removed and short)
    return OPEN if short else Outcome(Verdict.MET, last_mark, final)


def _waited_blind(rule: Cooling, watch: Watch, seen: Sequence[Seen], since: Instant) -> list[Instant]:
    """The ends of gaps, after the opening, that end at or above `start`: what cooled and was heated again meanwhile is not known."""
    pairs = itertools.pairwise(seen)
    return [b.at for a, b in pairs if b.at > since and b.at - a.at > watch.max_gap and milli(b.low - watch.u) >= milli(rule.start_c)]


def _begun_late(rule: Cooling, watch: Watch, seen: Sequence[Seen], leave: Leave, at: Instant, closed: bool) -> Outcome | None:
    """What became of the deadline for cooling to begin, if it has passed before a reading below `start`."""
    if rule.begin_within is None or leave.at > at:
        return None
    deadline = leave.at + rule.begin_within
    if leave.cooked_again is not None and leave.cooked_again <= deadline:
        return None  # cooked again before it passed
    newest = [s for s in seen if s.at < leave.at][-1:]
    if newest and milli(newest[0].low - watch.u) < milli(rule.start_c):
        return None  # it had begun
    begun = next((s.at for s in seen if s.at >= leave.at and milli(s.low - watch.u) < milli(rule.start_c)), None)
    if begun is not None and begun <= deadline:
        return None
    later = [s for s in seen if s.at > deadline]
    before = [s.at for s in seen if s.at <= deadline]
    if not later:
        late = closed and at > deadline and before and at - before[-1] <= watch.max_gap
        return Outcome(Verdict.DEVIATED, deadline, True) if late else None
    if before and later[0].at - before[-1] <= watch.max_gap:
        return Outcome(Verdict.DEVIATED, deadline, True)
    if milli(later[0].low - watch.u) >= milli(rule.start_c):
        return Outcome(Verdict.DEVIATED, later[0].at, True)
    return Outcome(Verdict.UNPROVEN, deadline)  # it passed while nothing was measured, and had begun by the next reading
