"""The language and the scale of temperatures somebody reads in, kept with the account."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"

_NAMES = ("language", "degrees")


def upgrade() -> None:
    """Add the columns; empty leaves it to the browser."""
    for name in _NAMES:
        op.add_column("accounts", sa.Column(name, sa.Text(), nullable=True))


def downgrade() -> None:
    """Take them away."""
    for name in _NAMES:
        op.drop_column("accounts", name)
