"""The part of the desk that batches of food are dealt with at."""

from collections.abc import Callable, Mapping
from typing import Any

from services.api.lapse import batch_as_shown
from services.api.ports import BookOfRecords
from services.domain import BatchCard, BatchEvent, BatchNew, BatchPlace, BatchSaid, BatchVerdict


class UnknownBatchError(LookupError):
    """There is no batch of that number."""


class BatchDesk:
    """Reads what was made of batches, and writes down what named persons say of them."""

    def __init__(self, records: BookOfRecords, clock: Callable[[], int]) -> None:
        """Take the records and the clock."""
        self._records = records
        self.now_ms = clock

    def batches(
        self, site: str | None = None, unit: str | None = None, place: BatchPlace | None = None
    ) -> list[BatchCard]:
        """Return batches as they may be shown now, first those to use first.

        Gone ones only when asked for.
        """
        now_ms = self.now_ms()
        cards = self._records.batch_cards(site=site, unit=unit, place=place)
        return [batch_as_shown(card, now_ms) for card in cards]

    def batch(self, batch: int) -> BatchCard:
        """Return one batch as it may be shown now.

        Raises
        ------
        UnknownBatchError
            If there is no such batch.
        """
        card = self._records.batch_card(batch)
        if card is None:
            raise UnknownBatchError(f"There is no batch {batch}.")
        return batch_as_shown(card, self.now_ms())

    def batch_events(self, batch: int) -> list[BatchEvent]:
        """Return what was said of a batch, in the order it was said (see `batch` for what is raised)."""
        self.batch(batch)
        return list(self._records.batch_events(batch))

    def batch_verdicts(self, batch: int, limit: int = 100) -> list[BatchVerdict]:
        """Return how the verdict on a batch changed, newest first (see `batch` for what is raised)."""
        self.batch(batch)
        return list(self._records.batch_verdicts(batch, limit))

    def load_batch(self, new: BatchNew, person: str, happened_ms: int | None = None) -> BatchCard:
        """Write down that a named person put a batch into a cabinet."""
        now = self.now_ms()
        return self.batch(self._records.load_batch(new, who=person, now_ms=now, happened_ms=happened_ms))

    def say_of_batch(
        self,
        batch: int,
        kind: str,
        person: str,
        body: Mapping[str, Any] | None = None,
        happened_ms: int | None = None,
    ) -> BatchCard:
        """Write down something said of a batch; return how it is shown now, of a split the new one."""
        self.batch(batch)
        number = self._records.say_of_batch(
            batch, kind, who=person, body=body, now_ms=self.now_ms(), happened_ms=happened_ms
        )
        return self.batch(number if kind == "split" else batch)

    def note_of_batch(self, batch: int, said: BatchSaid) -> BatchCard:
        """Do as `say_of_batch` with something that is in shape already."""
        self.batch(batch)
        number = self._records.note_of_batch(batch, said, now_ms=self.now_ms())
        return self.batch(number if said.kind == "split" else batch)
