"""The tables of the audit chain; what each link stands for is in `auditchain`."""

from sqlalchemy import BigInteger, Index, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from services.records.tables import Number, Table


class LinkRow(Table):
    """One link; only ever added to, also when its record went with its time."""

    __tablename__ = "audit_chain"
    __table_args__ = (UniqueConstraint("record", "row"),)

    no: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    """1, 2, 3 without a gap."""
    record: Mapped[str] = mapped_column(Text)
    """The table of the record."""
    row: Mapped[int] = mapped_column(BigInteger)
    """Its number there."""
    digest: Mapped[str] = mapped_column(Text)
    hash: Mapped[str] = mapped_column(Text)


class SaltRow(Table):
    """What a record was hashed with, kept apart from it: gone with the record, or with a part of it."""

    __tablename__ = "audit_salts"

    no: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    """Of the link."""
    salt: Mapped[str | None] = mapped_column(Text)
    """NULL once a part of the record was taken out."""
    parts: Mapped[str | None] = mapped_column(Text)
    """JSON: the salts of the leaves that are still as they were, where `salt` is NULL."""


class TakenOutRow(Table):
    """One leaf that was replaced when somebody's data were deleted."""

    __tablename__ = "audit_taken_out"
    __table_args__ = (
        Index("audit_taken_out_by_link", "link", "no"),
        Index("audit_taken_out_by_event", "event"),
    )

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    event: Mapped[int] = mapped_column(BigInteger)
    """The operator event that tells of it; its body holds the digest of all its leaves."""
    link: Mapped[int] = mapped_column(BigInteger)
    path: Mapped[str] = mapped_column(Text)
    before: Mapped[str] = mapped_column(Text)
    """What stood for the leaf."""
    after: Mapped[str] = mapped_column(Text)
    """What stands for the words in its place."""
    salt: Mapped[str | None] = mapped_column(Text)
    """Of those; NULL when they were replaced once more."""
