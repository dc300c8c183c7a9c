"""The analysis of a unit in a table of its own: a card that moves is a small write."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Move the analyses, and make room for what moves between two of them."""
    op.create_table(
        "unit_analysis",
        sa.Column("unit", sa.Text(), primary_key=True),
        sa.Column("analysis", sa.Text(), nullable=False),
    )
    op.execute("INSERT INTO unit_analysis (unit, analysis) SELECT unit, analysis FROM unit_state")
    op.drop_column("unit_state", "analysis")
    op.add_column("unit_state", sa.Column("moved", sa.Text(), nullable=True))


def downgrade() -> None:
    """Move them back; what moved since is worked out anew."""
    op.drop_column("unit_state", "moved")
    op.add_column("unit_state", sa.Column("analysis", sa.Text(), nullable=False, server_default=""))
    op.execute(
        "UPDATE unit_state SET analysis ="
        " (SELECT analysis FROM unit_analysis WHERE unit_analysis.unit = unit_state.unit)"
    )
    op.drop_table("unit_analysis")
