"""How the verdict on a batch changed: a row is added when it changes, and never touched again."""

from typing import Literal, cast

from sqlalchemy import select
from sqlalchemy.orm import Session

from services.domain import BatchCard, BatchVerdict, Verdict
from services.records.state import next_change_no
from services.records.tables import BatchStateRow, BatchVerdictRow

Origin = Literal["data", "person"]
NOT_YET = "not worked out yet"
"""Said of what nobody has judged: no verdict, so no change of one."""


def note(session: Session, before: BatchStateRow | None, card: BatchCard, *, said_ms: int | None) -> None:
    """Write down that the verdict on a batch changed, if it did.

    `before` is the row as it still stands; `said_ms` is when a person said what changed it, None where
    readings did.
    """
    if card.standing_why == NOT_YET:
        return
    kept = None if before is None or before.standing_why == NOT_YET else before
    if kept is not None and (kept.computed, kept.standing) == (card.computed.value, card.standing.value):
        return
    moved = kept is None or kept.standing != card.standing.value
    since_ms = card.standing_since
    session.add(
        BatchVerdictRow(
            change_no=next_change_no(session),
            batch=card.batch.id,
            t_ms=since_ms if moved and since_ms is not None else card.as_of,
            recorded_ms=card.as_of if said_ms is None else said_ms,
            computed=card.computed.value,
            standing=card.standing.value,
            standing_before=None if kept is None else kept.standing,
            origin="data" if said_ms is None else "person",
            why=card.standing_why if moved else card.computed_why,
        )
    )


def of(session: Session, batch: int, limit: int) -> list[BatchVerdict]:
    """Return changes of the verdict on a batch, newest first."""
    query = select(BatchVerdictRow).where(BatchVerdictRow.batch == batch)
    return [told(row) for row in session.scalars(query.order_by(BatchVerdictRow.no.desc()).limit(limit))]


def after(session: Session, change_no: int) -> list[tuple[int, BatchVerdict]]:
    """Return changes of the verdict on any batch after a change number, oldest first."""
    query = select(BatchVerdictRow).where(BatchVerdictRow.change_no > change_no)
    return [(row.change_no, told(row)) for row in session.scalars(query.order_by(BatchVerdictRow.change_no))]


def told(row: BatchVerdictRow) -> BatchVerdict:
    """Return a change of the verdict on a batch."""
    return BatchVerdict(
        id=row.no,
        batch=row.batch,
        t=row.t_ms,
        recorded=row.recorded_ms,
        computed=Verdict(row.computed),
        standing=Verdict(row.standing),
        standing_before=None if row.standing_before is None else Verdict(row.standing_before),
        origin=cast("Origin", row.origin),
        why=row.why,
    )
