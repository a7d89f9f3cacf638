"""Rows that are evidence of nothing, or of less: faults, suspect readings, rows of an instant already read, and what is told of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NoReturn

from rules.errors import LateEvent
from rules.finding import Problem
from rules.limits.watch import Watch
from rules.quantity import format_instant
from rules.reading import HOUR, Fault, Instant, Reading
from rules.track import Track

if TYPE_CHECKING:
    from rules.engine import Engine

#: So many problems are kept.
KEPT = 1000
#: So many stretches of suspect readings are kept for each probe in a lot.
MOST_STRETCHES = 50


class DoubtfulRows:
    """What the engine does with a row that it cannot simply take as the probe's next good reading."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.problems: list[Problem] = []
        self.duplicates = 0

    def same_instant(self, track: Track, r: Reading) -> bool:
        """A row at or before the probe's newest: True if it is to be taken all the same; LateEvent if it changes what was judged."""
        if r.at < track.at:
            self.late(r.at, r.probe)
        row = track.row
        if row is None:  # a fault beside a value is evidence of nothing
            return True
        if r.celsius == row.celsius and r.high_c is None:
            if r.suspect and not row.suspect:
                self.late(r.at, r.probe)
            self.duplicates += 1
            return False
        if r.suspect:
            self.suspect(track, r.at, r.celsius + r.offset_c, r.suspect)
            return False
        if not row.suspect:
            self.late(r.at, r.probe)
        return True

    def late(self, at: Instant, probe: str) -> NoReturn:
        """Ask for a replay: what has been judged would have been judged otherwise."""
        raise LateEvent(at, f"a reading of {probe} at {format_instant(at)} is older than what has been judged")

    def suspect(self, track: Track, at: Instant, celsius: float, why: str, high: float | None = None) -> None:
        """A reading that is judged as if absent: it rings, and only ceilings and floors mind its value, or both of its values."""
        probe = track.probe.id
        self.problem(at, "suspect", probe, f"{celsius:g} °C is not used: {why}")
        lot = self.engine.evidence.meat.lot_of(probe)
        if lot is not None:
            lengthen(lot.doubted.setdefault(probe, []), at, track.good)
        for watch in (*track.watches, *track.bare):
            self.tell(watch, at, celsius, high)

    def tell(self, watch: Watch, at: Instant, celsius: float, high: float | None) -> None:
        """Let a watch know of a suspect reading, of both its values where there are two."""
        watch.suspect(at, celsius)
        if high is not None:
            watch.suspect(at, high)
        if watch.news:
            self.engine.tell_owner(watch)

    def fault(self, track: Track | None, fault: Fault) -> None:
        """A probe that answered without a temperature."""
        if track is None:
            self.unknown(fault.at, fault.probe)
            return
        if fault.at > track.at:
            track.at, track.row = fault.at, None
        self.problem(fault.at, "fault", fault.probe, fault.reason)

    def unknown(self, at: Instant, probe: str) -> None:
        """A row of a probe that no plan in force names."""
        self.problem(at, "unknown-probe", probe, f'the plan has no probe "{probe}"')

    def problem(self, at: Instant, what: str, probe: str, text: str) -> None:
        """Keep the first of a kind for each probe with the text, and count on: months of a bad probe stay one line an hour."""
        hour = at // HOUR
        if not any(p.what == what and p.probe == probe and p.at // HOUR == hour for p in self.problems[-50:]):
            self.problems.append(Problem(at, what, probe, text))
            del self.problems[:-KEPT]


def lengthen(stretches: list[list[Instant]], at: Instant, good: Reading | None) -> None:
    """Add a suspect reading to the stretches [first, last] of a probe; without a good one since, the last goes on to it."""
    if stretches and (good is None or good.at < stretches[-1][0]):
        stretches[-1][1] = at
    elif good is None or good.at < at:  # beside a good value of its instant it counts for nothing
        stretches.append([at, at])
    if len(stretches) > MOST_STRETCHES:  # the two that lie nearest to each other become one: what is doubted is never less
        i = min(range(len(stretches) - 1), key=lambda i: stretches[i + 1][0] - stretches[i][1])
        stretches[i : i + 2] = [[stretches[i][0], stretches[i + 1][1]]]
