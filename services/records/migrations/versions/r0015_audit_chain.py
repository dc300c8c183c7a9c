"""The audit chain: a link for every record there is, in the order of their times."""

from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

from services.records.chaining import add_links

revision = "0015"
down_revision = "0014"

_TIMES = {
    "dated": "valid_from_ms",
    "statements": "t_ms",
    "batch_events": "said_ms",
    "pin_checks": "t_ms",
    "commands": "queued_ms",
    "departures": "said_ms",
    "operator_events": "t_ms",
    "job_lines": "t_ms",
    "run_tests": "start_ms",
    "run_test_lines": "t_ms",
    "verdict_changes": "recorded_ms",
    "batch_verdicts": "recorded_ms",
    "notice_lines": "t_ms",
}
_AT_ONCE = 2_000


def upgrade() -> None:
    """Make the tables, and chain what is there."""
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "audit_chain",
        sa.Column("no", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("row", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.UniqueConstraint("record", "row"),
    )
    op.create_table(
        "audit_salts",
        sa.Column("no", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("salt", sa.Text(), nullable=True),
        sa.Column("parts", sa.Text(), nullable=True),
    )
    op.create_table(
        "audit_taken_out",
        sa.Column("no", number, primary_key=True),
        sa.Column("event", sa.BigInteger(), nullable=False),
        sa.Column("link", sa.BigInteger(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("salt", sa.Text(), nullable=True),
    )
    op.create_index("audit_taken_out_by_link", "audit_taken_out", ["link", "no"])
    op.create_index("audit_taken_out_by_event", "audit_taken_out", ["event"])
    connection = op.get_bind()
    tables = {name: sa.Table(name, sa.MetaData(), autoload_with=connection) for name in _TIMES}
    for page in _pages(connection, tables):
        add_links(connection, page)


def _pages(
    connection: sa.Connection, tables: dict[str, sa.Table]
) -> Iterator[list[tuple[sa.Table, dict[str, Any]]]]:
    """Yield every record there is, in the order of time, some at once."""
    order: list[tuple[int, str, int]] = []
    for name, table in tables.items():
        found = connection.execute(sa.select(table.c[_TIMES[name]], table.c.no))
        order += [(t_ms, name, no) for t_ms, no in found]
    order.sort(key=lambda each: (each[0], list(_TIMES).index(each[1]), each[2]))
    for start in range(0, len(order), _AT_ONCE):
        page = order[start : start + _AT_ONCE]
        rows: dict[tuple[str, int], Any] = {}
        for name in {name for _, name, _ in page}:
            table = tables[name]
            wanted = [no for _, each, no in page if each == name]
            for row in connection.execute(sa.select(table).where(table.c.no.in_(wanted))).mappings():
                rows[name, row["no"]] = dict(row)
        yield [(tables[name], rows[name, no]) for _, name, no in page]


def downgrade() -> None:
    """Take it away."""
    for table in ("audit_taken_out", "audit_salts", "audit_chain"):
        op.drop_table(table)
