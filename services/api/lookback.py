"""Looking back: what was said and concluded between two moments, and what food was lost."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from services.api.batchdesk import BatchDesk
from services.api.historyport import (
    AccountEvent,
    ChangedVerdict,
    DescribedAnew,
    HistoryBook,
    Said,
    ToldOfBatch,
)
from services.api.schemas import StatementRow
from services.domain import Bank, BatchCard, BatchEvent, Site, Unit, Verdict

Kind = Literal["said", "food", "verdict", "moved", "account"]
"""Said of a cabinet; said of a batch of food; a verdict that changed; a cabinet described anew, as when it
moves; an account, device or token made, changed or taken away."""


@dataclass(frozen=True, slots=True)
class VerdictMove:
    """A change of verdict, of a cabinet's own clock or of a batch."""

    computed: Verdict
    standing: Verdict
    before: Verdict | None
    origin: str
    why: str
    who: str = ""
    """The person who moved it; empty where readings did."""
    signed: str | None = None
    """How that person signed."""


@dataclass(frozen=True, slots=True)
class Described:
    """A cabinet, place or bank described anew."""

    who: str
    before: Unit | Site | Bank | None
    after: Unit | Site | Bank | None
    """None where it was taken off the list."""
    key: str = ""
    why: str = ""
    signed: str | None = None


@dataclass(frozen=True, slots=True)
class HouseEvent:
    """Something that happened to an account, a device, a token or a unit's credential."""

    kind: str
    about: str
    who: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Happening:
    """One line of the history."""

    written_ms: int
    """When it was written down here; the order of the history."""
    t_ms: int
    """The moment it is about."""
    kind: Kind
    unit: str | None
    batch: int | None
    told: StatementRow | BatchEvent | VerdictMove | Described | HouseEvent


def happenings(
    book: HistoryBook,
    start_ms: int,
    end_ms: int,
    *,
    units: Collection[str] | None,
    kinds: Collection[Kind],
    limit: int,
) -> list[Happening]:
    """Return what was written down in ``[start_ms, end_ms)``, newest first, at most `limit` lines.

    Every source is asked for as many lines, so that none of the newest is missing from the whole.
    """
    asked: dict[str, Any] = {"units": units, "limit": limit}
    found: list[Happening] = []
    if "said" in kinds:
        found += [_said(s) for s in book.statements_between(start_ms, end_ms, **asked)]
    if "food" in kinds:
        found += [_food(each) for each in book.batch_events_between(start_ms, end_ms, **asked)]
    if "verdict" in kinds:
        found += [_moved(change) for change in book.unit_verdicts_between(start_ms, end_ms, **asked)]
        found += [_food(each) for each in book.batch_verdicts_between(start_ms, end_ms, **asked)]
    if "moved" in kinds:
        found += [_described(each) for each in book.descriptions_between(start_ms, end_ms, **asked)]
    if "account" in kinds and units is None:
        found += [_account(each) for each in book.account_events_between(start_ms, end_ms, limit=limit)]
    shown = sorted(found, key=lambda each: -each.written_ms)[:limit]
    return [_by_whom(book, each) for each in shown]


def _by_whom(book: HistoryBook, each: Happening) -> Happening:
    """Return a line with the person who moved a verdict: who spoke of it in that very millisecond."""
    move = each.told
    if not isinstance(move, VerdictMove) or move.origin != "person" or each.unit is None:
        return each
    at: dict[str, Any] = {"units": {each.unit}, "limit": 50}
    span = each.written_ms, each.written_ms + 1
    said = [(s.who, s.signed) for s in book.statements_between(*span, **at)]
    if each.batch is not None:
        events = (e.told for e in book.batch_events_between(*span, **at))
        said = [(e.who, e.signed) for e in events if isinstance(e, BatchEvent) and e.batch == each.batch]
    if not said:
        return each
    return replace(each, told=replace(move, who=said[0][0], signed=said[0][1]))


def statement_row(said: Said) -> StatementRow:
    """Return a statement in the shape the interface hands out."""
    return StatementRow(
        id=said.id, t_ms=said.t_ms, unit=said.unit, who=said.who, kind=said.kind, body=dict(said.body),
        signed=said.signed, phone=said.phone,
    )  # fmt: skip


def _said(said: Said) -> Happening:
    written_ms = said.t_ms if said.phone is None else said.phone.received
    return Happening(written_ms, said.t_ms, "said", said.unit, None, statement_row(said))


def _moved(change: ChangedVerdict) -> Happening:
    move = VerdictMove(change.computed, change.standing, change.standing_before, change.origin, change.why)
    return Happening(change.recorded_ms, change.t_ms, "verdict", change.unit, None, move)


def _food(each: ToldOfBatch) -> Happening:
    told = each.told
    if isinstance(told, BatchEvent):
        return Happening(told.said, told.t, "food", each.unit, told.batch, told)
    move = VerdictMove(told.computed, told.standing, told.standing_before, told.origin, told.why)
    return Happening(told.recorded, told.t, "verdict", each.unit, told.batch, move)


def _described(each: DescribedAnew) -> Happening:
    told = Described(each.who, each.before, each.after, each.key, each.why, each.signed)
    unit = each.key if each.kind == "unit" else None
    return Happening(each.said_ms, each.t_ms, "moved", unit, None, told)


def _account(each: AccountEvent) -> Happening:
    told = HouseEvent(each.kind, each.about, each.who, each.body)
    return Happening(each.t_ms, each.t_ms, "account", None, None, told)


ALL_KINDS: frozenset[Kind] = frozenset(get_args(Kind))


class LookBackDesk(BatchDesk):
    """The part of the desk that looks back."""

    def happenings(
        self,
        start_ms: int,
        end_ms: int,
        *,
        units: Collection[str] | None = None,
        kinds: Collection[Kind] = ALL_KINDS,
        limit: int = 200,
    ) -> list[Happening]:
        """Return what was written down in ``[start_ms, end_ms)``, newest first; without `units`, of all."""
        return happenings(self._records, start_ms, end_ms, units=units, kinds=kinds, limit=limit)

    def corrected_by(self, lines: Collection[StatementRow]) -> Mapping[int, int]:
        """Return the number of the newest line that corrects each of some lines, where one does."""
        return self._records.corrected_by({s.id for s in lines}, {s.unit for s in lines})

    def batches_discarded(self, start_ms: int, end_ms: int) -> list[BatchCard]:
        """Return batches that were thrown away in a span, the newest first."""
        found = self._records.batches_discarded(start_ms, end_ms)
        return sorted(found, key=lambda card: -card.batch.since)
