"""How the verdict on a batch changed: one row a change, never touched again."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

_BIG = ("change_no", "batch", "t_ms", "recorded_ms")
_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the table; what changed before it is not known."""
    op.create_table(
        "batch_verdicts",
        sa.Column("no", _NUMBER, primary_key=True),
        *(sa.Column(name, sa.BigInteger(), nullable=False) for name in _BIG),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("computed", "standing")),
        sa.Column("standing_before", sa.Text(), nullable=True),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("origin", "why")),
    )
    op.create_index("batch_verdicts_by_batch", "batch_verdicts", ["batch", "no"])
    op.create_index("batch_verdicts_by_change", "batch_verdicts", ["change_no"])


def downgrade() -> None:
    """Drop the table."""
    op.drop_table("batch_verdicts")
