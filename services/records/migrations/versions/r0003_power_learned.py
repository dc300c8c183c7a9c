"""What a bank's days taught, one row a unit, bank and day."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "power_learned",
        *(sa.Column(name, sa.Text(), primary_key=True) for name in ("unit", "bank")),
        sa.Column("day_ms", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("value", sa.Text(), nullable=False),
    )


def downgrade() -> None:
    """Drop the table."""
    op.drop_table("power_learned")
