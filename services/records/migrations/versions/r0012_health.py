"""Days of machines, and how far they are worked out."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "health_days",
        sa.Column("unit", sa.Text(), primary_key=True),
        sa.Column("day_ms", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("hours_seen", sa.Float(), nullable=False),
        sa.Column("hours_run", sa.Float(), nullable=True),
        sa.Column("starts", sa.Float(), nullable=True),
        sa.Column("dust_h", sa.Float(), nullable=True),
        sa.Column("value", sa.Text(), nullable=False),
    )
    op.create_index("health_days_by_day", "health_days", ["day_ms"])
    op.create_table(
        "health_state",
        sa.Column("unit", sa.Text(), primary_key=True),
        sa.Column("next_ms", sa.BigInteger(), nullable=False),
        sa.Column("found_ms", sa.BigInteger(), nullable=True),
        sa.Column("findings", sa.Text(), nullable=False),
        sa.Column("usual", sa.Text(), nullable=False),
    )


def downgrade() -> None:
    """Take them away; they can be worked out again from the samples that are still stored."""
    op.drop_table("health_state")
    op.drop_index("health_days_by_day", "health_days")
    op.drop_table("health_days")
