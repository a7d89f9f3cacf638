"""What a core probe that was never hot has shown since the lot's other probes were hot.

Such a probe takes the earliest clock start of the others, which is known only once one of them is seen to
cool, and may still change. The trail is what then has to be judged again: rows `[at, reached, joined]`,
`reached` being how many of the marks' temperatures the reading was at or below, `joined` 1 where no gap lies
before it. Rows that cannot decide anything are thinned out, so that it stays short however long the wait.
"""

from __future__ import annotations

from collections.abc import Sequence

from rules.reading import Instant

MOST = 60


def grow(rows: list[list[int]], at: Instant, reached: int, joined: bool, starts: Sequence[Instant]) -> None:
    """Add a reading; `starts` are the instants at which the clock may turn out to have started."""
    rows.append([at, reached, int(joined)])
    if starts:
        oldest = min(starts)
        while len(rows) > 1 and rows[1][0] < oldest:
            rows.pop(0)
    if len(rows) > MOST:
        _thin(rows, starts)


def _thin(rows: list[list[int]], starts: Sequence[Instant]) -> None:
    kept = [row for i, row in enumerate(rows) if i in (0, len(rows) - 1) or _tells(rows, i, starts)]
    while len(kept) > MOST:
        # Too many turns to remember them all: the oldest are taken for a gap, which never helps the lot.
        del kept[1]
        kept[1][2] = 0
    rows[:] = kept


def _tells(rows: list[list[int]], i: int, starts: Sequence[Instant]) -> bool:
    """Whether row `i` ends or begins a stretch of the same temperatures without a gap, or is the next to a possible start."""
    before, row, after = rows[i - 1], rows[i], rows[i + 1]
    if row[1] != before[1] or row[1] != after[1] or not row[2] or not after[2]:
        return True
    return any(before[0] < s <= after[0] for s in starts)
