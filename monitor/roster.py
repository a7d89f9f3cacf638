"""The weekly roster: who is on duty at an instant, by the site's own wall clock.

A shift may run past midnight: it belongs to the day on which it begins. Nobody on duty is never nobody told: then those are
told whom the configuration names for it, or everybody who can be.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from monitor.config import Config, Duty
from rules.quantity import local
from rules.reading import Instant

DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def on_duty(config: Config, zone: tzinfo, at: Instant) -> list[str]:
    """The names of those whose shift it is, in the order of the roster, once each."""
    moment = local(at, zone)
    minute, today = moment.hour * 60 + moment.minute, moment.weekday()
    names = [name for duty in config.duties if _runs(duty, today, minute) for name in duty.persons]
    return list(dict.fromkeys(names))


def to_tell(config: Config, zone: tzinfo, at: Instant) -> list[str]:
    """Who is told where a rung says `on_duty`: never an empty list while anybody can be told at all."""
    reachable = {person.name for person in config.persons if person.bells}
    shift = [name for name in on_duty(config, zone, at) if name in reachable]
    instead = [name for name in config.alarms.nobody_on_duty if name in reachable]
    return shift or instead or [person.name for person in config.persons if person.bells]


def _runs(duty: Duty, today: int, minute: int) -> bool:
    if duty.start < duty.until:
        return today in duty.days and duty.start <= minute < duty.until
    # Past midnight, or the whole day round where both are the same.
    return (today in duty.days and minute >= duty.start) or ((today - 1) % 7 in duty.days and minute < duty.until)


def read_days(text: str) -> tuple[int, ...] | None:
    """Weekdays (0 = Monday) of "mon-fri, sun" or "daily"; None where it cannot be read. A range may pass Sunday: "fri-mon"."""
    if text.strip().lower() == "daily":
        return tuple(range(7))
    days: set[int] = set()
    for part in text.lower().split(","):
        first, dash, last = (piece.strip() for piece in part.partition("-"))
        if first not in DAYS or (dash and last not in DAYS):
            return None
        begin, end = DAYS.index(first), DAYS.index(last if dash else first)
        days |= {(begin + n) % 7 for n in range((end - begin) % 7 + 1)}
    return tuple(sorted(days))


def days_text(days: Sequence[int]) -> str:
    """Weekdays as they are written."""
    return "daily" if len(days) == 7 else ", ".join(DAYS[day] for day in days)
