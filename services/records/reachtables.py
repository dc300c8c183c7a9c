"""The tables of how people are reached: their ways now, what was said of them, and links that answer once."""

from sqlalchemy import BigInteger, Index, Integer, Text
from sqlalchemy.orm import Mapped, mapped_column

from services.records.tables import Number, Table, signed_column


class WayRow(Table):
    """One way to reach somebody, as it is now; it goes when it is taken away, and its address with it."""

    __tablename__ = "ways"
    __table_args__ = (Index("ways_by_person", "person"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    person: Mapped[str | None] = mapped_column(Text)
    """NULL of a thing of the site."""
    site: Mapped[str | None] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(Text)
    target: Mapped[str] = mapped_column(Text)
    language: Mapped[str] = mapped_column(Text)
    least: Mapped[str] = mapped_column(Text)
    quiet_from_min: Mapped[int | None] = mapped_column(Integer)
    quiet_to_min: Mapped[int | None] = mapped_column(Integer)
    digests: Mapped[bool]
    nothing_too: Mapped[bool]
    off: Mapped[bool]
    since_ms: Mapped[int] = mapped_column(BigInteger)
    proven_ms: Mapped[int | None] = mapped_column(BigInteger)


class ReachLineRow(Table):
    """What a named person said of a way or of who is on call; never changed, never removed.

    The address itself is not in it: it lives with the way and goes with it.
    """

    __tablename__ = "reach_lines"
    __table_args__ = (Index("reach_lines_by_about", "about", "no"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    about: Mapped[str] = mapped_column(Text)
    """``way:`` and its number, or ``site:`` and its id."""
    t_ms: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(Text)
    body: Mapped[str] = mapped_column(Text)
    """JSON."""
    signed: Mapped[str | None] = signed_column()


class ReachLinkRow(Table):
    """A link in a message by which one person may take one notice, once."""

    __tablename__ = "reach_links"
    __table_args__ = (Index("reach_links_by_end", "expires_ms"),)

    digest: Mapped[str] = mapped_column(Text, primary_key=True)
    notice: Mapped[int] = mapped_column(BigInteger)
    person: Mapped[str] = mapped_column(Text)
    language: Mapped[str] = mapped_column(Text)
    expires_ms: Mapped[int] = mapped_column(BigInteger)
    used_ms: Mapped[int | None] = mapped_column(BigInteger)
