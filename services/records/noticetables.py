"""The tables of notices: every change of one is a line; what they come to is kept beside for lists."""

from sqlalchemy import BigInteger, Index, Text
from sqlalchemy.orm import Mapped, mapped_column

from services.records.tables import Number, Table, signed_column


class NoticeRow(Table):
    """A notice as its lines leave it, in the words of the last look."""

    __tablename__ = "notices"
    __table_args__ = (Index("notices_by_cause", "cause_key", "no"), Index("notices_by_end", "ended_ms"))

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    cause_key: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(Text)
    site: Mapped[str | None] = mapped_column(Text)
    told: Mapped[str] = mapped_column(Text)
    """JSON: cause, consequence, time left, what to do, who."""
    ended_ms: Mapped[int | None] = mapped_column(BigInteger)
    """NULL while it needs somebody."""


class NoticeLineRow(Table):
    """One change of a notice; never changed, never removed."""

    __tablename__ = "notice_lines"
    __table_args__ = (Index("notice_lines_by_notice", "notice", "no"), Index("notice_lines_by_time", "t_ms"))

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    notice: Mapped[int] = mapped_column(BigInteger)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str] = mapped_column(Text)
    """Empty of what the readings did."""
    kind: Mapped[str] = mapped_column(Text)
    body: Mapped[str] = mapped_column(Text)
    """JSON: why, until when, and what was told then."""
    signed: Mapped[str | None] = signed_column()


class NoticeWaitsRow(Table):
    """The one row with the delays that run; the monitor's own, written over."""

    __tablename__ = "notice_waits"

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    body: Mapped[str] = mapped_column(Text)
    """JSON: since when causes are seen, and gone, that were not told as such yet."""
