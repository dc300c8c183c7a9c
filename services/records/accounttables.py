"""The tables of who may come in: accounts, sessions, tokens of machines, one-time codes, refused log-ins."""

from sqlalchemy import BigInteger, Index, Text
from sqlalchemy.orm import Mapped, mapped_column

from services.records.tables import Number, Table


class AccountRow(Table):
    """Somebody who logs in."""

    __tablename__ = "accounts"

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    key: Mapped[str] = mapped_column(Text, unique=True)
    """The name without regard to capitals, so that nobody can be mistaken for another."""
    name: Mapped[str] = mapped_column(Text)
    role: Mapped[str] = mapped_column(Text)
    sites: Mapped[str | None] = mapped_column(Text)
    """JSON list of site ids; NULL is every site."""
    password: Mapped[str | None] = mapped_column(Text)
    """Argon2id with its salt and costs; NULL until the person has chosen one."""
    pin: Mapped[str | None] = mapped_column(Text)
    """The same of the PIN for names chosen on a kitchen's device; NULL until there is one."""
    language: Mapped[str | None] = mapped_column(Text)
    """What the person reads pages in where a browser was told nothing else; NULL leaves it to the browser."""
    degrees: Mapped[str | None] = mapped_column(Text)
    """The same of temperatures: c or f."""
    made_ms: Mapped[int] = mapped_column(BigInteger)
    made_by: Mapped[str] = mapped_column(Text)
    disabled_ms: Mapped[int | None] = mapped_column(BigInteger)


class SessionRow(Table):
    """A browser that is logged in, or a device that was enrolled; found by the digest of its secret."""

    __tablename__ = "sessions"
    __table_args__ = (Index("sessions_by_account", "account"),)

    digest: Mapped[str] = mapped_column(Text, primary_key=True)
    account: Mapped[int | None] = mapped_column(BigInteger)
    """NULL of a device that several people use."""
    device: Mapped[str | None] = mapped_column(Text)
    role: Mapped[str | None] = mapped_column(Text)
    sites: Mapped[str | None] = mapped_column(Text)
    begun_ms: Mapped[int] = mapped_column(BigInteger)
    seen_ms: Mapped[int] = mapped_column(BigInteger)
    """When it was last used, to the hour."""
    expires_ms: Mapped[int] = mapped_column(BigInteger)


class TokenRow(Table):
    """What a machine shows instead of logging in."""

    __tablename__ = "tokens"

    digest: Mapped[str] = mapped_column(Text, primary_key=True)
    label: Mapped[str] = mapped_column(Text, unique=True)
    role: Mapped[str] = mapped_column(Text)
    sites: Mapped[str | None] = mapped_column(Text)
    made_ms: Mapped[int] = mapped_column(BigInteger)
    made_by: Mapped[str] = mapped_column(Text)
    revoked_ms: Mapped[int | None] = mapped_column(BigInteger)


class CodeRow(Table):
    """A code that lets somebody in once: to choose a password, or to enrol a device."""

    __tablename__ = "codes"

    digest: Mapped[str] = mapped_column(Text, primary_key=True)
    purpose: Mapped[str] = mapped_column(Text)
    """first, person or device."""
    account: Mapped[int | None] = mapped_column(BigInteger)
    device: Mapped[str | None] = mapped_column(Text)
    role: Mapped[str] = mapped_column(Text)
    sites: Mapped[str | None] = mapped_column(Text)
    made_by: Mapped[str] = mapped_column(Text)
    expires_ms: Mapped[int] = mapped_column(BigInteger)
    used_ms: Mapped[int | None] = mapped_column(BigInteger)


class RefusalRow(Table):
    """A log-in or a code that was refused; kept for a day, to slow down whoever guesses."""

    __tablename__ = "refusals"
    __table_args__ = (Index("refusals_by_key", "key", "t_ms"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    key: Mapped[str] = mapped_column(Text)
    """Digest of the name that was typed, or of the address it came from."""
    t_ms: Mapped[int] = mapped_column(BigInteger)
