"""Which stored rows are judged: a plain rule over a row's own stamps, so that a replay and an export agree with what ran live.

Not judged are stamps further ahead of the receiving clock than clocks differ, and rows received more than 48 h
after their instant (`judging.md` sections 1 and 6). The latter count from the instant on at which a person asked for
their re-judgement; such releases are kept with the settings, and who asked and why stands in the ledger.
Nor are rows judged that were stamped in provisional time and are stored again as restamped (`monitor/clock_restamp.py`).
"""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import ColumnElement, Connection, Table, and_, or_

from monitor.store import plans
from rules.reading import HOUR, MINUTE, Instant, Span

#: Further ahead of the receiving clock than this, a stamp is of the future: stored, never judged.
FUTURE_AHEAD: Span = 2 * MINUTE
#: Received later after their instant than this, rows are stored and listed; a person asks for the re-judgement.
LATE_AT_MOST: Span = 48 * HOUR

_KEY, _RESTAMPED = "evidence.released", "evidence.restamped"


class Release(NamedTuple):
    """Rows that came too late count from now on: those at or after `since` that arrived before place `below_seq`."""

    since: Instant
    below_seq: int


class Restamped(NamedTuple):
    """Places from `first` on and before `below`, of rows and of lot events: stored again with the right time, these do not count."""

    first_seq: int
    below_seq: int
    first_event: int
    below_event: int


class Rule(NamedTuple):
    """The rule with its releases, as of one transaction."""

    releases: tuple[Release, ...] = ()
    restamped: tuple[Restamped, ...] = ()

    def counts(self, at: Instant, received_at: Instant, seq: int) -> bool:
        """Whether the row is judged."""
        if is_future(at, received_at) or any(r.first_seq <= seq < r.below_seq for r in self.restamped):
            return False
        return not is_too_late(at, received_at) or any(r.since <= at and seq < r.below_seq for r in self.releases)

    def condition(self, table: Table) -> ColumnElement[bool]:
        """The same, in SQL."""
        in_time = table.c.at >= table.c.received_at - LATE_AT_MOST
        released = [and_(table.c.at >= r.since, table.c.seq < r.below_seq) for r in self.releases]
        again = [or_(table.c.seq < r.first_seq, table.c.seq >= r.below_seq) for r in self.restamped]
        return and_(table.c.at <= table.c.received_at + FUTURE_AHEAD, or_(in_time, *released), *again)

    def event_condition(self, table: Table) -> list[ColumnElement[bool]]:
        """Which lot events count, in SQL."""
        return [or_(table.c.seq < r.first_event, table.c.seq >= r.below_event) for r in self.restamped]


def is_future(at: Instant, received_at: Instant) -> bool:
    """Whether a stamp is further ahead of the receiving clock than clocks differ."""
    return at > received_at + FUTURE_AHEAD


def is_too_late(at: Instant, received_at: Instant) -> bool:
    """Whether a row came so late that it is judged only once a person asks."""
    return at < received_at - LATE_AT_MOST


def rule(conn: Connection) -> Rule:
    """The rule in force."""
    again = tuple(Restamped(*one) for one in plans.get_setting(conn, _RESTAMPED, []))
    return Rule(tuple(Release(*one) for one in plans.get_setting(conn, _KEY, [])), again)


def restamp(conn: Connection, span: Restamped) -> None:
    """From now on these do not count; one that begins at the same places is widened."""
    kept = [r for r in rule(conn).restamped if (r.first_seq, r.first_event) != (span.first_seq, span.first_event)]
    plans.set_setting(conn, _RESTAMPED, [list(r) for r in [*kept, span]])


def release(conn: Connection, since: Instant, below_seq: int) -> None:
    """From now on judge also the rows at or after `since` that came too late, as far as they have arrived before `below_seq`."""
    before = rule(conn).releases
    # One that this one covers is dropped, so that the list stays as short as the times that a person looked back.
    kept = [r for r in before if r.since < since or r.below_seq > below_seq]
    plans.set_setting(conn, _KEY, [list(r) for r in [*kept, Release(since, below_seq)]])
