"""Checks with what was as left and what offset they put in force, never to be changed; recalls of probes.

Revision 0002, after 0001.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the recalls, widen the checks, and make both append-only."""
    op.create_table(
        "recall",
        sa.Column("id", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("probe", sa.Text(), nullable=False),
        sa.Column("after", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True),
        sa.Column("until", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("added_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("calibration", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("at", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["calibration"], ["calibration.id"], name=op.f("fk_recall_calibration")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recall")),
        sqlite_strict=True,
    )
    op.create_index(op.f("ix_recall_probe"), "recall", ["probe"], unique=False)
    op.add_column("calibration", sa.Column("reference", sa.Text(), server_default="", nullable=False))
    op.add_column("calibration", sa.Column("tolerance_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True))
    op.add_column("calibration", sa.Column("offset_was_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True))
    op.add_column("calibration", sa.Column("as_left_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True))
    op.add_column("calibration", sa.Column("offset_c", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=True))
    op.add_column("calibration", sa.Column("since", sa.BigInteger().with_variant(sa.INTEGER(), "sqlite"), nullable=True))
    op.execute("CREATE TRIGGER recall_no_update BEFORE UPDATE ON recall BEGIN SELECT RAISE(ABORT, 'recall is append-only'); END")
    op.execute("CREATE TRIGGER recall_no_delete BEFORE DELETE ON recall BEGIN SELECT RAISE(ABORT, 'recall is append-only'); END")
    op.execute(
        "CREATE TRIGGER calibration_no_update BEFORE UPDATE ON calibration BEGIN SELECT RAISE(ABORT, 'calibration is append-only'); END"
    )
    op.execute(
        "CREATE TRIGGER calibration_no_delete BEFORE DELETE ON calibration BEGIN SELECT RAISE(ABORT, 'calibration is append-only'); END"
    )
