"""The table of the outbox: messages with what became of them."""

from sqlalchemy import BigInteger, Index, Integer, Text
from sqlalchemy.orm import Mapped, mapped_column

from services.records.tables import Number, Table


class OutboxRow(Table):
    """One message over one way."""

    __tablename__ = "outbox"
    __table_args__ = (
        Index("outbox_by_key", "key", unique=True),
        Index("outbox_by_state", "state", "again_ms"),
        Index("outbox_by_time", "put_ms"),
        Index("outbox_by_notice", "notice"),
    )

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    key: Mapped[str] = mapped_column(Text)
    way: Mapped[int] = mapped_column(BigInteger)
    kind: Mapped[str] = mapped_column(Text)
    target: Mapped[str] = mapped_column(Text)
    """Empty once the person it belonged to is forgotten."""
    person: Mapped[str | None] = mapped_column(Text)
    subject: Mapped[str] = mapped_column(Text)
    body: Mapped[str] = mapped_column(Text)
    priority: Mapped[str | None] = mapped_column(Text)
    rank: Mapped[int] = mapped_column(Integer)
    """What goes first where several wait: the highest."""
    about: Mapped[str] = mapped_column(Text)
    notice: Mapped[int | None] = mapped_column(BigInteger)
    data: Mapped[str] = mapped_column(Text)
    """JSON."""
    not_after_ms: Mapped[int] = mapped_column(BigInteger)
    put_ms: Mapped[int] = mapped_column(BigInteger)
    state: Mapped[str] = mapped_column(Text)
    tries: Mapped[int] = mapped_column(Integer)
    why: Mapped[str] = mapped_column(Text)
    tried_ms: Mapped[int | None] = mapped_column(BigInteger)
    again_ms: Mapped[int] = mapped_column(BigInteger)
    held_until_ms: Mapped[int | None] = mapped_column(BigInteger)
    """Until when a process that sends it at this moment has it for itself."""
    done_ms: Mapped[int | None] = mapped_column(BigInteger)
