"""Every table registered so far (written out column by column before the first release).

Revision 0001.
"""

from alembic import op

from monitor.store import schema  # registers the store's own tables
from monitor.store.metadata import metadata

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables."""
    assert schema.APPEND_ONLY
    metadata.create_all(op.get_bind())
