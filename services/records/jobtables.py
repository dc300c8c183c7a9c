"""The tables of the workshop: jobs, what was said of them line by line, and departures."""

from sqlalchemy import BigInteger, Index, Text
from sqlalchemy.orm import Mapped, mapped_column

from services.records.tables import Number, Table, signed_column


class JobRow(Table):
    """One job, and how it stands after everything that was said of it."""

    __tablename__ = "jobs"
    __table_args__ = (Index("jobs_by_unit", "unit", "state"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    unit: Mapped[str] = mapped_column(Text)
    work: Mapped[str] = mapped_column(Text)
    state: Mapped[str] = mapped_column(Text)
    """open or closed; worked out from the lines and written anew with each, like the next two."""
    outcome: Mapped[str | None] = mapped_column(Text)
    closed_ms: Mapped[int | None] = mapped_column(BigInteger)


class JobLineRow(Table):
    """What a named person said of a job; never changed, never removed."""

    __tablename__ = "job_lines"
    __table_args__ = (Index("job_lines_by_job", "job", "no"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    job: Mapped[int] = mapped_column(BigInteger)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(Text)
    body: Mapped[str] = mapped_column(Text)
    """JSON: what was said, whole."""
    signed: Mapped[str | None] = signed_column()


class DepartureRow(Table):
    """When somebody said that a vehicle leaves next; of each place the newest counts."""

    __tablename__ = "departures"
    __table_args__ = (Index("departures_by_site", "site", "no"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    site: Mapped[str] = mapped_column(Text)
    leaves_ms: Mapped[int | None] = mapped_column(BigInteger)
    """NULL: none is planned."""
    said_ms: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str] = mapped_column(Text)
    signed: Mapped[str | None] = signed_column()
