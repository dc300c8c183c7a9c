"""What was kept on phones: keys that came, both clocks, and PINs."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"

_SAID = ("statements", "batch_events")


def upgrade() -> None:
    """Make the tables, and the columns that tell how a word came."""
    op.create_table(
        "said_keys",
        sa.Column("key", sa.Text(), primary_key=True),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
    )
    op.create_table(
        "pin_checks",
        sa.Column("no", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("t_ms", sa.BigInteger(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
    )
    op.create_index("pin_checks_by_key", "pin_checks", ["key"])
    for table in _SAID:
        op.add_column(table, sa.Column("key", sa.Text(), nullable=True))
        op.add_column(table, sa.Column("phone", sa.Text(), nullable=True))
        op.create_index(f"{table}_by_key", table, ["key"])
    op.create_index("statements_by_kind", "statements", ["kind", "t_ms"])
    op.add_column("statements", sa.Column("received_ms", sa.BigInteger(), nullable=True))
    op.add_column("accounts", sa.Column("pin", sa.Text(), nullable=True))


def downgrade() -> None:
    """Take all of it away."""
    op.drop_column("accounts", "pin")
    op.drop_column("statements", "received_ms")
    op.drop_index("statements_by_kind", "statements")
    for table in _SAID:
        op.drop_index(f"{table}_by_key", table)
        op.drop_column(table, "phone")
        op.drop_column(table, "key")
    op.drop_table("pin_checks")
    op.drop_table("said_keys")
