"""When what a person enters happened: now, or earlier, and then both times are kept."""

from __future__ import annotations

from monitor.errors import InputError
from rules.quantity import format_instant
from rules.reading import HOUR, MINUTE, Instant, Span

_DAY: Span = 24 * HOUR
#: Entries are back-dated as far as ended lots are kept in memory; further back it is the wrong year.
BACK: Span = 14 * _DAY
#: An instant this much ahead of our clock is a phone's clock; further ahead is a mistake.
AHEAD: Span = 2 * MINUTE


def moment(at: Instant | None, now: Instant, back: Span = BACK) -> tuple[Instant, Instant | None]:
    """When it happened, and when it was written if that was another time."""
    if at is None:
        return now, None
    if at > now + AHEAD:
        raise InputError(f"at is {format_instant(at)}, which is still to come (it is {format_instant(now)}); write when it happened")
    if at < now - back:
        raise InputError(f"at is {format_instant(at)}, more than {back // _DAY} days ago; write a time nearer to now, or check the year")
    return min(at, now), now
