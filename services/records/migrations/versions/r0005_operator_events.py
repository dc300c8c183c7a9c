"""What happens to the house itself: credentials given and taken, log-ins refused."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "operator_events",
        sa.Column("no", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("kind", "about", "who", "body")),
    )
    op.create_index("operator_events_by_time", "operator_events", ["t_ms"])


def downgrade() -> None:
    """Drop the table."""
    op.drop_table("operator_events")
