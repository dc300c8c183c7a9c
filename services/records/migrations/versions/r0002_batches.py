"""Batches of food: what was said of them, where they were, and what stands of them."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _text(name: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=null)


def _big(name: str, *, null: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), nullable=null)


def _no() -> sa.Column[int]:
    return sa.Column("no", _NUMBER, primary_key=True)


def upgrade() -> None:
    """Make the tables of batches."""
    _told()
    op.create_table(
        "batch_stays",
        _no(),
        _big("batch"),
        _text("unit", null=True),
        _big("from_ms"),
        _big("to_ms", null=True),
        sa.Column("frozen", sa.Boolean(), nullable=False),
    )
    op.create_index("batch_stays_by_unit", "batch_stays", ["unit", "from_ms"])
    op.create_index("batch_stays_by_batch", "batch_stays", ["batch"])
    op.create_table(
        "batch_state",
        sa.Column("batch", sa.BigInteger(), primary_key=True, autoincrement=False),
        _big("change_no"),
        *(_text(name) for name in ("card", "computed", "standing")),
        _big("standing_since_ms", null=True),
        _text("standing_why"),
        _big("assessed_ms"),
    )


def _told() -> None:
    op.create_table(
        "batches",
        _no(),
        _big("split_from", null=True),
        _big("split_ms", null=True),
        _big("split_event", null=True),
        _text("unit", null=True),
        _text("place"),
    )
    op.create_index("batches_by_place", "batches", ["place", "unit"])
    op.create_table(
        "batch_events",
        _no(),
        _big("batch"),
        _big("t_ms"),
        _big("said_ms"),
        *(_text(name) for name in ("who", "kind", "body")),
    )
    op.create_index("batch_events_by_batch", "batch_events", ["batch", "no"])


def downgrade() -> None:
    """Drop the tables of batches."""
    for table in ("batch_state", "batch_stays", "batch_events", "batches"):
        op.drop_table(table)
