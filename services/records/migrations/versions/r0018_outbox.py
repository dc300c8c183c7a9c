"""Messages that wait to be sent, and what became of them."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "outbox",
        sa.Column("no", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("way", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=True),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("notice", sa.BigInteger(), nullable=True),
        sa.Column("data", sa.Text(), nullable=False),
        sa.Column("not_after_ms", sa.BigInteger(), nullable=False),
        sa.Column("put_ms", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("tried_ms", sa.BigInteger(), nullable=True),
        sa.Column("again_ms", sa.BigInteger(), nullable=False),
        sa.Column("held_until_ms", sa.BigInteger(), nullable=True),
        sa.Column("done_ms", sa.BigInteger(), nullable=True),
    )
    op.create_index("outbox_by_key", "outbox", ["key"], unique=True)
    op.create_index("outbox_by_state", "outbox", ["state", "again_ms"])
    op.create_index("outbox_by_time", "outbox", ["put_ms"])
    op.create_index("outbox_by_notice", "outbox", ["notice"])


def downgrade() -> None:
    """Take it away."""
    op.drop_table("outbox")
