"""When a device's key was last used: beside the record, and not part of it."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "device_use",
        sa.Column("digest", sa.Text(), primary_key=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("device_use")
