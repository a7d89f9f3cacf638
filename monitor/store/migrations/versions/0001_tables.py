"""The first release's tables, every module's, whichever command opens the database first.

Revision 0001, after nothing.
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables, their indexes, and the triggers of the append-only ones."""
    op.create_table(
        "alarm",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("members", sa.Text(), nullable=False),
        sa.Column("probes", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("severity", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("critical", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("latched", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("since", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("raised_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("clear_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("rang_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("returned_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("acknowledged_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), server_default="", nullable=False),
        sa.Column("comment", sa.Text(), server_default="", nullable=False),
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
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_alarm_clock")),
        sqlite_strict=True,
    )
    op.create_table(
        "alarm_hidden",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("until", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("ended_by", sa.Text(), server_default="", nullable=False),
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
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("remote", sa.Text(), nullable=False),
        sa.Column("good", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attempt")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_attempt_at"), "attempt", ["at"], unique=False)
    op.create_table(
        "calibration",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("probe", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("entered", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("reference_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("indicated_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("comment", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_calibration_probe"), "calibration", ["probe"], unique=False)
    op.create_table(
        "day_review",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("comment", sa.Text(), nullable=False),
        sa.Column("own_records", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("ledger_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_day_review")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_day_review_day"), "day_review", ["day"], unique=False)
    op.create_table(
        "deviation",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("opened_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("limit", sa.Text(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("unforeseen", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.Column("answers", sa.Text(), server_default="{}", nullable=False),
        sa.Column("answered_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("answered_by", sa.Text(), server_default="", nullable=False),
        sa.Column("reviewed_by", sa.Text(), server_default="", nullable=False),
        sa.Column("review", sa.Text(), server_default="", nullable=False),
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
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("token_sha256", sa.Text(), nullable=False),
        sa.Column("created_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("revoked_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_device_token")),
        sa.UniqueConstraint("name", name=op.f("uq_device_token_name")),
        sa.UniqueConstraint("token_sha256", name=op.f("uq_device_token_token_sha256")),
        sqlite_strict=True,
    )
    op.create_table(
        "idempotency",
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("request", sa.Text(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
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
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
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
        sa.Column("event", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("received_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_lot_event")),
        sqlite_strict=True,
    )
    op.create_index("ix_lot_event_at", "lot_event", ["at"], unique=False)
    op.create_index("ix_lot_event_lot_at", "lot_event", ["lot", "at"], unique=False)
    op.create_table(
        "lot_result",
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("report", sa.Text(), nullable=False),
        sa.Column("kept_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("lot", name=op.f("pk_lot_result")),
        sqlite_strict=True,
    )
    op.create_table(
        "person",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("secret_hash", sa.Text(), nullable=False),
        sa.Column("invite_sha256", sa.Text(), nullable=False),
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
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan_version")),
        sqlite_strict=True,
    )
    op.create_index("ix_plan_version_since", "plan_version", ["since"], unique=False)
    op.create_table(
        "probe_name",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe_name")),
        sa.UniqueConstraint("name", name=op.f("uq_probe_name_name")),
        sqlite_strict=True,
    )
    op.create_table(
        "setting",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_setting")),
        sqlite_strict=True,
    )
    op.create_table(
        "snapshot",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("plan", sa.Text(), nullable=False),
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
        sa.Column("ledger_hash", sa.Text(), nullable=False),
        sa.Column("first_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("next_seq", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("frontier", sa.LargeBinary().with_variant(sa.BLOB(), "sqlite"), nullable=False),
        sa.Column("spans", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tip")),
        sqlite_strict=True,
    )
    op.create_table(
        "alarm_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("alarm_id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), server_default="", nullable=False),
        sa.Column("text", sa.Text(), server_default="", nullable=False),
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
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
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
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("raw", sa.Text(), nullable=False),
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
        sa.Column("suspect", sa.Text(), nullable=True),
        sa.Column("received_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("fault_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("fault_reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["probe"], ["probe_name.id"], name=op.f("fk_newest_probe")),
        sa.PrimaryKeyConstraint("probe", name=op.f("pk_newest")),
        sqlite_strict=True,
    )
    op.create_table(
        "outbox",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("alarm_id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("person", sa.Text(), server_default="", nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("routes", sa.Text(), nullable=False),
        sa.Column("route", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.Column("tries", sa.SmallInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("created_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("try_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("attempts", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), server_default="0", nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("done_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("bell", sa.Text(), server_default="", nullable=False),
        sa.Column("error", sa.Text(), server_default="", nullable=False),
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
        sa.Column("suspect", sa.Text(), nullable=True),
        sa.Column("received_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(["probe"], ["probe_name.id"], name=op.f("fk_reading_probe")),
        sa.PrimaryKeyConstraint("at", "probe", "seq", name=op.f("pk_reading")),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_table(
        "session",
        sa.Column("token_sha256", sa.Text(), nullable=False),
        sa.Column("person_id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("opened_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("used_at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_session_person_id")),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_session")),
        sqlite_strict=True,
    )
    op.execute("CREATE TRIGGER reading_no_update BEFORE UPDATE ON reading BEGIN SELECT RAISE(ABORT, 'reading is append-only'); END")
    op.execute("CREATE TRIGGER reading_no_delete BEFORE DELETE ON reading BEGIN SELECT RAISE(ABORT, 'reading is append-only'); END")
    op.execute("CREATE TRIGGER fault_no_update BEFORE UPDATE ON fault BEGIN SELECT RAISE(ABORT, 'fault is append-only'); END")
    op.execute("CREATE TRIGGER fault_no_delete BEFORE DELETE ON fault BEGIN SELECT RAISE(ABORT, 'fault is append-only'); END")
    op.execute("CREATE TRIGGER lot_event_no_update BEFORE UPDATE ON lot_event BEGIN SELECT RAISE(ABORT, 'lot_event is append-only'); END")
    op.execute("CREATE TRIGGER lot_event_no_delete BEFORE DELETE ON lot_event BEGIN SELECT RAISE(ABORT, 'lot_event is append-only'); END")
    op.execute("CREATE TRIGGER ledger_no_update BEFORE UPDATE ON ledger BEGIN SELECT RAISE(ABORT, 'ledger is append-only'); END")
    op.execute("CREATE TRIGGER ledger_no_delete BEFORE DELETE ON ledger BEGIN SELECT RAISE(ABORT, 'ledger is append-only'); END")
