"""Signs of life are files in the data folder now, so that a full disk or a locked database can be told."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Drop the table of heartbeats."""
    op.drop_table("heartbeats")


def downgrade() -> None:
    """Make the table again, empty."""
    op.create_table(
        "heartbeats",
        sa.Column("process", sa.Text(), primary_key=True),
        sa.Column("beat_ms", sa.BigInteger(), nullable=False),
    )
