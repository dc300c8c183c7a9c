"""Batches of food as events that are only ever added to, and the rows that follow from them."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, cast

from sqlalchemy import delete, func, or_, select
from sqlalchemy.orm import Session

from services.domain import BatchCard, BatchEvent, BatchEventKind, Life, Stay, Verdict, lived
from services.errors import Refused
from services.records import batchverdicts
from services.records.batchverdicts import NOT_YET
from services.records.rows import phone_of, signed_of
from services.records.said import BatchResult, Standing
from services.records.state import counter, set_counter
from services.records.tables import BatchEventRow, BatchRow, BatchStateRow, BatchStayRow

BATCH_CHANGE_NO = "batch_change_no"


def event_of(row: BatchEventRow) -> BatchEvent:
    """Return an event."""
    return BatchEvent(
        id=row.no,
        batch=row.batch,
        t=row.t_ms,
        said=row.said_ms,
        who=row.who,
        kind=cast("BatchEventKind", row.kind),
        body=json.loads(row.body),
        signed=signed_of(row.signed, row.pinned_ms),
        phone=phone_of(row.phone),
    )


def own_events(session: Session, batch: int) -> list[BatchEvent]:
    """Return what was said of one batch itself, in the order it was said."""
    rows = select(BatchEventRow).where(BatchEventRow.batch == batch).order_by(BatchEventRow.no)
    return [event_of(row) for row in session.scalars(rows)]


def life_events(session: Session, batch: int) -> list[BatchEvent]:
    """Return what was said of a batch and, up to the split, of the batch it comes from."""
    row = session.get(BatchRow, batch)
    events = own_events(session, batch)
    if row is None or row.split_from is None or row.split_ms is None:
        return events
    before = [
        event
        for event in life_events(session, row.split_from)
        if _shared(event, row.split_ms, row.split_event or 0)
    ]
    return before + events


def _shared(event: BatchEvent, split_ms: int, split_no: int) -> bool:
    """Return whether something said of the whole batch holds for a part that was taken from it."""
    if event.kind == "corrected":
        return "event" in event.body or event.id < split_no
    return event.t <= split_ms and "into" not in event.body


def life_of(session: Session, batch: int) -> Life | None:
    """Return the life of a batch, None when there is no such batch."""
    events = life_events(session, batch)
    return lived(batch, events) if events else None


def lives_of(session: Session, batches: Iterable[int]) -> dict[int, Life]:
    """Return the lives of several batches."""
    found = {batch: life_of(session, batch) for batch in batches}
    return {batch: life for batch, life in found.items() if life is not None}


def add_event(
    session: Session,
    batch: int,
    kind: BatchEventKind,
    *,
    who: str,
    t_ms: int,
    said_ms: int,
    body: Mapping[str, Any],
) -> int:
    """Write down an event and return its number; `refresh` brings the other rows in line."""
    row = BatchEventRow(
        batch=batch, t_ms=t_ms, said_ms=said_ms, who=who, kind=kind, body=json.dumps(dict(body))
    )
    session.add(row)
    session.flush()
    return row.no


def begin(session: Session, *, unit: str | None) -> BatchRow:
    """Make the row of a new batch."""
    row = BatchRow(unit=unit, place="stored")
    session.add(row)
    session.flush()
    return row


def refresh(session: Session, batch: int, *, now_ms: int) -> Life:
    """Bring stays, place and card of a batch and of its parts in line with its events.

    Raises
    ------
    Refused
        If what was said does not fit together.
    """
    try:
        life = life_of(session, batch)
    except ValueError as error:
        raise Refused("That does not fit what was said before.") from error
    row = session.get(BatchRow, batch)
    if life is None or row is None:
        raise Refused(f"There is no batch {batch}.")
    row.unit, row.place = life.batch.unit, life.batch.place
    _put_stays(session, batch, life.stays)
    _show(session, life, now_ms=now_ms)
    for part in session.scalars(select(BatchRow.no).where(BatchRow.split_from == batch)).all():
        refresh(session, part, now_ms=now_ms)
    return life


def _put_stays(session: Session, batch: int, stays: Sequence[Stay]) -> None:
    session.execute(delete(BatchStayRow).where(BatchStayRow.batch == batch))
    session.add_all(
        BatchStayRow(
            batch=batch, unit=stay.unit, from_ms=stay.start_ms, to_ms=stay.end_ms, frozen=stay.frozen
        )
        for stay in stays
    )
    session.flush()


def card_row(session: Session, batch: int) -> BatchCard | None:
    """Return the card of a batch."""
    card = session.scalar(select(BatchStateRow.card).where(BatchStateRow.batch == batch))
    return None if card is None else BatchCard.model_validate_json(card)


def put_card(session: Session, card: BatchCard, *, said_ms: int | None = None) -> None:
    """Keep a card as it stands, under a new change number.

    `said_ms` is when a person said what made it so; None where readings did.
    """
    batchverdicts.note(session, session.get(BatchStateRow, card.batch.id), card, said_ms=said_ms)
    number = counter(session, BATCH_CHANGE_NO) + 1
    set_counter(session, BATCH_CHANGE_NO, number)
    session.merge(
        BatchStateRow(
            batch=card.batch.id,
            change_no=number,
            card=card.model_dump_json(),
            computed=card.computed.value,
            standing=card.standing.value,
            standing_since_ms=card.standing_since,
            standing_why=card.standing_why,
            assessed_ms=card.as_of,
        )
    )


def renumbered(card: BatchCard, batch: int) -> BatchCard:
    """Return the card of a batch as that of another one."""
    return card.model_copy(update={"batch": card.batch.model_copy(update={"id": batch})})


def _show(session: Session, life: Life, *, now_ms: int) -> None:
    """Show at once what was said; the verdict is worked out again by the monitor."""
    card = card_row(session, life.batch.id)
    shown = first_card(life, now_ms=now_ms) if card is None else card.model_copy(update={"batch": life.batch})
    put_card(session, shown, said_ms=now_ms)


def first_card(life: Life, *, now_ms: int) -> BatchCard:
    """Return the card of a batch nobody has judged yet."""
    return BatchCard(
        batch=life.batch,
        computed=Verdict.NO_DATA,
        computed_why=NOT_YET,
        standing=Verdict.NO_DATA,
        standing_since=now_ms,
        standing_why=NOT_YET,
        clocks=(),
        timers=(),
        minutes_above=life.batch.carried_above_min,
        minutes_unknown=life.batch.carried_unknown_min,
        minutes_worst_case=life.batch.carried_above_min + life.batch.carried_unknown_min,
        food_c=life.batch.core_c,
        food_basis=None if life.batch.core_c is None else "probe",
        dates="none",
        last_day=life.batch.use_by,
        dates_why=NOT_YET,
        cook_to_c=None,
        cook_to_why=NOT_YET,
        use_first=0.0,
        use_first_why=NOT_YET,
        assumed=(),
        as_of=now_ms,
    )


def standing_of(session: Session, batch: int) -> Standing | None:
    """Return what stands of a batch, None before it was judged for the first time."""
    row = session.get(BatchStateRow, batch)
    if row is None or row.standing_why == NOT_YET:
        return None
    return Standing(Verdict(row.standing), row.standing_since_ms, row.standing_why)


def keep(session: Session, results: Iterable[BatchResult]) -> frozenset[int]:
    """Keep judgements of batches; return those about which somebody said something meanwhile."""
    overtaken = set()
    for result in results:
        batch = result.card.batch.id
        if _newest_of(session, batch) != result.event_no:
            overtaken.add(batch)
            continue
        put_card(session, result.card)
    return frozenset(overtaken)


def _newest_of(session: Session, batch: int) -> int:
    """Return the number of the newest event of a batch's life."""
    row = session.get(BatchRow, batch)
    if row is not None and row.split_from is not None:
        return max(event.id for event in life_events(session, batch))
    newest = select(func.max(BatchEventRow.no)).where(BatchEventRow.batch == batch)
    return session.scalar(newest) or 0


def stored_in(session: Session, unit: str) -> list[int]:
    """Return the batches that lie in a cabinet now."""
    rows = select(BatchRow.no).where(BatchRow.unit == unit, BatchRow.place == "stored")
    return list(session.scalars(rows.order_by(BatchRow.no)))


def concerned(session: Session, unit: str, *, since_ms: int) -> list[int]:
    """Return the batches whose clocks a cabinet's readings since a moment bear on.

    Those that lie in it or were taken out of it, and those that lay in it at any time since.
    """
    lay = select(BatchStayRow.batch).where(
        BatchStayRow.unit == unit,
        or_(BatchStayRow.to_ms.is_(None), BatchStayRow.to_ms > since_ms),
    )
    rows = select(BatchRow.no).where(
        or_(BatchRow.no.in_(lay), (BatchRow.unit == unit) & (BatchRow.place != "gone"))
    )
    return list(session.scalars(rows.order_by(BatchRow.no)))


def lost(session: Session, known: Iterable[str]) -> list[int]:
    """Return the batches that are in none of the known cabinets, or nobody said where."""
    here = set(known)
    rows = select(BatchRow.no, BatchRow.unit).where(BatchRow.place != "gone").order_by(BatchRow.no)
    return [no for no, unit in session.execute(rows) if unit is None or unit not in here]


def lay_in(session: Session, unit: str, start_ms: int, end_ms: int) -> list[int]:
    """Return the batches that lay in a cabinet at any time of a span."""
    rows = select(BatchStayRow.batch).where(
        BatchStayRow.unit == unit,
        BatchStayRow.from_ms < end_ms,
        or_(BatchStayRow.to_ms.is_(None), BatchStayRow.to_ms > start_ms),
    )
    return sorted(set(session.scalars(rows)))


def cards_in(session: Session, unit: str) -> list[BatchCard]:
    """Return the cards of the batches that lie in a cabinet now."""
    return [card for card in (card_row(session, batch) for batch in stored_in(session, unit)) if card]


def newest_event(session: Session) -> int:
    """Return the number of the newest event of any batch."""
    return session.scalar(select(func.max(BatchEventRow.no))) or 0
