"""The sums that one watch hands on to the next, and the time without any watch (`judging.md` section 2)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from rules.reading import Instant, Span
from tests.plain.evidence import Moment, Spell, Watch, joined
from tests.plain.kinds import Base

Waits = Callable[[Watch, Moment], bool]
Tally = Callable[[Watch, Sequence[Base], Instant], list[Base]]


class Carried(NamedTuple):
    """What each watch starts from, the largest sums when the last one closed, and that instant if none is open; one Base per tier."""

    bases: list[list[Base]]
    largest: list[Base]
    bare_since: Instant | None


def carry(
    pieces: Sequence[Spell],
    watches: Sequence[Watch],
    tiers: int,
    max_gap: Span,
    tally: Tally,
    at: Instant,
    worth: Callable[[Watch, Instant, Instant, Span], float] = lambda watch, start, end, length: length,
    waits: Waits = lambda watch, before: False,
) -> Carried:
    """Walk through openings and closings up to `at`; `tally` gives a watch's sums at an instant.

    `worth` is what time without a watch adds, as possible, to one that opens later: from its start, its end and its length.
    `waits`: of that time it knows nothing yet before a moment, so that it has nothing to hand on but what it was handed.
    """
    turns = []
    for w, watch in enumerate(watches):
        for spell in joined(spell for stretch in watch.stretches for spell in stretch.inside):
            turns.append((spell.start, 1, w))
            if spell.end is not None:
                turns.append((spell.end, 0, w))
    nothing = [Base()] * tiers
    bases = [nothing for _ in watches]
    bare = [nothing for _ in watches]
    least, broken, open_now, last = nothing, False, 0, pieces[0].start
    opened: list[int] = []
    for moment, opens, w in sorted(turn for turn in turns if turn[0].at <= at):
        if not opens:
            open_now -= 1
            last = moment
            continue
        if open_now == 0:
            length = common(pieces, last.at, moment.at)
            broken = broken or bool(opened) or length > max_gap
            for v, watch in enumerate(watches):
                bare[v] = _largest(watches, bases, opened, moment, bare[v], tally, waits)
                if length > max_gap:
                    bare[v] = [Base(b.sure, b.total + worth(watch, last.at, moment.at, length)) for b in bare[v]]
            least = bare[w]
        open_now += 1
        if w not in opened:
            bases[w] = _largest(watches, bases, opened, moment, bare[w], tally, waits) if broken else nothing
            opened.append(w)
    return Carried(bases, _largest(watches, bases, opened, last, least, tally, waits), None if open_now else last.at)


def _largest(
    watches: Sequence[Watch], bases: Sequence[Sequence[Base]], opened: Sequence[int], at: Moment, least: Sequence[Base], tally: Tally,
    waits: Waits,
) -> list[Base]:  # fmt: skip
    """The largest sums reached before a moment, of each tier; the readings of its instant come after it."""
    tallies = []
    for w in (w for w in opened if not waits(watches[w], at)):
        ends = [spell.end for stretch in watches[w].stretches for spell in stretch.inside if spell.start < at]
        end = ends[-1] if ends else None
        tallies.append(tally(watches[w], bases[w], end.at if end is not None and end <= at else at.at - 1))
    return [Base(max([b.sure, *(t[i].sure for t in tallies)]), max([b.total, *(t[i].total for t in tallies)])) for i, b in enumerate(least)]


def common(pieces: Sequence[Spell], start: Instant, end: Instant) -> int:
    """How much of a limit's run lies between two instants."""
    total = 0
    for piece in pieces:
        last = end if piece.end is None else min(end, piece.end.at)
        total += max(0, last - max(start, piece.start.at))
    return total
