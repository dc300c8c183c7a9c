"""Notices, and every change of one."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def _number() -> sa.Column[int]:
    return sa.Column("no", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "notices",
        _number(),
        sa.Column("cause_key", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("told", sa.Text(), nullable=False),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
    )
    op.create_index("notices_by_cause", "notices", ["cause_key", "no"])
    op.create_index("notices_by_end", "notices", ["ended_ms"])
    op.create_table(
        "notice_lines",
        _number(),
        sa.Column("notice", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("signed", sa.Text(), nullable=True),
    )
    op.create_index("notice_lines_by_notice", "notice_lines", ["notice", "no"])
    op.create_index("notice_lines_by_time", "notice_lines", ["t_ms"])


def downgrade() -> None:
    """Take them away."""
    for table in ("notice_lines", "notices"):
        op.drop_table(table)
