"""What a bank's days taught, kept one row a unit, bank and UTC day."""

from collections.abc import Sequence

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from services.records.said import Taught
from services.records.tables import TaughtRow
from services.timebase import DAY_MS

KEEP_MS = 45 * DAY_MS
"""Late data reopens at most a month; what lies further back carries nothing on any more."""


def carried(session: Session, unit: str, *, from_ms: int, until_ms: int) -> Taught | None:
    """Return what a judgement starts from: the oldest kept day in ``[from_ms, until_ms]``.

    Without one, the newest before. Whichever day it starts from, the answer as of now is the same; the
    oldest shows the days since as well.
    """
    inside = select(TaughtRow).where(
        TaughtRow.unit == unit, TaughtRow.day_ms >= from_ms, TaughtRow.day_ms <= until_ms
    )
    row = session.scalars(inside.order_by(TaughtRow.day_ms).limit(1)).first()
    if row is None:
        before = select(TaughtRow).where(TaughtRow.unit == unit, TaughtRow.day_ms <= until_ms)
        row = session.scalars(before.order_by(TaughtRow.day_ms.desc()).limit(1)).first()
    return None if row is None else Taught(row.bank, row.day_ms, row.value)


def keep(session: Session, unit: str, taught: Sequence[Taught], *, now_ms: int) -> None:
    """Keep what was taught: from the first day that differs on days are replaced; very old ones go."""
    if not taught:
        return
    own = TaughtRow.unit == unit
    first_ms = min(one.day_ms for one in taught)
    rows = session.scalars(select(TaughtRow).where(own, TaughtRow.day_ms >= first_ms))
    kept = {row.day_ms: (row.bank, row.value) for row in rows}
    fresh = [one for one in taught if kept.get(one.day_ms) != (one.bank, one.value)]
    if not fresh:
        return
    from_ms = min(one.day_ms for one in fresh)
    session.execute(
        delete(TaughtRow).where(own, (TaughtRow.day_ms >= from_ms) | (TaughtRow.day_ms < now_ms - KEEP_MS))
    )
    session.add_all(
        TaughtRow(unit=unit, bank=one.bank, day_ms=one.day_ms, value=one.value)
        for one in taught
        if one.day_ms >= from_ms
    )
