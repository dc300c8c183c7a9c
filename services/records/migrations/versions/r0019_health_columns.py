"""A column for each number of a machine's day, and what the last weeks of machines come to."""

import json
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"

_NUMBERS = (
    "hours_run", "starts", "duty", "starts_per_h", "longest_run_h", "full_duty_share", "ambient_c",
    "ambient_max_c", "gap_k", "night_duty", "night_gap_k", "night_slope_per_k", "hot_slope_per_k",
    "off_k_per_h", "on_k_per_h", "night_off_k_per_h", "night_on_k_per_h", "warm_up_per_h",
    "cooling_k_per_h", "capacity_ratio_k", "time_constant_h", "gain_w_per_k", "evaporator_gap_k",
    "above_set_k", "swing_k", "stop_above_k", "start_above_k", "lids", "warm_load_h", "stood_warm_h",
    "running_a", "running_a_sd", "running_v", "rest_v", "loaded_v", "dawn_v", "path_ohm", "path_stops",
    "sag_v", "ah", "charging_h", "full", "cutouts", "dust_h", "night_h", "set_point_c",
)  # fmt: skip
_WORDS = ("ambient_from", "lids_from", "ah_from", "dust_from")
_LISTS = ("has", "marks")
_BEFORE = ("hours_run", "starts", "dust_h")
_AT_ONCE = 2_000


def upgrade() -> None:
    """Take the days over into columns; what they say is worked out again, from them alone."""
    op.drop_index("health_days_by_day", "health_days")
    op.rename_table("health_days", "health_days_before")
    days = op.create_table(
        "health_days",
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("day_ms", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("measured_on", sa.Text(), nullable=False),
        sa.Column("on_battery", sa.Boolean(), nullable=False),
        sa.Column("hours_seen", sa.Float(), nullable=False),
        *(sa.Column(name, sa.Text(), nullable=False) for name in _LISTS),
        *(sa.Column(name, sa.Text()) for name in _WORDS),
        *(sa.Column(name, sa.Float()) for name in _NUMBERS),
        sa.PrimaryKeyConstraint("unit", "day_ms", name="health_days_key"),
    )
    _copy("health_days_before", days, _columns)
    op.drop_table("health_days_before")
    op.create_index("health_days_by_day", "health_days", ["day_ms"])
    op.create_table(
        "health_middles",
        sa.Column("unit", sa.Text(), primary_key=True),
        sa.Column("name", sa.Text(), primary_key=True),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=True),
        sa.Column("season", sa.Float(), nullable=True),
    )
    op.execute("UPDATE health_state SET found_ms = NULL")


def downgrade() -> None:
    """Take the days back into JSON."""
    op.drop_table("health_middles")
    op.drop_index("health_days_by_day", "health_days")
    op.rename_table("health_days", "health_days_after")
    days = op.create_table(
        "health_days",
        sa.Column("unit", sa.Text(), primary_key=True),
        sa.Column("day_ms", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("hours_seen", sa.Float(), nullable=False),
        *(sa.Column(name, sa.Float(), nullable=True) for name in _BEFORE),
        sa.Column("value", sa.Text(), nullable=False),
    )
    _copy("health_days_after", days, _json)
    op.drop_table("health_days_after")
    op.create_index("health_days_by_day", "health_days", ["day_ms"])


def _copy(name: str, to: sa.Table, form: Any) -> None:  # noqa: ANN401 - a plain function of one row
    """Write every row of a table in another form, some at a time, in the order of their keys."""
    bind = op.get_bind()
    table = sa.Table(name, sa.MetaData(), autoload_with=bind)
    key = (table.c.unit, table.c.day_ms)
    query = sa.select(table).order_by(*key).limit(_AT_ONCE)
    rows = bind.execute(query).mappings().all()
    while rows:
        bind.execute(to.insert(), [form(row) for row in rows])
        last = (rows[-1]["unit"], rows[-1]["day_ms"])
        rows = bind.execute(query.where(sa.tuple_(*key) > last)).mappings().all()


def _columns(row: Any) -> dict[str, object]:  # noqa: ANN401 - a row as a mapping
    day = json.loads(row["value"])
    return {
        "unit": row["unit"],
        "day_ms": row["day_ms"],
        "measured_on": day["measured_on"],
        "on_battery": day.get("on_battery", True),
        "hours_seen": day["hours_seen"],
        **{name: ",".join(day.get(name, ())) for name in _LISTS},
        **{name: day.get(name) for name in (*_WORDS, *_NUMBERS)},
        "night_h": day.get("night_h", 0.0),
    }


def _json(row: Any) -> dict[str, object]:  # noqa: ANN401 - a row as a mapping
    names = ("measured_on", "on_battery", "hours_seen", *_WORDS, *_NUMBERS)
    told = {name: row[name] for name in names if row[name] is not None and name != "cutouts"}
    lists = {name: row[name].split(",") for name in _LISTS if row[name]}
    day = {"day": row["day_ms"], **told, **lists}
    return {name: row[name] for name in ("unit", "day_ms", "hours_seen", *_BEFORE)} | {
        "value": json.dumps(day)
    }
