"""Run tests of units, what was said of them, their results, and how those that run stand."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def _number() -> sa.Column[int]:
    return sa.Column("no", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True)


def _said() -> tuple[sa.Column[str], sa.Column[str | None]]:
    return sa.Column("who", sa.Text(), nullable=False), sa.Column("signed", sa.Text(), nullable=True)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "run_tests",
        _number(),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("start_ms", sa.BigInteger(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("job", sa.BigInteger(), nullable=True),
        *_said(),
    )
    op.create_index("run_tests_by_unit", "run_tests", ["unit", "no"])
    op.create_index("run_tests_by_job", "run_tests", ["job"])
    op.create_table(
        "run_test_lines",
        _number(),
        sa.Column("test", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        *_said(),
    )
    op.create_index("run_test_lines_by_test", "run_test_lines", ["test", "no"])
    op.create_table(
        "run_test_state",
        sa.Column("test", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("result", sa.Text(), nullable=False),
    )


def downgrade() -> None:
    """Take them away."""
    for table in ("run_test_state", "run_test_lines", "run_tests"):
        op.drop_table(table)
