"""What a bank's days taught, kept one row a unit, bank and UTC day."""

from collections.abc import Sequence

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from services.records.said import Taught
from services.records.tables import TaughtRow
from services.timebase import DAY_MS

KEEP_MS = 45 * DAY_MS
"""Late data reopens at most a month; what lies further back carries nothing on any more."""


def newest(session: Session, unit: str, *, until_ms: int) -> Taught | None:
    """Return what the days before the newest kept day at or before an instant taught of the unit's bank."""
    query = (
        select(TaughtRow)
        .where(TaughtRow.unit == unit, TaughtRow.day_ms <= until_ms)
        .order_by(TaughtRow.day_ms.desc())
        .limit(1)
    )
    row = session.scalars(query).first()
    return None if row is None else Taught(row.bank, row.day_ms, row.value)


def keep(session: Session, unit: str, taught: Sequence[Taught], *, now_ms: int) -> None:
    """Keep what was taught anew; days from the first of it on are replaced, very old ones go."""
    if not taught:
        return
    first_ms = min(one.day_ms for one in taught)
    own = TaughtRow.unit == unit
    session.execute(
        delete(TaughtRow).where(own, (TaughtRow.day_ms >= first_ms) | (TaughtRow.day_ms < now_ms - KEEP_MS))
    )
    session.add_all(TaughtRow(unit=unit, bank=one.bank, day_ms=one.day_ms, value=one.value) for one in taught)
