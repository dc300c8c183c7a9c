"""The tables of a machine's days, of how far they are worked out, and of what the last weeks come to."""

from sqlalchemy import BigInteger, Boolean, Column, Float, Index, Integer, Text
from sqlalchemy import Table as Rows
from sqlalchemy.orm import Mapped, mapped_column

from services.domain import FEATURES
from services.records.tables import Table

NUMBERS = (*FEATURES, "night_h", "set_point_c")
"""Columns of a day that may be empty where the day does not tell them."""
WORDS = ("ambient_from", "lids_from", "ah_from", "dust_from")
LISTS = ("has", "marks")
"""Words with commas between them."""

DAYS = Rows(
    "health_days",
    Table.metadata,
    Column("unit", Text, primary_key=True),
    Column("day_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("measured_on", Text, nullable=False),
    Column("on_battery", Boolean, nullable=False),
    Column("hours_seen", Float, nullable=False),
    *(Column(name, Text, nullable=False) for name in LISTS),
    *(Column(name, Text) for name in WORDS),
    *(Column(name, Float) for name in NUMBERS),
    Index("health_days_by_day", "day_ms"),
)
"""One UTC day of one unit; written anew when late samples change it. A column for each number: a day takes
less than half of what it takes as JSON, and whoever asks for one number reads no other."""


class HealthStateRow(Table):
    """How far the days of a unit are worked out, and what they say as of the newest."""

    __tablename__ = "health_state"

    unit: Mapped[str] = mapped_column(Text, primary_key=True)
    next_ms: Mapped[int] = mapped_column(BigInteger)
    """Start of the first day that is not worked out, or no longer holds."""
    found_ms: Mapped[int | None] = mapped_column(BigInteger)
    """Start of the UTC day before which the days were looked at for findings; NULL: not yet, or no longer."""
    findings: Mapped[str] = mapped_column(Text)
    """JSON."""
    usual: Mapped[str] = mapped_column(Text)
    """JSON: where each number lay on the days the unit is compared with."""


MIDDLES = Rows(
    "health_middles",
    Table.metadata,
    Column("unit", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("value", Float, nullable=False),
    Column("days", Integer),
    Column("season", Float),
)
"""What one number of a unit came to over its last month, to be set beside others' (see `Middle`)."""
