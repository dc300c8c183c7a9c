"""Delays of notices that run, so that a monitor that starts again goes on with them."""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "notice_waits",
        sa.Column("no", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True),
        sa.Column("body", sa.Text(), nullable=False),
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("notice_waits")
