"""What the API needs of the records; the facade in services.records is the real one."""

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from services.api.fleetport import FleetBook
from services.api.healthport import HealthBook
from services.api.historyport import Happened, HistoryBook, Said
from services.api.jobport import JobBook
from services.api.noticeport import NoticeBook
from services.api.reachport import ReachBook
from services.api.runtestport import RunTestBook
from services.domain import (
    BatchCard,
    BatchEvent,
    BatchNew,
    BatchPlace,
    BatchSaid,
    BatchVerdict,
    Fleet,
    Person,
    UnitCard,
    UnitState,
)
from services.records.kept import Kept
from services.records.said import SaidThere, Signed


class BookOfRecords(
    HistoryBook, FleetBook, JobBook, RunTestBook, HealthBook, NoticeBook, ReachBook, Protocol
):
    """Reading and saying, as far as the pages and the API go."""

    def cards(self) -> Sequence[UnitCard]:
        """Return the card of every assessed unit."""

    def card(self, unit: str) -> UnitCard | None:
        """Return the card of a unit."""

    def analysis(self, unit: str) -> Mapping[str, Any] | None:
        """Return the newest analysis of a unit as JSON."""

    def cards_changed_after(self, no: int) -> Sequence[tuple[int, UnitCard]]:
        """Return cards with a higher change number, oldest change first."""

    def change_no(self) -> int:
        """Return the number of the newest change."""

    def operator_events(
        self, *, kinds: Sequence[str] | None = None, since_ms: int = 0, limit: int | None = 200
    ) -> Sequence[Happened]:
        """Return what happened to the house itself, newest first."""

    def signing(self, how: Signed) -> "BookOfRecords":
        """Return the same book, which notes how everything said through it was signed."""

    def kept(self, word: Kept) -> "BookOfRecords":
        """Return the same book for writing one word that was kept elsewhere until it could be sent."""

    def fleet(self) -> Fleet:
        """Return sites, banks, units and people as they are now."""

    def people(self) -> Sequence[Person]:
        """Return who may sign."""

    def statements(self, unit: str, limit: int = 50) -> Sequence[Said]:
        """Return what people said of a unit, newest first."""

    def say_unit_state(self, unit: str, state: UnitState, who: str, now_ms: int) -> None:
        """Write down what a unit is used for."""

    def say_probe(
        self,
        unit: str,
        *,
        who: str,
        probe_c: float,
        surface_c: float | None = None,
        note: str = "",
        now_ms: int,
    ) -> None:
        """Write down a reading taken by hand."""

    def say_note(self, unit: str, *, who: str, note: str, now_ms: int) -> None:
        """Write down a remark."""

    def queue_command(
        self,
        unit: str,
        name: str,
        arguments: Mapping[str, Any] | None = None,
        *,
        who: str,
        now_ms: int,
    ) -> object:
        """Queue a command for ingest to publish."""

    def say_ice_point(
        self, unit: str, *, who: str, reading_c: float, channel: str = "cabinet", note: str = "", now_ms: int
    ) -> None:
        """Write down what a sensor showed in melting ice."""

    def say_signed(self, unit: str, *, who: str, note: str, now_ms: int) -> None:
        """Write down that somebody signs for a unit's record."""

    def correct(
        self, unit: str, line: int, *, who: str, reading_c: float | None, reason: str, now_ms: int
    ) -> None:
        """Write down what a line should have read, or, without a reading, that it is taken back."""

    def calls_for_help(self, *, since_ms: int) -> Sequence[Said]:
        """Return calls for help that nobody has answered."""

    def say_there(self, unit: str, kind: SaidThere, *, who: str, note: str, now_ms: int) -> None:
        """Write down that somebody checked a cabinet, asks for help there, or answered."""

    def release_hold(
        self,
        unit: str,
        *,
        who: str,
        probe_c: float,
        disposition: str,
        reason: str,
        now_ms: int,
        to_unit: str | None = None,
    ) -> None:
        """Close a hold."""

    def batch_cards(
        self, *, site: str | None = None, unit: str | None = None, place: BatchPlace | None = None
    ) -> Sequence[BatchCard]:
        """Return cards of batches; gone ones only when asked for."""

    def batch_card(self, batch: int) -> BatchCard | None:
        """Return the card of a batch."""

    def batch_events(self, batch: int) -> Sequence[BatchEvent]:
        """Return what was said of a batch, in the order it was said."""

    def batch_verdicts(self, batch: int, limit: int = 100) -> Sequence[BatchVerdict]:
        """Return how the verdict on a batch changed, newest first."""

    def batch_verdicts_after(self, change_no: int) -> Sequence[tuple[int, BatchVerdict]]:
        """Return changes of the verdict on any batch after a change number, oldest first."""

    def load_batch(self, new: BatchNew, *, who: str, now_ms: int, happened_ms: int | None = None) -> int:
        """Write down that a batch was put into a cabinet."""

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
        """Write down something said of a batch."""

    def note_of_batch(
        self, batch: int, said: BatchSaid, *, now_ms: int, happened_ms: int | None = None
    ) -> int:
        """Write down something said of a batch that is in shape already."""
