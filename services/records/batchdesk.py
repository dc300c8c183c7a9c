"""The batches' part of the door to the records."""

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from services.domain import (
    BATCH_SAID,
    BatchCard,
    BatchEvent,
    BatchNew,
    BatchPlace,
    BatchSaid,
    BatchVerdict,
    Life,
)
from services.errors import Refused
from services.records import batchbook, batchrules, batchsigns, batchverdicts, signing
from services.records.door import Door
from services.records.said import BatchContext, BatchResult
from services.records.tables import BatchEventRow, BatchRow, BatchStateRow, BatchStayRow
from services.timebase import ms_of


class BatchRecords(Door):
    """What people say of batches of food, and what was made of it."""

    def __init__(self) -> None:
        """Begin with no card in memory."""
        self._batch_cards: dict[int, tuple[int, BatchCard]] = {}

    def load_batch(self, new: BatchNew, *, who: str, now_ms: int, happened_ms: int | None = None) -> int:
        """Write down that a batch of food was put into a cabinet, and return its number.

        Raises
        ------
        Refused
            If the person is unknown, the cabinet is unknown or off, or that was not within the last 72 h.
        """
        fleet = self.fleet()
        signing.require_person(fleet, who)
        spoken_ms = self._spoken_ms()
        t_ms = batchrules.when(spoken_ms if happened_ms is None else happened_ms, now_ms=now_ms)
        with self._database.writing() as session:
            return batchsigns.load(session, fleet, new, who=who, t_ms=t_ms, now_ms=now_ms)

    def say_of_batch(
        self,
        batch: int,
        kind: str,
        *,
        who: str,
        body: Mapping[str, Any] | None = None,
        now_ms: int,
        happened_ms: int | None = None,
    ) -> int:
        """Write down something said of a batch; return its number, of a split that of the new batch.

        Raises
        ------
        Refused
            If it does not fit what was said before, or the rules forbid it.
        """
        try:
            said = BATCH_SAID.validate_python({**(body or {}), "kind": kind, "person": who})
        except ValidationError as error:
            raise Refused(batchrules.not_understood(kind, error)) from error
        return self.note_of_batch(batch, said, now_ms=now_ms, happened_ms=happened_ms)

    def note_of_batch(
        self, batch: int, said: BatchSaid, *, now_ms: int, happened_ms: int | None = None
    ) -> int:
        """Write down something said of a batch that is in shape already (see `say_of_batch`)."""
        fleet = self.fleet()
        signing.require_person(fleet, said.person)
        if happened_ms is None and said.happened is not None:
            happened_ms = ms_of(said.happened)
        if said.kind == "hold_closed":
            self._require_at_once()
        spoken_ms = self._spoken_ms()
        at_ms = spoken_ms if happened_ms is None else happened_ms
        with self._database.writing() as session:
            return batchsigns.say(session, fleet, batch, said, t_ms=at_ms, now_ms=now_ms, spoken_ms=spoken_ms)

    def batch_cards(
        self, *, site: str | None = None, unit: str | None = None, place: BatchPlace | None = None
    ) -> list[BatchCard]:
        """Return cards of batches, those used first leading; gone ones only when asked for."""
        query = select(BatchStateRow.batch, BatchStateRow.change_no).join(
            BatchRow, BatchRow.no == BatchStateRow.batch
        )
        query = query.where(BatchRow.place != "gone" if place is None else BatchRow.place == place)
        if unit is not None:
            query = query.where(BatchRow.unit == unit)
        if site is not None:
            here = [u.id for u in self.fleet().units if u.site == site]
            query = query.where(BatchRow.unit.in_(here))
        with self._database.reading() as session:
            found = self._cards_of(session, [(row[0], row[1]) for row in session.execute(query)])
        return sorted(found, key=lambda card: (-card.use_first, card.batch.id))

    def batches_between(self, unit: str, start_ms: int, end_ms: int) -> list[BatchCard]:
        """Return the cards of batches that lay in a cabinet at any time of a span, gone ones too."""
        with self._database.reading() as session:
            cards = [
                batchbook.card_row(session, batch)
                for batch in batchbook.lay_in(session, unit, start_ms, end_ms)
            ]
        return [card for card in cards if card is not None]

    def batch_card(self, batch: int) -> BatchCard | None:
        """Return the card of a batch, None when there is no such batch."""
        with self._database.reading() as session:
            return batchbook.card_row(session, batch)

    def batch_events(self, batch: int) -> list[BatchEvent]:
        """Return what was said of a batch, in the order it was said."""
        with self._database.reading() as session:
            return batchbook.own_events(session, batch)

    def batch_life(self, batch: int) -> Life | None:
        """Return the life of a batch as it is known now, None when there is no such batch."""
        with self._database.reading() as session:
            return batchbook.life_of(session, batch)

    def batch_verdicts(self, batch: int, limit: int = 100) -> list[BatchVerdict]:
        """Return how the verdict on a batch changed, newest first."""
        with self._database.reading() as session:
            return batchverdicts.of(session, batch, limit)

    def batch_verdicts_after(self, change_no: int) -> list[tuple[int, BatchVerdict]]:
        """Return changes of the verdict on any batch after a change number, oldest first."""
        with self._database.reading() as session:
            return batchverdicts.after(session, change_no)

    def batch_events_after(self, no: int, limit: int = 1_000) -> list[BatchEvent]:
        """Return what was said of any batch after an event, oldest first."""
        query = select(BatchEventRow).where(BatchEventRow.no > no)
        with self._database.reading() as session:
            found = session.scalars(query.order_by(BatchEventRow.no).limit(limit))
            return [batchbook.event_of(row) for row in found]

    def units_of_batches(self, batches: frozenset[int]) -> frozenset[str]:
        """Return the cabinets that batches lay in, at any time."""
        query = select(BatchStayRow.unit).where(BatchStayRow.batch.in_(batches)).distinct()
        with self._database.reading() as session:
            lay = {unit for unit in session.scalars(query) if unit is not None}
            row = select(BatchRow.unit).where(BatchRow.no.in_(batches))
            return frozenset(lay | {unit for unit in session.scalars(row) if unit is not None})

    def batch_contexts(self, unit: str, *, since_ms: int) -> dict[int, BatchContext]:
        """Return the batches a cabinet's readings since a moment bear on."""
        with self._database.reading() as session:
            return _contexts(session, batchbook.concerned(session, unit, since_ms=since_ms))

    def lost_batches(self, known: frozenset[str]) -> dict[int, BatchContext]:
        """Return the batches nobody can place: in no cabinet that was said, or in none of the known ones."""
        with self._database.reading() as session:
            return _contexts(session, batchbook.lost(session, known))

    def newest_batch_event(self) -> int:
        """Return the number of the newest event of any batch."""
        with self._database.reading() as session:
            return batchbook.newest_event(session)

    def units_with_batches(self) -> frozenset[str]:
        """Return the cabinets that a batch was ever in, or was taken out of."""
        with self._database.reading() as session:
            lay = session.scalars(select(BatchStayRow.unit).distinct()).all()
            near = session.scalars(select(BatchRow.unit).where(BatchRow.place != "gone").distinct()).all()
            return frozenset(unit for unit in (*lay, *near) if unit is not None)

    def write_batches(self, results: Sequence[BatchResult]) -> frozenset[int]:
        """Keep judgements of batches; return those about which somebody said something meanwhile."""
        with self._database.writing() as session:
            return batchbook.keep(session, results)

    def _cards_of(self, session: Session, numbers: list[tuple[int, int]]) -> list[BatchCard]:
        """Return cards, reading only those that changed since the last time."""
        stale = [batch for batch, no in numbers if self._batch_cards.get(batch, (0, None))[0] != no]
        for batch in stale:
            row = session.get(BatchStateRow, batch)
            if row is not None:
                card = BatchCard.model_validate_json(row.card)
                self._batch_cards[batch] = (row.change_no, card)
        return [self._batch_cards[batch][1] for batch, _ in numbers]


def _contexts(session: Session, batches: Sequence[int]) -> dict[int, BatchContext]:
    return {
        batch: BatchContext(life=life, standing=batchbook.standing_of(session, batch))
        for batch, life in batchbook.lives_of(session, batches).items()
    }
