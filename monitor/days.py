"""Local days: from one local midnight to the next, 23 to 25 hours, left open and closed at the right."""

from __future__ import annotations

from datetime import date, datetime, timedelta, tzinfo

from sqlalchemy import Connection, select

from monitor.errors import InputError
from monitor.store.schema import ledger, lot_event
from rules.quantity import from_datetime, local
from rules.reading import Instant


def day_span(day: str, zone: tzinfo) -> tuple[Instant, Instant]:
    """The midnights between which a local day lies; raises InputError unless `day` is YYYY-MM-DD."""
    try:
        first = date.fromisoformat(day) if len(day) == 10 else None
        following = first + timedelta(days=1) if first is not None else None
    except (ValueError, OverflowError):
        first = following = None
    if first is None or following is None or first.year < 1970:
        raise InputError(f'day is "{day[:40]}"; write a date such as 2026-03-02')
    since, until = (from_datetime(datetime(d.year, d.month, d.day, tzinfo=zone)) for d in (first, following))
    return since, until


def day_of(at: Instant, zone: tzinfo) -> str:
    """The local day an instant belongs to; midnight itself still belongs to the day it ends."""
    return local(at - 1, zone).date().isoformat()


def makers_of(conn: Connection, since: Instant, until: Instant) -> set[str]:
    """Who made entries of that time: lot events and ledger records, the program's own left out."""
    names = {r.by for r in conn.execute(select(lot_event.c.by).where(lot_event.c.at > since, lot_event.c.at <= until).distinct())}
    names |= {
        r.by
        for r in conn.execute(
            select(ledger.c.by).where(ledger.c.at > since, ledger.c.at <= until, ledger.c.kind.notin_(("person", "review"))).distinct()
        )
    }
    return names - {""}
