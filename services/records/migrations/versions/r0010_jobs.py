"""Jobs of the workshop, what was said of them, and when vehicles leave next."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def _number() -> sa.Column[int]:
    return sa.Column("no", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True)


def _said() -> tuple[sa.Column[str], sa.Column[str | None]]:
    return sa.Column("who", sa.Text(), nullable=False), sa.Column("signed", sa.Text(), nullable=True)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "jobs",
        _number(),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("work", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("closed_ms", sa.BigInteger(), nullable=True),
    )
    op.create_index("jobs_by_unit", "jobs", ["unit", "state"])
    op.create_table(
        "job_lines",
        _number(),
        sa.Column("job", sa.BigInteger(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        *_said(),
    )
    op.create_index("job_lines_by_job", "job_lines", ["job", "no"])
    op.create_table(
        "departures",
        _number(),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("leaves_ms", sa.BigInteger(), nullable=True),
        sa.Column("said_ms", sa.BigInteger(), nullable=False),
        *_said(),
    )
    op.create_index("departures_by_site", "departures", ["site", "no"])


def downgrade() -> None:
    """Take them away."""
    for table in ("departures", "job_lines", "jobs"):
        op.drop_table(table)
