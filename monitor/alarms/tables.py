"""Tables of the alarms: one row for each excursion, everything that happened to it, who hid what, what is to be told."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, Table, text

from monitor.store.metadata import INSTANT, SMALL, TEXT, WHOLE, metadata

#: One row for each excursion of a cause. `state` is the letter of `life.State`. `members` still have the condition,
#: `probes` have had it. `branch_of` is the alarm that this one
#: follows while that one is still unacknowledged. `rang_at` is empty during its on-delay. `next_at` is when the next ring,
#: rung, repeat or re-alarm is due, counted from `anchor_at`: if the clock is found before `anchor_at`, both move back with
#: it, so that a wrong clock put right never silences a ladder. `clear_at` is set while a return is not yet believed
#: (off-delay). `followed`: the room's readings say when it is over, and when it begins again.
alarm = Table(
    "alarm",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("key", TEXT, nullable=False),
    Column("state", TEXT, nullable=False),
    Column("cause", TEXT, nullable=False),
    Column("members", TEXT, nullable=False),
    Column("probes", TEXT, nullable=False),
    Column("priority", TEXT, nullable=False),
    Column("severity", SMALL, nullable=False),
    Column("critical", SMALL, nullable=False),
    Column("latched", SMALL, nullable=False),
    Column("since", INSTANT, nullable=False),
    Column("raised_at", INSTANT, nullable=False),
    Column("clear_at", INSTANT),
    Column("rang_at", INSTANT),
    Column("returned_at", INSTANT),
    Column("acknowledged_at", INSTANT),
    Column("acknowledged_by", TEXT, nullable=False, server_default=""),
    Column("comment", TEXT, nullable=False, server_default=""),
    Column("closed_at", INSTANT),
    Column("branch_of", WHOLE, ForeignKey("alarm.id")),
    Column("anchor_at", INSTANT),
    Column("rung", SMALL, nullable=False, server_default="0"),
    Column("told", SMALL, nullable=False, server_default="0"),
    Column("told_at", INSTANT),
    Column("next_at", INSTANT),
    Column("followed", SMALL, nullable=False, server_default="0"),
    sqlite_strict=True,
)
# On PostgreSQL they are partial too (migration 0001); to say so here would load its dialect, 2 MB, on a board with a file.
Index("ix_alarm_key", alarm.c.key, alarm.c.id)
Index("ix_alarm_followed", alarm.c.followed, sqlite_where=text("followed = 1"))
Index("ix_alarm_open", alarm.c.closed_at, sqlite_where=text("closed_at IS NULL"))

#: What happened to an alarm, in order: raised, rang, told, acknowledged, cleared, closed, delivery results.
alarm_event = Table(
    "alarm_event",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("alarm_id", WHOLE, ForeignKey("alarm.id"), nullable=False, index=True),
    Column("at", INSTANT, nullable=False),
    Column("what", TEXT, nullable=False),
    Column("by", TEXT, nullable=False, server_default=""),
    Column("text", TEXT, nullable=False, server_default=""),
    sqlite_strict=True,
)

#: Shelved (G), suppressed by design (H) or out of service (I): by cause key, or by a key that ends in `*`.
alarm_hidden = Table(
    "alarm_hidden",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("scope", TEXT, nullable=False),
    Column("kind", TEXT, nullable=False),
    Column("since", INSTANT, nullable=False),
    Column("until", INSTANT),
    Column("by", TEXT, nullable=False),
    Column("reason", TEXT, nullable=False),
    Column("ended_at", INSTANT),
    Column("ended_by", TEXT, nullable=False, server_default=""),
    sqlite_strict=True,
)
Index("ix_alarm_hidden_open", alarm_hidden.c.ended_at, sqlite_where=text("ended_at IS NULL"))

#: Messages to be delivered. `target` is who was meant, `routes` are the bells still open to it, `route` the one
#: tried now. `state`: waiting, sent, refused, dropped.
outbox = Table(
    "outbox",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("message_id", TEXT, nullable=False, unique=True),
    Column("alarm_id", WHOLE, ForeignKey("alarm.id"), index=True),
    Column("kind", TEXT, nullable=False),
    Column("person", TEXT, nullable=False, server_default=""),
    Column("target", TEXT, nullable=False, index=True),
    Column("routes", TEXT, nullable=False),
    Column("route", SMALL, nullable=False, server_default="0"),
    Column("tries", SMALL, nullable=False, server_default="0"),
    Column("priority", TEXT, nullable=False),
    Column("title", TEXT, nullable=False),
    Column("body", TEXT, nullable=False),
    Column("created_at", INSTANT, nullable=False),
    Column("try_at", INSTANT, nullable=False),
    Column("attempts", WHOLE, nullable=False, server_default="0"),
    Column("state", TEXT, nullable=False),
    Column("done_at", INSTANT),
    Column("bell", TEXT, nullable=False, server_default=""),
    Column("error", TEXT, nullable=False, server_default=""),
    sqlite_strict=True,
)
Index("ix_outbox_waiting", outbox.c.try_at, sqlite_where=text("state = 'waiting'"))

#: The alarms' own instants that are no alarm's: when *all well* was last said.
alarm_clock = Table(
    "alarm_clock",
    metadata,
    Column("name", TEXT, primary_key=True),
    Column("at", INSTANT, nullable=False),
    sqlite_strict=True,
)
