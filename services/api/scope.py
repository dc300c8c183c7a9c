"""The records as one person sees them: only their places, signed with their own name."""

import copy
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from services.api.access import Asker, Kind
from services.api.historyport import (
    AccountEvent,
    ChangedVerdict,
    DescribedAnew,
    Happened,
    Said,
    ToldOfBatch,
)
from services.api.ports import BookOfRecords
from services.api.scopedfleet import ScopedFleet
from services.api.scopedhealth import ScopedHealth
from services.api.scopedjobs import ScopedJobs
from services.api.scopednotices import ScopedNotices
from services.api.scopedreach import ScopedReach
from services.api.scopedruntests import ScopedRunTests
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
from services.errors import Refused
from services.records.kept import Kept
from services.records.said import SaidThere, Signed

_HOW: dict[Kind, Signed] = {"person": "account", "device": "device", "machine": "machine"}


class Signer(Person):
    """Somebody who may sign here and now."""

    verified: bool = False
    """Whether it is the person who logged in."""


class ScopedHistory:
    """Looking back, at the cabinets that are seen."""

    _book: BookOfRecords
    _asker: Asker
    _units: Callable[[], frozenset[str] | None]

    def _asked(self, units: Collection[str] | None) -> Collection[str] | None:
        seen = self._units()
        if seen is None:
            return units
        return seen if units is None else seen.intersection(units)

    def statements_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[Said]:
        """Return what people said of cabinets."""
        return self._book.statements_between(start_ms, end_ms, units=self._asked(units), limit=limit)

    def unit_verdicts_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[ChangedVerdict]:
        """Return changes of cabinets' own verdicts."""
        return self._book.unit_verdicts_between(start_ms, end_ms, units=self._asked(units), limit=limit)

    def batch_events_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[ToldOfBatch]:
        """Return what was said of batches."""
        return self._book.batch_events_between(start_ms, end_ms, units=self._asked(units), limit=limit)

    def batch_verdicts_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[ToldOfBatch]:
        """Return changes of batches' verdicts."""
        return self._book.batch_verdicts_between(start_ms, end_ms, units=self._asked(units), limit=limit)

    def descriptions_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> Sequence[DescribedAnew]:
        """Return how cabinets were described anew."""
        return self._book.descriptions_between(start_ms, end_ms, units=self._asked(units), limit=limit)

    def account_events_between(self, start_ms: int, end_ms: int, *, limit: int) -> Sequence[AccountEvent]:
        """Return what happened to accounts, for those who may see it."""
        if not self._asker.sees_accounts:
            return ()
        return self._book.account_events_between(start_ms, end_ms, limit=limit)

    def corrected_by(self, lines: Collection[int], units: Collection[str]) -> Mapping[int, int]:
        """Return the newest line that corrects each of some lines of some units, where one does."""
        return self._book.corrected_by(lines, self._asked(units) or ())


class ScopedBook(
    ScopedHistory, ScopedFleet, ScopedJobs, ScopedRunTests, ScopedHealth, ScopedNotices, ScopedReach
):
    """A book of records that knows nothing of other people's places; what is not seen is not there."""

    def __init__(self, book: BookOfRecords, asker: Asker) -> None:
        """Take the whole book and who asks."""
        self._book = book.signing(_HOW[asker.kind])
        self._asker = asker
        self._held: tuple[Fleet, Fleet] | None = None

    def signing(self, how: Signed) -> BookOfRecords:
        """Do nothing: how somebody signs here follows from how they came in."""
        del how
        return self

    def kept(self, word: Kept) -> "ScopedBook":
        """Return the same for writing one word that was kept elsewhere until it could be sent."""
        found = copy.copy(self)
        found._book = self._book.kept(word)  # noqa: SLF001 - a copy of ourselves
        return found

    def fleet(self) -> Fleet:
        """Return the places that are seen, with what stands in them."""
        whole = self._book.fleet()
        if self._asker.sites is None:
            return whole
        if self._held is None or self._held[0] is not whole:
            self._held = (whole, _part(whole, self._asker.sites))
        return self._held[1]

    def _units(self) -> frozenset[str] | None:
        return None if self._asker.sites is None else frozenset(unit.id for unit in self.fleet().units)

    def _sees(self, unit: str | None) -> bool:
        seen = self._units()
        return seen is None or unit is None or unit in seen

    def _require(self, unit: str | None, who: str) -> None:
        if not self._sees(unit):
            raise Refused(f"There is no unit {unit!r}.")
        if self._asker.kind == "person" and who != self._asker.name:
            raise Refused(f"You are logged in as {self._asker.name}: sign as yourself.")

    def people(self) -> Sequence[Person]:
        """Return who may sign here: of somebody who logged in only that person."""
        if self._asker.kind == "person":
            return (Signer(name=self._asker.name, role=self._asker.role, verified=True),)
        return self._book.people()

    def cards(self) -> Sequence[UnitCard]:
        """Return the card of every assessed unit."""
        seen = self._units()
        return [card for card in self._book.cards() if seen is None or card.unit in seen]

    def card(self, unit: str) -> UnitCard | None:
        """Return the card of a unit."""
        return self._book.card(unit) if self._sees(unit) else None

    def analysis(self, unit: str) -> Mapping[str, Any] | None:
        """Return the newest analysis of a unit as JSON."""
        return self._book.analysis(unit) if self._sees(unit) else None

    def cards_changed_after(self, no: int) -> Sequence[tuple[int, UnitCard]]:
        """Return cards with a higher change number, oldest change first."""
        return [(n, card) for n, card in self._book.cards_changed_after(no) if self._sees(card.unit)]

    def change_no(self) -> int:
        """Return the number of the newest change."""
        return self._book.change_no()

    def operator_events(
        self, *, kinds: Sequence[str] | None = None, since_ms: int = 0, limit: int | None = 200
    ) -> Sequence[Happened]:
        """Return what happened to the house itself; of somebody bound to places, to their own units."""
        seen = self._units()
        events = self._book.operator_events(kinds=kinds, since_ms=since_ms, limit=limit)
        return [event for event in events if seen is None or event.about in seen]

    def statements(self, unit: str, limit: int = 50) -> Sequence[Said]:
        """Return what people said of a unit, newest first."""
        return self._book.statements(unit, limit) if self._sees(unit) else ()

    def say_unit_state(self, unit: str, state: UnitState, who: str, now_ms: int) -> None:
        """Write down what a unit is used for."""
        self._require(unit, who)
        self._book.say_unit_state(unit, state, who, now_ms)

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
        self._require(unit, who)
        self._book.say_probe(unit, who=who, probe_c=probe_c, surface_c=surface_c, note=note, now_ms=now_ms)

    def say_note(self, unit: str, *, who: str, note: str, now_ms: int) -> None:
        """Write down a remark."""
        self._require(unit, who)
        self._book.say_note(unit, who=who, note=note, now_ms=now_ms)

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
        self._require(unit, who)
        return self._book.queue_command(unit, name, arguments, who=who, now_ms=now_ms)

    def say_ice_point(
        self, unit: str, *, who: str, reading_c: float, channel: str = "cabinet", note: str = "", now_ms: int
    ) -> None:
        """Write down what a sensor showed in melting ice."""
        self._require(unit, who)
        self._book.say_ice_point(
            unit, who=who, reading_c=reading_c, channel=channel, note=note, now_ms=now_ms
        )

    def say_signed(self, unit: str, *, who: str, note: str, now_ms: int) -> None:
        """Write down that somebody signs for a unit's record."""
        self._require(unit, who)
        self._book.say_signed(unit, who=who, note=note, now_ms=now_ms)

    def correct(
        self, unit: str, line: int, *, who: str, reading_c: float | None, reason: str, now_ms: int
    ) -> None:
        """Write down what a line should have read, or that it is taken back."""
        self._require(unit, who)
        self._book.correct(unit, line, who=who, reading_c=reading_c, reason=reason, now_ms=now_ms)

    def calls_for_help(self, *, since_ms: int) -> Sequence[Said]:
        """Return calls for help that nobody has answered."""
        return [said for said in self._book.calls_for_help(since_ms=since_ms) if self._sees(said.unit)]

    def say_there(self, unit: str, kind: SaidThere, *, who: str, note: str, now_ms: int) -> None:
        """Write down that somebody checked a cabinet, asks for help there, or answered."""
        self._require(unit, who)
        self._book.say_there(unit, kind, who=who, note=note, now_ms=now_ms)

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
        self._require(unit, who)
        self._require(to_unit, who)
        self._book.release_hold(
            unit,
            who=who,
            probe_c=probe_c,
            disposition=disposition,
            reason=reason,
            now_ms=now_ms,
            to_unit=to_unit,
        )

    def batch_cards(
        self, *, site: str | None = None, unit: str | None = None, place: BatchPlace | None = None
    ) -> Sequence[BatchCard]:
        """Return cards of batches; food nobody can place is everybody's to look for."""
        found = self._book.batch_cards(site=site, unit=unit, place=place)
        return [card for card in found if self._sees(card.batch.unit)]

    def batch_card(self, batch: int) -> BatchCard | None:
        """Return the card of a batch."""
        card = self._book.batch_card(batch)
        return None if card is None or not self._sees(card.batch.unit) else card

    def batch_events(self, batch: int) -> Sequence[BatchEvent]:
        """Return what was said of a batch, in the order it was said."""
        return () if self.batch_card(batch) is None else self._book.batch_events(batch)

    def batch_verdicts(self, batch: int, limit: int = 100) -> Sequence[BatchVerdict]:
        """Return how the verdict on a batch changed, newest first."""
        return () if self.batch_card(batch) is None else self._book.batch_verdicts(batch, limit)

    def batch_verdicts_after(self, change_no: int) -> Sequence[tuple[int, BatchVerdict]]:
        """Return changes of the verdict on any batch after a change number, oldest first."""
        found = self._book.batch_verdicts_after(change_no)
        return [(no, verdict) for no, verdict in found if self.batch_card(verdict.batch) is not None]

    def batches_discarded(self, start_ms: int, end_ms: int) -> Sequence[BatchCard]:
        """Return batches thrown away in a span."""
        return [c for c in self._book.batches_discarded(start_ms, end_ms) if self._sees(c.batch.unit)]

    def load_batch(self, new: BatchNew, *, who: str, now_ms: int, happened_ms: int | None = None) -> int:
        """Write down that a batch was put into a cabinet."""
        self._require(new.unit, who)
        return self._book.load_batch(new, who=who, now_ms=now_ms, happened_ms=happened_ms)

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
        unit = (body or {}).get("unit")
        self._require_batch(batch, None if unit is None else str(unit), who)
        return self._book.say_of_batch(
            batch, kind, who=who, body=body, now_ms=now_ms, happened_ms=happened_ms
        )

    def note_of_batch(
        self, batch: int, said: BatchSaid, *, now_ms: int, happened_ms: int | None = None
    ) -> int:
        """Write down something said of a batch that is in shape already."""
        self._require_batch(batch, getattr(said, "unit", None), said.person)
        return self._book.note_of_batch(batch, said, now_ms=now_ms, happened_ms=happened_ms)

    def _require_batch(self, batch: int, to_unit: str | None, who: str) -> None:
        if self.batch_card(batch) is None:
            raise Refused(f"There is no batch {batch}.")
        self._require(to_unit, who)


def _part(whole: Fleet, sites: frozenset[str]) -> Fleet:
    units = tuple(unit for unit in whole.units if unit.site in sites)
    banks = {unit.supply.bank for unit in units}
    return whole.model_copy(
        update={
            "sites": tuple(site for site in whole.sites if site.id in sites),
            "units": units,
            "banks": tuple(bank for bank in whole.banks if bank.id in banks),
        }
    )
