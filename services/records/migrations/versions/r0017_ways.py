"""How people are reached: ways, what was said of them, links that answer a notice once."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"


def _number() -> sa.Column[int]:
    return sa.Column("no", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "ways",
        _number(),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("least", sa.Text(), nullable=False),
        sa.Column("quiet_from_min", sa.Integer(), nullable=True),
        sa.Column("quiet_to_min", sa.Integer(), nullable=True),
        sa.Column("digests", sa.Boolean(), nullable=False),
        sa.Column("nothing_too", sa.Boolean(), nullable=False),
        sa.Column("off", sa.Boolean(), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("proven_ms", sa.BigInteger(), nullable=True),
    )
    op.create_index("ways_by_person", "ways", ["person"])
    op.create_table(
        "reach_lines",
        _number(),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("signed", sa.Text(), nullable=True),
    )
    op.create_index("reach_lines_by_about", "reach_lines", ["about", "no"])
    op.create_table(
        "reach_links",
        sa.Column("digest", sa.Text(), primary_key=True),
        sa.Column("notice", sa.BigInteger(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("language", sa.Text(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=False),
        sa.Column("used_ms", sa.BigInteger(), nullable=True),
    )
    op.create_index("reach_links_by_end", "reach_links", ["expires_ms"])


def downgrade() -> None:
    """Take them away."""
    for table in ("reach_links", "reach_lines", "ways"):
        op.drop_table(table)
