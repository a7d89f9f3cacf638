"""The tables of readings, events, records and their upkeep.

`reading` and `fault` are their own index (WITHOUT ROWID), in order of event time: a commit then touches
the last page of the table and no second tree, which spares a card, and a replay is a plain scan.
Their `seq` is the order of arrival, one dense count from 1 over both tables; seals are over it.

The append-only tables refuse UPDATE and DELETE by trigger: that stops our own mistakes, not somebody with
the file in hand. The ledger's chain and seals are there to show what such a hand did.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import DDL, Column, ForeignKey, Index, Table, event
from sqlalchemy.schema import ExecutableDDLElement

from monitor.store.metadata import BYTES, INSTANT, REAL, SMALL, TEXT, WHOLE, metadata

#: Probe names by small number, so that a reading does not repeat the name.
probe_name = Table(
    "probe_name",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("name", TEXT, nullable=False, unique=True),
    sqlite_strict=True,
)

#: `celsius` is the raw value, `offset_c` the calibration offset in force at `at`; `suspect` is NULL for a good reading.
reading = Table(
    "reading",
    metadata,
    Column("at", INSTANT, primary_key=True),
    Column("probe", SMALL, ForeignKey("probe_name.id"), primary_key=True),
    Column("seq", WHOLE, primary_key=True),
    Column("celsius", REAL, nullable=False),
    Column("offset_c", REAL, nullable=False),
    Column("suspect", TEXT),
    Column("received_at", INSTANT, nullable=False),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

fault = Table(
    "fault",
    metadata,
    Column("at", INSTANT, primary_key=True),
    Column("probe", SMALL, ForeignKey("probe_name.id"), primary_key=True),
    Column("seq", WHOLE, primary_key=True),
    Column("reason", TEXT, nullable=False),
    Column("raw", TEXT, nullable=False),
    Column("received_at", INSTANT, nullable=False),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

#: The newest reading and fault of each probe, future stamps left out; derived, kept so that nobody has to search a month back.
newest = Table(
    "newest",
    metadata,
    Column("probe", WHOLE, ForeignKey("probe_name.id"), primary_key=True),
    Column("at", INSTANT),
    Column("celsius", REAL),
    Column("offset_c", REAL),
    Column("suspect", TEXT),
    Column("received_at", INSTANT),
    Column("fault_at", INSTANT),
    Column("fault_reason", TEXT),
    sqlite_strict=True,
)

#: Lot events as `rules.reading.LotEvent`; `entered` is NULL where it was written down at once.
lot_event = Table(
    "lot_event",
    metadata,
    Column("seq", WHOLE, primary_key=True),
    Column("at", INSTANT, nullable=False),
    Column("entered", INSTANT),
    Column("event", TEXT, nullable=False),
    Column("lot", TEXT, nullable=False),
    Column("name", TEXT, nullable=False),
    Column("value", TEXT, nullable=False),
    Column("by", TEXT, nullable=False),
    Column("received_at", INSTANT, nullable=False),
    Index("ix_lot_event_at", "at"),
    Index("ix_lot_event_lot_at", "lot", "at"),
    sqlite_strict=True,
)

#: The append-only record. `body` is canonical JSON, `hash` SHA-256 in hex over the previous hash and the entry.
ledger = Table(
    "ledger",
    metadata,
    Column("seq", WHOLE, primary_key=True),
    Column("at", INSTANT, nullable=False),
    Column("entered_at", INSTANT, nullable=False),
    Column("kind", TEXT, nullable=False),
    Column("by", TEXT, nullable=False),
    Column("body", TEXT, nullable=False),
    Column("hash", TEXT, nullable=False),
    Index("ix_ledger_at", "at"),
    Index("ix_ledger_kind_seq", "kind", "seq"),
    sqlite_strict=True,
)

#: One row (id 1): where the ledger and the arrivals stand, and the Merkle state of the block not yet sealed.
tip = Table(
    "tip",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("ledger_seq", WHOLE, nullable=False),
    Column("ledger_hash", TEXT, nullable=False),
    Column("first_seq", WHOLE, nullable=False),
    Column("next_seq", WHOLE, nullable=False),
    Column("frontier", BYTES, nullable=False),
    Column("spans", TEXT, nullable=False),
    sqlite_strict=True,
)

#: The engine's state, zlib over JSON. Arrivals below `next_seq` and lot events up to `event_seq` are in it.
snapshot = Table(
    "snapshot",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("at", INSTANT, nullable=False),
    Column("plan", TEXT, nullable=False),
    Column("next_seq", WHOLE, nullable=False),
    Column("event_seq", WHOLE, nullable=False),
    Column("taken_at", INSTANT, nullable=False),
    Column("data", BYTES, nullable=False),
    Index("ix_snapshot_at", "at"),
    sqlite_strict=True,
)

#: Every plan that has been in force; `since` is when it came into force, the same plan may come back.
plan_version = Table(
    "plan_version",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("sha256", TEXT, nullable=False),
    Column("text", TEXT, nullable=False),
    Column("since", INSTANT, nullable=False),
    Index("ix_plan_version_since", "since"),
    sqlite_strict=True,
)

#: Small facts the service remembers, value as JSON text.
setting = Table(
    "setting",
    metadata,
    Column("key", TEXT, primary_key=True),
    Column("value", TEXT, nullable=False),
    sqlite_strict=True,
)

#: Checks of probes. `indicated_c` is the as-found value with the offset then in force, `offset_was_c`, added; `as_left_c` the value
#: after adjustment, NULL where none was read. `offset_c`, where not NULL, is the whole offset in force from `since` on.
calibration = Table(
    "calibration",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("probe", TEXT, nullable=False, index=True),
    Column("at", INSTANT, nullable=False),
    Column("entered", INSTANT),
    Column("method", TEXT, nullable=False),
    Column("reference_c", REAL, nullable=False),
    Column("indicated_c", REAL, nullable=False),
    Column("comment", TEXT, nullable=False),
    Column("by", TEXT, nullable=False),
    Column("reference", TEXT, nullable=False, server_default=""),
    Column("tolerance_c", REAL),
    Column("offset_was_c", REAL),
    Column("as_left_c", REAL),
    Column("offset_c", REAL),
    Column("since", INSTANT),
    sqlite_strict=True,
)

#: Stretches in which a probe was found to have read wrong: readings with `after < at <= until` are judged with `added_c` added to
#: the offset that they were stored with. `after` is NULL where no good check came before.
recall = Table(
    "recall",
    metadata,
    Column("id", WHOLE, primary_key=True),
    Column("probe", TEXT, nullable=False, index=True),
    Column("after", INSTANT),
    Column("until", INSTANT, nullable=False),
    Column("added_c", REAL, nullable=False),
    Column("calibration", WHOLE, ForeignKey("calibration.id"), nullable=False),
    Column("at", INSTANT, nullable=False),
    Column("by", TEXT, nullable=False),
    sqlite_strict=True,
)

APPEND_ONLY = ("reading", "fault", "lot_event", "ledger", "calibration", "recall")


def append_only_ddl(table: str, dialect: str = "sqlite") -> tuple[str, str]:
    """The two triggers that refuse UPDATE and DELETE on `table`; PostgreSQL's call the function `refuse_change` (migration 0001)."""
    if dialect == "postgresql":
        first, second = (
            f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verbs} ON {table} FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
            for verb, verbs in (("UPDATE", "UPDATE"), ("DELETE", "DELETE OR TRUNCATE"))
        )
        return first, second
    first, second = (
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        for verb in ("UPDATE", "DELETE")
    )
    return first, second


_ddl: Callable[[str], ExecutableDDLElement] = DDL  # SQLAlchemy leaves its constructor untyped

for _name in APPEND_ONLY:
    for _text in append_only_ddl(_name):
        event.listen(metadata.tables[_name], "after_create", _ddl(_text).execute_if(dialect="sqlite"))
