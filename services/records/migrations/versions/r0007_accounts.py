"""Who may come in, and how what people say was signed."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"

_SIGNED = ("statements", "batch_events", "commands")


def _number() -> sa.types.TypeEngine[int]:
    return sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name.rstrip("?"), sa.Text(), nullable=name.endswith("?")) for name in names]


def _moments(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name.rstrip("?"), sa.BigInteger(), nullable=name.endswith("?")) for name in names]


def upgrade() -> None:
    """Make the tables, and the column that says how something was signed."""
    op.create_table(
        "accounts",
        sa.Column("no", _number(), primary_key=True),
        sa.Column("key", sa.Text(), nullable=False, unique=True),
        *_texts("name", "role", "sites?", "password?"),
        *_moments("made_ms"),
        *_texts("made_by"),
        *_moments("disabled_ms?"),
    )
    op.create_table(
        "sessions",
        sa.Column("digest", sa.Text(), primary_key=True),
        *_moments("account?"),
        *_texts("device?", "role?", "sites?"),
        *_moments("begun_ms", "seen_ms", "expires_ms"),
    )
    op.create_index("sessions_by_account", "sessions", ["account"])
    op.create_table(
        "tokens",
        sa.Column("digest", sa.Text(), primary_key=True),
        sa.Column("label", sa.Text(), nullable=False, unique=True),
        *_texts("role", "sites?"),
        *_moments("made_ms"),
        *_texts("made_by"),
        *_moments("revoked_ms?"),
    )
    op.create_table(
        "codes",
        sa.Column("digest", sa.Text(), primary_key=True),
        *_texts("purpose"),
        *_moments("account?"),
        *_texts("device?", "role", "sites?", "made_by"),
        *_moments("expires_ms", "used_ms?"),
    )
    op.create_table(
        "refusals",
        sa.Column("no", _number(), primary_key=True),
        *_texts("key"),
        *_moments("t_ms"),
    )
    op.create_index("refusals_by_key", "refusals", ["key", "t_ms"])
    for table in _SIGNED:
        op.add_column(table, sa.Column("signed", sa.Text(), nullable=True))


def downgrade() -> None:
    """Take both away."""
    for table in _SIGNED:
        op.drop_column(table, "signed")
    for table in ("refusals", "codes", "tokens", "sessions", "accounts"):
        op.drop_table(table)
