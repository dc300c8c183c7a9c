"""The tables of what people own and say, and of what the monitor made of it."""

from collections.abc import Callable
from typing import Any, Literal

from sqlalchemy import BigInteger, Index, Integer, Text, UniqueConstraint, func, select
from sqlalchemy.engine.default import DefaultExecutionContext
from sqlalchemy.orm import DeclarativeBase, Mapped, column_property, mapped_column

from services.records.kept import Kept

Number = BigInteger().with_variant(Integer(), "sqlite")
"""SQLite numbers rows by itself only where the type is spelled INTEGER."""


SIGNED = "bushlarder_signed"
"""Option of a connection: how whoever writes over it proved who he is."""
KEPT = "bushlarder_kept"
"""Option of a connection: how the word that is written over it came here (`kept.Kept`)."""


class Table(DeclarativeBase):
    """The base of every table."""


def _how_signed(context: DefaultExecutionContext) -> str | None:
    how = context.execution_options.get(SIGNED)
    return None if how is None else str(how)


def signed_column() -> Mapped[str | None]:
    """Return a column that says how a line was signed, filled from the connection it is written over.

    ``account``: by a person who had logged in; ``device`` or ``machine``: a name chosen there, not
    verified; NULL: a name chosen where nobody had to log in.
    """
    return mapped_column(Text, default=_how_signed)


def _came(part: Literal["key", "times", "received_ms"]) -> Callable[[DefaultExecutionContext], Any]:
    """Return what fills a column from how the word came here; NULL where it was said on a page at once."""

    def of(context: DefaultExecutionContext) -> object:
        kept: Kept | None = context.execution_options.get(KEPT)
        if kept is None or (part == "received_ms" and kept.said_ms is None):
            return None
        return getattr(kept, part)

    return of


class PinRow(Table):
    """Somebody showed the PIN that goes with a name chosen on a device; only ever added to."""

    __tablename__ = "pin_checks"
    __table_args__ = (Index("pin_checks_by_key", "key"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    key: Mapped[str] = mapped_column(Text)
    """Of the word that was signed."""
    who: Mapped[str] = mapped_column(Text)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    device: Mapped[str] = mapped_column(Text)


class KeyRow(Table):
    """The key of a word that was written down: what comes under it again is the same word."""

    __tablename__ = "said_keys"

    key: Mapped[str] = mapped_column(Text, primary_key=True)
    t_ms: Mapped[int] = mapped_column(BigInteger)


class DatedRow(Table):
    """One site, bank, unit or person as it is described from a moment on; rows are only ever added."""

    __tablename__ = "dated"
    __table_args__ = (Index("dated_by_key", "kind", "key", "no"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    kind: Mapped[str] = mapped_column(Text)
    """site, bank, unit or person."""
    key: Mapped[str] = mapped_column(Text)
    """The id; of people the name."""
    valid_from_ms: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str] = mapped_column(Text)
    value: Mapped[str | None] = mapped_column(Text)
    """JSON; NULL when it was taken away."""
    why: Mapped[str | None] = mapped_column(Text)
    """The reason that was given; NULL where nobody asked for one."""
    said_ms: Mapped[int | None] = mapped_column(BigInteger)
    """When it was said, where that was later than it holds from."""
    signed: Mapped[str | None] = signed_column()


class StatementRow(Table):
    """What a named person said; never changed, never removed."""

    __tablename__ = "statements"
    __table_args__ = (
        Index("statements_by_unit", "unit", "kind", "no"),
        Index("statements_by_key", "key"),
        Index("statements_by_kind", "kind", "t_ms"),
    )

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    unit: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(Text)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    body: Mapped[str] = mapped_column(Text)
    """JSON."""
    ends_clock: Mapped[bool]
    """Whether the unit was said to hold nothing any more."""
    signed: Mapped[str | None] = signed_column()
    key: Mapped[str | None] = mapped_column(Text, default=_came("key"))
    phone: Mapped[str | None] = mapped_column(Text, default=_came("times"))
    """JSON: both clocks of a word that was kept on a phone."""
    received_ms: Mapped[int | None] = mapped_column(BigInteger, default=_came("received_ms"))
    """When it came here, where that was later than it was said."""
    pinned_ms: Mapped[int | None] = column_property(
        select(func.min(PinRow.t_ms)).where(PinRow.key == key).scalar_subquery()
    )
    """When whoever it names showed the PIN."""


class StateRow(Table):
    """What is known of one unit now: the card of the lists, the standing verdict."""

    __tablename__ = "unit_state"
    __table_args__ = (Index("unit_state_by_change", "change_no"),)

    unit: Mapped[str] = mapped_column(Text, primary_key=True)
    change_no: Mapped[int] = mapped_column(BigInteger)
    card: Mapped[str] = mapped_column(Text)
    moved: Mapped[str | None] = mapped_column(Text)
    """What live samples moved since the analysis was made (see `carried`); NULL where nothing did."""
    computed: Mapped[str] = mapped_column(Text)
    standing: Mapped[str] = mapped_column(Text)
    standing_since_ms: Mapped[int | None] = mapped_column(BigInteger)
    standing_why: Mapped[str] = mapped_column(Text)
    assessed_ms: Mapped[int] = mapped_column(BigInteger)
    """The as-of of the card."""


class AnalysisRow(Table):
    """The newest analysis of one unit."""

    __tablename__ = "unit_analysis"

    unit: Mapped[str] = mapped_column(Text, primary_key=True)
    analysis: Mapped[str] = mapped_column(Text)


class EpisodeRow(Table):
    """One stretch above one limit; withdrawn, not removed, when late data shows it otherwise."""

    __tablename__ = "episodes"
    __table_args__ = (UniqueConstraint("unit", "rule", "limit_c", "basis", "start_ms"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    unit: Mapped[str] = mapped_column(Text)
    rule: Mapped[str] = mapped_column(Text)
    limit_c: Mapped[float]
    basis: Mapped[str] = mapped_column(Text)
    start_ms: Mapped[int] = mapped_column(BigInteger)
    end_ms: Mapped[int] = mapped_column(BigInteger)
    peak_c: Mapped[float]
    mean_c: Mapped[float]
    withdrawn_ms: Mapped[int | None] = mapped_column(BigInteger)


class VerdictChangeRow(Table):
    """One change of a computed or standing verdict."""

    __tablename__ = "verdict_changes"
    __table_args__ = (Index("verdict_changes_by_unit", "unit", "no"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    unit: Mapped[str] = mapped_column(Text)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    """The moment the verdict is about."""
    recorded_ms: Mapped[int] = mapped_column(BigInteger)
    computed: Mapped[str] = mapped_column(Text)
    standing: Mapped[str] = mapped_column(Text)
    standing_before: Mapped[str | None] = mapped_column(Text)
    origin: Mapped[str] = mapped_column(Text)
    """live, late or person."""
    why: Mapped[str] = mapped_column(Text)


class BatchRow(Table):
    """One batch of food, and where it is after everything that was said of it."""

    __tablename__ = "batches"
    __table_args__ = (Index("batches_by_place", "place", "unit"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    split_from: Mapped[int | None] = mapped_column(BigInteger)
    split_ms: Mapped[int | None] = mapped_column(BigInteger)
    split_event: Mapped[int | None] = mapped_column(BigInteger)
    """The event by which it began; what was said of the batch it comes from before then holds for it too."""
    unit: Mapped[str | None] = mapped_column(Text)
    place: Mapped[str] = mapped_column(Text)


class BatchEventRow(Table):
    """What a named person said of a batch; never changed, never removed."""

    __tablename__ = "batch_events"
    __table_args__ = (
        Index("batch_events_by_batch", "batch", "no"),
        Index("batch_events_by_key", "key"),
    )

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    batch: Mapped[int] = mapped_column(BigInteger)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    """When it happened."""
    said_ms: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(Text)
    body: Mapped[str] = mapped_column(Text)
    """JSON."""
    signed: Mapped[str | None] = signed_column()
    key: Mapped[str | None] = mapped_column(Text, default=_came("key"))
    phone: Mapped[str | None] = mapped_column(Text, default=_came("times"))
    """JSON: both clocks of a word that was kept on a phone."""
    pinned_ms: Mapped[int | None] = column_property(
        select(func.min(PinRow.t_ms)).where(PinRow.key == key).scalar_subquery()
    )
    """When whoever it names showed the PIN."""


class BatchStayRow(Table):
    """Where a batch was from when to when; worked out from its events, and written anew with each."""

    __tablename__ = "batch_stays"
    __table_args__ = (Index("batch_stays_by_unit", "unit", "from_ms"), Index("batch_stays_by_batch", "batch"))

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    batch: Mapped[int] = mapped_column(BigInteger)
    unit: Mapped[str | None] = mapped_column(Text)
    """NULL while it was out of any cabinet."""
    from_ms: Mapped[int] = mapped_column(BigInteger)
    to_ms: Mapped[int | None] = mapped_column(BigInteger)
    frozen: Mapped[bool]


class BatchStateRow(Table):
    """What is known of one batch now: its card, and the verdict that stands."""

    __tablename__ = "batch_state"

    batch: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    change_no: Mapped[int] = mapped_column(BigInteger)
    card: Mapped[str] = mapped_column(Text)
    computed: Mapped[str] = mapped_column(Text)
    standing: Mapped[str] = mapped_column(Text)
    standing_since_ms: Mapped[int | None] = mapped_column(BigInteger)
    standing_why: Mapped[str] = mapped_column(Text)
    assessed_ms: Mapped[int] = mapped_column(BigInteger)


class BatchVerdictRow(Table):
    """One change of a batch's computed or standing verdict; only ever added to."""

    __tablename__ = "batch_verdicts"
    __table_args__ = (
        Index("batch_verdicts_by_batch", "batch", "no"),
        Index("batch_verdicts_by_change", "change_no"),
    )

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    change_no: Mapped[int] = mapped_column(BigInteger)
    """Counted together with the changes of the state table, so that live changes have one order."""
    batch: Mapped[int] = mapped_column(BigInteger)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    """The moment the verdict is about."""
    recorded_ms: Mapped[int] = mapped_column(BigInteger)
    computed: Mapped[str] = mapped_column(Text)
    standing: Mapped[str] = mapped_column(Text)
    standing_before: Mapped[str | None] = mapped_column(Text)
    origin: Mapped[str] = mapped_column(Text)
    """data or person."""
    why: Mapped[str] = mapped_column(Text)


class CommandRow(Table):
    """A command waiting for ingest to publish it."""

    __tablename__ = "commands"

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    unit: Mapped[str] = mapped_column(Text)
    name: Mapped[str] = mapped_column(Text)
    arguments: Mapped[str] = mapped_column(Text)
    """JSON."""
    who: Mapped[str] = mapped_column(Text)
    queued_ms: Mapped[int] = mapped_column(BigInteger)
    expires_ms: Mapped[int] = mapped_column(BigInteger)
    correlation: Mapped[str] = mapped_column(Text)
    """Sixteen random bytes as hexadecimal digits."""
    signed: Mapped[str | None] = signed_column()


class CounterRow(Table):
    """Numbers that go on: the newest change of the state table, the monitor's place in the feed."""

    __tablename__ = "counters"

    name: Mapped[str] = mapped_column(Text, primary_key=True)
    value: Mapped[int] = mapped_column(BigInteger)


class TaughtRow(Table):
    """What a bank's days taught until the start of a UTC day; later days carry on from it."""

    __tablename__ = "power_learned"

    unit: Mapped[str] = mapped_column(Text, primary_key=True)
    bank: Mapped[str] = mapped_column(Text, primary_key=True)
    """What makes it another bank: id, chemistry, label, voltage, date."""
    day_ms: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    value: Mapped[str] = mapped_column(Text)
    """JSON; the analyses read and write it."""


class OperatorEventRow(Table):
    """Something about the house itself: a credential given or taken, log-ins refused; only ever added."""

    __tablename__ = "operator_events"
    __table_args__ = (Index("operator_events_by_time", "t_ms"),)

    no: Mapped[int] = mapped_column(Number, primary_key=True)
    t_ms: Mapped[int] = mapped_column(BigInteger)
    kind: Mapped[str] = mapped_column(Text)
    about: Mapped[str] = mapped_column(Text)
    """A unit, or a part of the house."""
    who: Mapped[str] = mapped_column(Text)
    """A person, or the part that noticed it."""
    body: Mapped[str] = mapped_column(Text)
    """JSON."""
