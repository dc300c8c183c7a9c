"""Why something was described anew, when that was said, and how it was signed."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    """Add the columns; empty says that nobody was asked."""
    op.add_column("dated", sa.Column("why", sa.Text(), nullable=True))
    op.add_column("dated", sa.Column("said_ms", sa.BigInteger(), nullable=True))
    op.add_column("dated", sa.Column("signed", sa.Text(), nullable=True))


def downgrade() -> None:
    """Take them away."""
    for name in ("signed", "said_ms", "why"):
        op.drop_column("dated", name)
