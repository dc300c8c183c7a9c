"""What was written down between two moments, of any cabinet or of some: the newest first."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import cast

from sqlalchemy import ColumnElement, SQLColumnExpression, and_, func, or_, select
from sqlalchemy.orm import Session

from services.domain import BatchCard, BatchEvent, BatchVerdict
from services.records import batchbook, batchverdicts, rows
from services.records.door import Door
from services.records.said import Statement, VerdictChange
from services.records.tables import (
    BatchEventRow,
    BatchRow,
    BatchStayRow,
    BatchVerdictRow,
    StatementRow,
    VerdictChangeRow,
)

_ENDS = ("discarded", "hold_closed")
"""What may be said when food is thrown away."""


@dataclass(frozen=True, slots=True)
class OfBatch:
    """Something of a batch, with the cabinet it lay in at that moment, else the one it lay in last."""

    told: BatchEvent | BatchVerdict
    unit: str | None


class HistoryRecords(Door):
    """Looking back over everything that was said and concluded."""

    def statements_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> list[Statement]:
        """Return what people said of cabinets and was written down in ``[start_ms, end_ms)``.

        Without `units`, of all.
        """
        written = func.coalesce(StatementRow.received_ms, StatementRow.t_ms)
        query = select(StatementRow).where(written >= start_ms, written < end_ms)
        if units is not None:
            query = query.where(StatementRow.unit.in_(units))
        with self._database.reading() as session:
            found = session.scalars(query.order_by(StatementRow.no.desc()).limit(limit))
            return [rows.statement_of(row) for row in found]

    def unit_verdicts_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> list[VerdictChange]:
        """Return changes of cabinets' own verdicts that were recorded in ``[start_ms, end_ms)``."""
        at = VerdictChangeRow.recorded_ms
        query = select(VerdictChangeRow).where(at >= start_ms, at < end_ms)
        if units is not None:
            query = query.where(VerdictChangeRow.unit.in_(units))
        with self._database.reading() as session:
            found = session.scalars(query.order_by(VerdictChangeRow.no.desc()).limit(limit))
            return [rows.change_of(row) for row in found]

    def batch_events_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> list[OfBatch]:
        """Return what was said of batches in ``[start_ms, end_ms)``, by when it was written down."""
        row = BatchEventRow
        query = select(row).where(row.said_ms >= start_ms, row.said_ms < end_ms)
        if units is not None:
            query = query.where(_lay_in(row.batch, row.t_ms, units))
        with self._database.reading() as session:
            found = session.scalars(query.order_by(row.no.desc()).limit(limit)).all()
            return [OfBatch(batchbook.event_of(e), _place(session, e.batch, e.t_ms, units)) for e in found]

    def batch_verdicts_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> list[OfBatch]:
        """Return changes of batches' verdicts that were recorded in ``[start_ms, end_ms)``."""
        row = BatchVerdictRow
        query = select(row).where(row.recorded_ms >= start_ms, row.recorded_ms < end_ms)
        if units is not None:
            query = query.where(_lay_in(row.batch, row.t_ms, units))
        with self._database.reading() as session:
            found = session.scalars(query.order_by(row.no.desc()).limit(limit)).all()
            return [OfBatch(batchverdicts.told(v), _place(session, v.batch, v.t_ms, units)) for v in found]

    def batches_discarded(self, start_ms: int, end_ms: int) -> list[BatchCard]:
        """Return the cards of batches that are gone because they were thrown away in a span."""
        row = BatchEventRow
        query = select(row.batch).where(row.t_ms >= start_ms, row.t_ms < end_ms, row.kind.in_(_ENDS))
        with self._database.reading() as session:
            cards = [batchbook.card_row(session, batch) for batch in session.scalars(query.distinct())]
        return [
            card
            for card in cards
            if card is not None and card.batch.end == "discarded" and start_ms <= card.batch.since < end_ms
        ]


def _lay_in(
    batch: SQLColumnExpression[int], t_ms: SQLColumnExpression[int], units: Collection[str]
) -> ColumnElement[bool]:
    """Return the condition that a batch lay in one of some cabinets at a moment, or lies in one now."""
    stay, now = BatchStayRow, BatchRow
    lay = select(stay.no).where(
        stay.batch == batch,
        stay.unit.in_(units),
        stay.from_ms <= t_ms,
        or_(stay.to_ms.is_(None), stay.to_ms >= t_ms),
    )
    return or_(lay.exists(), select(now.no).where(and_(now.no == batch, now.unit.in_(units))).exists())


def _place(session: Session, batch: int, t_ms: int, units: Collection[str] | None) -> str | None:
    """Return the cabinet a batch lay in at a moment, one of `units` where it lay in two."""
    stay = BatchStayRow
    query = select(stay.unit).where(
        stay.batch == batch, stay.from_ms <= t_ms, or_(stay.to_ms.is_(None), stay.to_ms >= t_ms)
    )
    lay = [unit for unit in session.scalars(query.order_by(stay.from_ms.desc())) if unit is not None]
    if lay:
        return next((unit for unit in lay if units is None or unit in units), lay[0])
    return cast("str | None", session.scalar(select(BatchRow.unit).where(BatchRow.no == batch)))
