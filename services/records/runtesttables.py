"""The tables of run tests: how each began, what was said of it line by line, and how it stands."""

from sqlalchemy import BigInteger, Index, Text
from sqlalchemy.orm import Mapped, mapped_column

from services.records.tables import Number, Table, signed_column


class RunTestRow(Table):
    """A test that a named person began; never changed, never removed."""

    __tablename__ = "run_tests"
    __table_args__ = (Index("run_tests_by_unit", "unit", "no"), Index("run_tests_by_job", "job"))

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    unit: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(Text)
    start_ms: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str] = mapped_column(Text)
    words: Mapped[str] = mapped_column(Text)
    """JSON: serial, technician, conditions."""
    job: Mapped[int | None] = mapped_column(BigInteger)
    signed: Mapped[str | None] = signed_column()


class RunTestLineRow(Table):
    """What a named person said of a test, or its result; never changed, never removed."""

    __tablename__ = "run_test_lines"
    __table_args__ = (Index("run_test_lines_by_test", "test", "no"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    test: Mapped[int] = mapped_column(BigInteger)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str] = mapped_column(Text)
    """Empty of the result, which nobody said."""
    kind: Mapped[str] = mapped_column(Text)
    """ambient, lid, note, stopped, or concluded."""
    body: Mapped[str] = mapped_column(Text)
    """JSON; of concluded the result, whole."""
    signed: Mapped[str | None] = signed_column()


class RunTestStateRow(Table):
    """How a test that is not concluded stands: worked out anew as readings come, gone with its result."""

    __tablename__ = "run_test_state"

    test: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    result: Mapped[str] = mapped_column(Text)
    """JSON."""
