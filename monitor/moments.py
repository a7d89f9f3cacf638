"""When what a person enters happened: now, or earlier, and then both times are kept."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

from monitor.errors import InputError
from rules.quantity import format_instant, from_datetime
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


def local_instant(text: str, zone: tzinfo, *, second: bool = False) -> Instant:
    """The instant of a local time such as "2026-03-02T13:04"; one that never was, or came twice, is asked about."""
    try:
        naive = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f'time is "{text[:40]}"; write it as 2026-03-02 13:04') from None
    if naive.tzinfo is not None:
        return from_datetime(naive)
    first, later = naive.replace(tzinfo=zone, fold=0), naive.replace(tzinfo=zone, fold=1)
    offsets = first.utcoffset() or timedelta(0), later.utcoffset() or timedelta(0)
    if offsets[0] < offsets[1]:
        raise InputError(
            f"{naive:%H:%M} on {naive.day} {naive:%b} never was: the clocks went forward over it; write the time before or after"
        )
    return from_datetime(later if second else first)


def came_twice(text: str, zone: tzinfo) -> bool:
    """Whether a local time, written without its offset, means two instants: the clocks went back over it."""
    try:
        naive = datetime.fromisoformat(text)
    except ValueError:
        return False
    first, later = naive.replace(tzinfo=zone, fold=0), naive.replace(tzinfo=zone, fold=1)
    return naive.tzinfo is None and (first.utcoffset() or timedelta(0)) > (later.utcoffset() or timedelta(0))
