"""Checks with what was as left and what offset they put in force, never to be changed; recalls of probes.

Revision 0002, after 0001.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

from monitor.store.migrations.triggers import refuse_changes

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def upgrade() -> None:
    """Create the recalls, widen the checks, and make both append-only."""
    op.create_table(
        "recall",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("probe", TEXT, nullable=False),
        sa.Column("after", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("until", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("added_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("calibration", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("by", TEXT, nullable=False),
        sa.ForeignKeyConstraint(["calibration"], ["calibration.id"], name=op.f("fk_recall_calibration")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recall")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_recall_probe"), "recall", ["probe"], unique=False)
    op.add_column("calibration", sa.Column("reference", TEXT, server_default="", nullable=False))
    op.add_column("calibration", sa.Column("tolerance_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True))
    op.add_column("calibration", sa.Column("offset_was_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True))
    op.add_column("calibration", sa.Column("as_left_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True))
    op.add_column("calibration", sa.Column("offset_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True))
    op.add_column("calibration", sa.Column("since", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True))
    refuse_changes("recall", "calibration")
