"""The tables of a machine's days, and of how far they are worked out."""

from sqlalchemy import BigInteger, Float, Index, Text
from sqlalchemy.orm import Mapped, mapped_column

from services.records.tables import Table


class HealthRow(Table):
    """One UTC day of one unit; written anew when late samples change it."""

    __tablename__ = "health_days"
    __table_args__ = (Index("health_days_by_day", "day_ms"),)

    unit: Mapped[str] = mapped_column(Text, primary_key=True)
    day_ms: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    hours_seen: Mapped[float] = mapped_column(Float)
    hours_run: Mapped[float | None] = mapped_column(Float)
    starts: Mapped[float | None] = mapped_column(Float)
    dust_h: Mapped[float | None] = mapped_column(Float)
    value: Mapped[str] = mapped_column(Text)
    """The whole day as JSON; what is summed over many units stands beside it."""


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
