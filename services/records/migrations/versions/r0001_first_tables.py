"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _text(name: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=null)


def _ms(name: str, *, null: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), nullable=null)


def _no() -> sa.Column[int]:
    return sa.Column("no", _NUMBER, primary_key=True)


def upgrade() -> None:
    """Make every table."""
    _said()
    _judged()
    op.create_table(
        "commands",
        _no(),
        *(_text(name) for name in ("unit", "name", "arguments", "who")),
        _ms("queued_ms"),
        _ms("expires_ms"),
        _text("correlation"),
    )
    op.create_table("heartbeats", sa.Column("process", sa.Text(), primary_key=True), _ms("beat_ms"))
    op.create_table("counters", sa.Column("name", sa.Text(), primary_key=True), _ms("value"))


def _said() -> None:
    op.create_table(
        "dated",
        _no(),
        _text("kind"),
        _text("key"),
        _ms("valid_from_ms"),
        _text("who"),
        _text("value", null=True),
    )
    op.create_index("dated_by_key", "dated", ["kind", "key", "no"])
    op.create_table(
        "statements",
        _no(),
        _text("unit"),
        _text("kind"),
        _text("who"),
        _ms("t_ms"),
        _text("body"),
        sa.Column("ends_clock", sa.Boolean(), nullable=False),
    )
    op.create_index("statements_by_unit", "statements", ["unit", "kind", "no"])


def _judged() -> None:
    op.create_table(
        "unit_state",
        sa.Column("unit", sa.Text(), primary_key=True),
        _ms("change_no"),
        *(_text(name) for name in ("card", "analysis", "computed", "standing")),
        _ms("standing_since_ms", null=True),
        _text("standing_why"),
        _ms("assessed_ms"),
    )
    op.create_index("unit_state_by_change", "unit_state", ["change_no"])
    op.create_table(
        "episodes",
        _no(),
        _text("unit"),
        _text("rule"),
        sa.Column("limit_c", sa.Double(), nullable=False),
        _text("basis"),
        _ms("start_ms"),
        _ms("end_ms"),
        sa.Column("peak_c", sa.Double(), nullable=False),
        sa.Column("mean_c", sa.Double(), nullable=False),
        _ms("withdrawn_ms", null=True),
        sa.UniqueConstraint("unit", "rule", "limit_c", "basis", "start_ms"),
    )
    op.create_table(
        "verdict_changes",
        _no(),
        _text("unit"),
        _ms("t_ms"),
        _ms("recorded_ms"),
        _text("computed"),
        _text("standing"),
        _text("standing_before", null=True),
        _text("origin"),
        _text("why"),
    )
    op.create_index("verdict_changes_by_unit", "verdict_changes", ["unit", "no"])


def downgrade() -> None:
    """Drop every table."""
    for table in (
        "counters",
        "heartbeats",
        "commands",
        "verdict_changes",
        "episodes",
        "unit_state",
        "statements",
        "dated",
    ):
        op.drop_table(table)
