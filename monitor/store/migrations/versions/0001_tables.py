"""The first release's tables, every module's, whichever command opens the database first.

Revision 0001, after nothing.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

from monitor.store.migrations.triggers import refuse_changes

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def upgrade() -> None:
    """Create the tables, their indexes, and the triggers of the append-only ones."""
    op.create_table(
        "alarm",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("key", TEXT, nullable=False),
        sa.Column("state", TEXT, nullable=False),
        sa.Column("cause", TEXT, nullable=False),
        sa.Column("members", TEXT, nullable=False),
        sa.Column("probes", TEXT, nullable=False),
        sa.Column("priority", TEXT, nullable=False),
        sa.Column("severity", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("critical", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("latched", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("since", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("raised_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("clear_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("rang_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("returned_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("acknowledged_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("acknowledged_by", TEXT, server_default="", nullable=False),
        sa.Column("comment", TEXT, server_default="", nullable=False),
        sa.Column("closed_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("branch_of", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("anchor_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("rung", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.Column("told", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.Column("told_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("next_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("followed", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.ForeignKeyConstraint(["branch_of"], ["alarm.id"], name=op.f("fk_alarm_branch_of")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm")),
        sqlite_strict=True,
    )
    op.create_index(
        "ix_alarm_followed",
        "alarm",
        ["followed"],
        unique=False,
        sqlite_where=sa.text("followed = 1"),
        postgresql_where=sa.text("followed = 1"),
    )
    op.create_index("ix_alarm_key", "alarm", ["key", "id"], unique=False)
    op.create_index(
        "ix_alarm_open",
        "alarm",
        ["closed_at"],
        unique=False,
        sqlite_where=sa.text("closed_at IS NULL"),
        postgresql_where=sa.text("closed_at IS NULL"),
    )
    op.create_table(
        "alarm_clock",
        sa.Column("name", TEXT, nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_alarm_clock")),
        sqlite_strict=True,
    )
    op.create_table(
        "alarm_hidden",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("scope", TEXT, nullable=False),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("since", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("until", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("reason", TEXT, nullable=False),
        sa.Column("ended_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("ended_by", TEXT, server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm_hidden")),
        sqlite_strict=True,
    )
    op.create_index(
        "ix_alarm_hidden_open",
        "alarm_hidden",
        ["ended_at"],
        unique=False,
        sqlite_where=sa.text("ended_at IS NULL"),
        postgresql_where=sa.text("ended_at IS NULL"),
    )
    op.create_table(
        "attempt",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("name_key", TEXT, nullable=False),
        sa.Column("remote", TEXT, nullable=False),
        sa.Column("good", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attempt")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_attempt_at"), "attempt", ["at"], unique=False)
    op.create_table(
        "calibration",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("probe", TEXT, nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("entered", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("method", TEXT, nullable=False),
        sa.Column("reference_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("indicated_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("comment", TEXT, nullable=False),
        sa.Column("by", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_calibration_probe"), "calibration", ["probe"], unique=False)
    op.create_table(
        "day_review",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("day", TEXT, nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("comment", TEXT, nullable=False),
        sa.Column("own_records", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("ledger_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_day_review")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_day_review_day"), "day_review", ["day"], unique=False)
    op.create_table(
        "deviation",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("key", TEXT, nullable=False),
        sa.Column("state", TEXT, nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("opened_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("lot", TEXT, nullable=False),
        sa.Column("step", TEXT, nullable=False),
        sa.Column("limit", TEXT, nullable=False),
        sa.Column("verdict", TEXT, nullable=False),
        sa.Column("unforeseen", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("facts", TEXT, nullable=False),
        sa.Column("answers", TEXT, server_default="{}", nullable=False),
        sa.Column("answered_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("answered_by", TEXT, server_default="", nullable=False),
        sa.Column("reviewed_by", TEXT, server_default="", nullable=False),
        sa.Column("review", TEXT, server_default="", nullable=False),
        sa.Column("closed_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deviation")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_deviation_key"), "deviation", ["key"], unique=False)
    op.create_index(
        "ix_deviation_open",
        "deviation",
        ["closed_at"],
        unique=False,
        sqlite_where=sa.text("closed_at IS NULL"),
        postgresql_where=sa.text("closed_at IS NULL"),
    )
    op.create_table(
        "device_token",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.Column("role", TEXT, nullable=False),
        sa.Column("token_sha256", TEXT, nullable=False),
        sa.Column("created_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("revoked_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_device_token")),
        sa.UniqueConstraint("name", name=op.f("uq_device_token_name")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_device_token_token_sha256")),
        sqlite_strict=True,
    )
    op.create_table(
        "idempotency",
        sa.Column("who", TEXT, nullable=False),
        sa.Column("key", TEXT, nullable=False),
        sa.Column("request", TEXT, nullable=False),
        sa.Column("answer", TEXT, nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("who", "key", name=op.f("pk_idempotency")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_idempotency_at"), "idempotency", ["at"], unique=False)
    op.create_table(
        "ledger",
        sa.Column("seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("entered_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("body", TEXT, nullable=False),
        sa.Column("hash", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_ledger")),
        sqlite_strict=True,
    )
    op.create_index("ix_ledger_at", "ledger", ["at"], unique=False)
    op.create_index("ix_ledger_kind_seq", "ledger", ["kind", "seq"], unique=False)
    op.create_table(
        "lot_event",
        sa.Column("seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("entered", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("event", TEXT, nullable=False),
        sa.Column("lot", TEXT, nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.Column("value", TEXT, nullable=False),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("received_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_lot_event")),
        sqlite_strict=True,
    )
    op.create_index("ix_lot_event_at", "lot_event", ["at"], unique=False)
    op.create_index("ix_lot_event_lot_at", "lot_event", ["lot", "at"], unique=False)
    op.create_table(
        "lot_result",
        sa.Column("lot", TEXT, nullable=False),
        sa.Column("report", TEXT, nullable=False),
        sa.Column("kept_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("lot", name=op.f("pk_lot_result")),
        sqlite_strict=True,
    )
    op.create_table(
        "person",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.Column("name_key", TEXT, nullable=False),
        sa.Column("role", TEXT, nullable=False),
        sa.Column("secret_hash", TEXT, nullable=False),
        sa.Column("invite_sha256", TEXT, nullable=False),
        sa.Column("invite_until", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("from_config", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("created_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("removed_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("name_key", name=op.f("uq_person_name_key")),
        sqlite_strict=True,
    )
    op.create_table(
        "plan_version",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("sha256", TEXT, nullable=False),
        sa.Column("text", TEXT, nullable=False),
        sa.Column("since", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan_version")),
        sqlite_strict=True,
    )
    op.create_index("ix_plan_version_since", "plan_version", ["since"], unique=False)
    op.create_table(
        "probe_name",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe_name")),
        sa.UniqueConstraint("name", name=op.f("uq_probe_name_name")),
        sqlite_strict=True,
    )
    op.create_table(
        "setting",
        sa.Column("key", TEXT, nullable=False),
        sa.Column("value", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_setting")),
        sqlite_strict=True,
    )
    op.create_table(
        "snapshot",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("plan", TEXT, nullable=False),
        sa.Column("next_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("event_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("taken_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("data", sa.LargeBinary().with_variant(sa.BLOB(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_snapshot")),
        sqlite_strict=True,
    )
    op.create_index("ix_snapshot_at", "snapshot", ["at"], unique=False)
    op.create_table(
        "tip",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("ledger_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("ledger_hash", TEXT, nullable=False),
        sa.Column("first_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("next_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("frontier", sa.LargeBinary().with_variant(sa.BLOB(), "sqlite"), nullable=False),
        sa.Column("spans", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tip")),
        sqlite_strict=True,
    )
    op.create_table(
        "alarm_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("alarm_id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("what", TEXT, nullable=False),
        sa.Column("by", TEXT, server_default="", nullable=False),
        sa.Column("text", TEXT, server_default="", nullable=False),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_alarm_event_alarm_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm_event")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_alarm_event_alarm_id"), "alarm_event", ["alarm_id"], unique=False)
    op.create_table(
        "deviation_action",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("deviation_id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("entered_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("text", TEXT, nullable=False),
        sa.Column("planned", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(["deviation_id"], ["deviation.id"], name=op.f("fk_deviation_action_deviation_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deviation_action")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_deviation_action_deviation_id"), "deviation_action", ["deviation_id"], unique=False)
    op.create_table(
        "fault",
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("probe", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("reason", TEXT, nullable=False),
        sa.Column("raw", TEXT, nullable=False),
        sa.Column("received_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(["probe"], ["probe_name.id"], name=op.f("fk_fault_probe")),
        sa.PrimaryKeyConstraint("at", "probe", "seq", name=op.f("pk_fault")),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_table(
        "newest",
        sa.Column("probe", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("celsius", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True),
        sa.Column("offset_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True),
        sa.Column("suspect", TEXT, nullable=True),
        sa.Column("received_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("fault_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("fault_reason", TEXT, nullable=True),
        sa.ForeignKeyConstraint(["probe"], ["probe_name.id"], name=op.f("fk_newest_probe")),
        sa.PrimaryKeyConstraint("probe", name=op.f("pk_newest")),
        sqlite_strict=True,
    )
    op.create_table(
        "outbox",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("message_id", TEXT, nullable=False),
        sa.Column("alarm_id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("person", TEXT, server_default="", nullable=False),
        sa.Column("target", TEXT, nullable=False),
        sa.Column("routes", TEXT, nullable=False),
        sa.Column("route", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.Column("tries", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.Column("priority", TEXT, nullable=False),
        sa.Column("title", TEXT, nullable=False),
        sa.Column("body", TEXT, nullable=False),
        sa.Column("created_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("try_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("attempts", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.Column("state", TEXT, nullable=False),
        sa.Column("done_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("bell", TEXT, server_default="", nullable=False),
        sa.Column("error", TEXT, server_default="", nullable=False),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_outbox_alarm_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint("message_id", name=op.f("uq_outbox_message_id")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_outbox_alarm_id"), "outbox", ["alarm_id"], unique=False)
    op.create_index(op.f("ix_outbox_target"), "outbox", ["target"], unique=False)
    op.create_index(
        "ix_outbox_waiting",
        "outbox",
        ["try_at"],
        unique=False,
        sqlite_where=sa.text("state = 'waiting'"),
        postgresql_where=sa.text("state = 'waiting'"),
    )
    op.create_table(
        "reading",
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("probe", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("celsius", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("offset_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("suspect", TEXT, nullable=True),
        sa.Column("received_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(["probe"], ["probe_name.id"], name=op.f("fk_reading_probe")),
        sa.PrimaryKeyConstraint("at", "probe", "seq", name=op.f("pk_reading")),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_table(
        "session",
        sa.Column("token_sha256", TEXT, nullable=False),
        sa.Column("person_id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("opened_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("used_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_session_person_id")),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_session")),
        sqlite_strict=True,
    )
    refuse_changes("reading", "fault", "lot_event", "ledger")
