"""The desk people and programs come to: everything that can be asked or said, without HTTP."""

import copy
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from services.api.access import Asker
from services.api.fleetdesk import FleetDesk
from services.api.health import ODD_FOR_MS, oddities_of, parts_of, troubles_of
from services.api.lapse import all_as_shown, as_shown
from services.api.lookback import statement_row
from services.api.ports import BookOfRecords
from services.api.reachdesk import ReachDesk
from services.api.schemas import (
    ChannelBins,
    Check,
    CommandAsked,
    Correction,
    Health,
    Noted,
    Release,
    Samples,
    SiteRow,
    StatementRow,
    Trouble,
    WaitingUnit,
)
from services.api.scope import ScopedBook
from services.box import MB, Box
from services.domain import (
    BatchCard,
    BatchNew,
    BatchVerdict,
    Fleet,
    Job,
    JobOpened,
    Person,
    RunTestBegun,
    RunTestRecord,
    Unit,
    UnitCard,
    UnitState,
)
from services.errors import Refused
from services.records.kept import Kept
from services.store import StoreReader
from services.store.bins import grid
from services.telemetry import BOOLEAN_COLUMNS, NUMERIC_COLUMNS, FloatArray
from services.timebase import DAY_MS, MINUTE_MS, SECOND_MS

MAX_POINTS = 2_000
CHARTED = frozenset(NUMERIC_COLUMNS) - {"lat_deg", "lon_deg"} | frozenset(BOOLEAN_COLUMNS)
"""Columns that may be asked for as samples. Positions are not: they reveal rare animals and people."""

_WARMEST_BEFORE_REBOOT_K = 2.0
CALLS_FOR_MS = 2 * DAY_MS
"""How long a call for help that nobody answered is told (judgement)."""
_FRESH_MS = 30 * MINUTE_MS
"""A reading older than this, and than three intervals, does not tell how a cabinet is now (judgement)."""


class UnknownUnitError(LookupError):
    """Nobody has added a unit of that name."""


class NotAssessedError(LookupError):
    """The unit is known and nothing has been computed for it yet."""


class Desk(FleetDesk, ReachDesk):
    """Reads state that others computed, and writes down what named persons say."""

    def __init__(
        self, records: BookOfRecords, reader: StoreReader, clock: Callable[[], int], box: Box
    ) -> None:
        """Take the records, the telemetry store's reading side, the clock and the machine."""
        super().__init__(records, clock)
        self.box = box
        self._reader = reader
        self._word: Kept | None = None
        self._written: dict[str, tuple[UnitCard, bytes]] = {}

    def seen_by(self, asker: Asker) -> "Desk":
        """Return the desk as somebody sees it: only their places, signing as who they are."""
        found = copy.copy(self)
        found._records = ScopedBook(self._records, asker)  # noqa: SLF001 - a copy of ourselves
        return found

    def for_word(self, word: Kept) -> "Desk":
        """Return the desk for writing down one word that was kept elsewhere until it could be sent."""
        found = copy.copy(self)
        found._records = self._records.kept(word)  # noqa: SLF001 - a copy of ourselves
        found._word = word  # noqa: SLF001
        return found

    def spoken_ms(self) -> int:
        """Return when what is said here was said: now, or when it was kept on a phone."""
        return self.now_ms() if self._word is None else self._word.moment_ms

    def shown(self, changes: Sequence[UnitCard | BatchVerdict]) -> list[UnitCard | BatchVerdict]:
        """Return the changes that are seen from here."""
        return [change for change in changes if self._shows(change)]

    def _shows(self, change: UnitCard | BatchVerdict) -> bool:
        if isinstance(change, UnitCard):
            return self._records.card(change.unit) is not None
        return self._records.batch_card(change.batch) is not None

    def fleet(self) -> Fleet:
        """Return sites, banks, units and people as they are now."""
        return self._records.fleet()

    def people(self) -> Sequence[Person]:
        """Return who may sign."""
        return self._records.people()

    def sites(self) -> list[SiteRow]:
        """Return every place with the cabinets in it."""
        fleet = self._records.fleet()
        return [
            SiteRow(
                id=site.id,
                name=site.name,
                kind=site.kind,
                timezone=site.timezone,
                units=tuple(unit.id for unit in fleet.units if unit.site == site.id),
            )
            for site in fleet.sites
        ]

    def cards(self) -> list[UnitCard]:
        """Return the card of every assessed unit as it may be shown now."""
        return all_as_shown(self._records.cards(), self.now_ms())

    def changes_after(self, no: int) -> list[tuple[int, UnitCard | BatchVerdict]]:
        """Return cards as they may be shown now, and new verdicts on batches, after a change number."""
        now_ms = self.now_ms()
        cards = [(change, as_shown(card, now_ms)) for change, card in self._records.cards_changed_after(no)]
        return [*cards, *self._records.batch_verdicts_after(no)]

    def cards_json(self) -> list[bytes]:
        """Return the card of every assessed unit as JSON; a card is written out once, not per request."""
        found = []
        now_ms = self.now_ms()
        for kept in self._records.cards():
            card = as_shown(kept, now_ms)
            if card is not kept:
                found.append(card.model_dump_json(by_alias=True).encode())
                continue
            held = self._written.get(card.unit)
            if held is None or held[0] is not card:
                held = (card, card.model_dump_json(by_alias=True).encode())
                self._written[card.unit] = held
            found.append(held[1])
        return found

    def unit(self, unit: str) -> Unit:
        """Return a unit as its owner describes it.

        Raises
        ------
        UnknownUnitError
            If the fleet has no such unit.
        """
        found = next((u for u in self._records.fleet().units if u.id == unit), None)
        if found is None:
            raise UnknownUnitError(f"No unit is called {unit!r}.")
        return found

    def card(self, unit: str) -> UnitCard:
        """Return the card of a unit as it may be shown now.

        Raises
        ------
        UnknownUnitError
            If the fleet has no such unit.
        NotAssessedError
            If nothing has been computed for it yet.
        """
        card = self._records.card(unit)
        if card is None:
            self.unit(unit)
            raise NotAssessedError(f"Nothing has been worked out for {unit!r} yet.")
        return as_shown(card, self.now_ms())

    def analysis(self, unit: str) -> Mapping[str, Any]:
        """Return the newest analysis of a unit in its JSON form (see `card` for what is raised)."""
        self.unit(unit)
        analysis = self._records.analysis(unit)
        if not analysis:
            raise NotAssessedError(f"Nothing has been worked out for {unit!r} yet.")
        return analysis

    def unassessed(self, cards: Sequence[UnitCard]) -> list[Unit]:
        """Return units of the fleet that have no card among `cards`."""
        seen = {card.unit for card in cards}
        return [unit for unit in self._records.fleet().units if unit.id not in seen]

    def samples(
        self,
        unit: str,
        *,
        start_ms: int,
        end_ms: int,
        channels: Sequence[str] | None = None,
        max_points: int = MAX_POINTS,
    ) -> Samples:
        """Return readings in at most `max_points` bins; without `channels`, those that hold any."""
        self.unit(unit)
        wanted = sorted(CHARTED) if channels is None else list(channels)
        over = grid(start_ms, end_ms, max_points)
        found: dict[str, ChannelBins] = {}
        for column, bins in self._reader.binned(unit, over, wanted).items():
            if channels is None and not bins.count.any():
                continue
            found[column] = ChannelBins(
                t_ms=tuple(bins.t_ms.tolist()),
                min=_nullable(bins.lowest),
                max=_nullable(bins.highest),
                mean=_nullable(bins.mean),
                count=tuple(bins.count.tolist()),
            )
        return Samples(bin_s=over.width_ms / SECOND_MS, channels=found)

    def waiting(self) -> list[WaitingUnit]:
        """Return unknown units that knock."""
        return [
            WaitingUnit(unit=w.unit, packs=w.packs, first_ms=w.first_ms, last_ms=w.last_ms)
            for w in self._reader.waiting()
        ]

    def calls_for_help(self) -> list[StatementRow]:
        """Return calls for help of the last days that nobody has answered, oldest first."""
        since_ms = self.now_ms() - CALLS_FOR_MS
        return [statement_row(said) for said in self._records.calls_for_help(since_ms=since_ms)]

    def statements(self, unit: str, limit: int = 50) -> list[StatementRow]:
        """Return what people said of a unit, newest first."""
        return [statement_row(said) for said in self._records.statements(unit, limit)]

    def health(self) -> Health:
        """Return whether the parts of the house are alive."""
        troubles = self.troubles()
        return Health(
            status="degraded" if any(each.down for each in troubles) else "ok",
            parts=parts_of(self.box.signs(), self.now_ms()),
            troubles=troubles,
            disk_free_mb=self.box.room().free_bytes // MB,
            units=len(self._records.fleet().units),
            waiting=len(self._reader.waiting()),
            quarantined=self._reader.quarantine_count(),
        )

    def troubles(self) -> tuple[Trouble, ...]:
        """Return what the box itself cannot do at the moment, then what was odd; costs a few small reads."""
        now_ms = self.now_ms()
        events = self._records.operator_events(since_ms=now_ms - ODD_FOR_MS)
        return troubles_of(self.box.signs(), self.box.room(), now_ms) + oddities_of(events)

    def say_state(self, unit: str, person: str, state: UnitState) -> Noted:
        """Write down what a named person uses a unit for from now on."""
        self.unit(unit)
        now = self.now_ms()
        self._records.say_unit_state(unit, state, person, now)
        return Noted(unit=unit, noted_ms=now)

    def write_check(self, check: Check) -> Noted:
        """Write down a reading taken by hand, a note, a check of a sensor, or a signature."""
        self.unit(check.unit)
        now = self.now_ms()
        if check.kind == "signed":
            self._records.say_signed(check.unit, who=check.person, note=check.note or "", now_ms=now)
        elif check.kind in {"checked", "help", "helped"}:
            self._records.say_there(
                check.unit, check.kind, who=check.person, note=check.note or "", now_ms=now
            )
        elif check.kind == "ice_point":
            if check.probe_c is None:
                raise Refused("What did the sensor read in melting ice?")
            self._records.say_ice_point(
                check.unit,
                who=check.person,
                reading_c=check.probe_c,
                channel=check.channel,
                note=check.note or "",
                now_ms=now,
            )
        elif check.probe_c is not None:
            self._records.say_probe(
                check.unit,
                who=check.person,
                probe_c=check.probe_c,
                surface_c=check.surface_c,
                note=check.note or "",
                now_ms=now,
            )
        elif check.surface_c is not None:
            raise Refused("A surface is measured beside the core: what did the core show?")
        elif check.note is not None:
            self._records.say_note(check.unit, who=check.person, note=check.note, now_ms=now)
        else:
            raise Refused("A check needs a probe reading, a note, or both.")
        return Noted(unit=check.unit, noted_ms=now)

    def correct(self, correction: Correction) -> Noted:
        """Write down that an earlier line was wrong; the line itself stays."""
        self.unit(correction.unit)
        now = self.now_ms()
        self._records.correct(
            correction.unit,
            correction.line,
            who=correction.person,
            reading_c=correction.reading_c,
            reason=correction.reason,
            now_ms=now,
        )
        return Noted(unit=correction.unit, noted_ms=now)

    def ask(self, asked: CommandAsked) -> Noted:
        """Queue a command for a unit; what could stop its cooling is refused at a bad moment."""
        self.unit(asked.unit)
        if asked.command in {"reboot", "update"}:
            self._refuse_at_a_bad_moment(asked.unit)
        now = self.now_ms()
        self._records.queue_command(asked.unit, asked.command, asked.arguments, who=asked.person, now_ms=now)
        return Noted(unit=asked.unit, noted_ms=now)

    def _refuse_at_a_bad_moment(self, unit: str) -> None:
        card = self.card(unit)
        settings = self._records.fleet().settings_of(unit)
        heard_ms = card.observed_at
        if heard_ms is None or self.now_ms() - heard_ms > max(_FRESH_MS, 3 * card.interval_s * SECOND_MS):
            raise Refused("Not now: nobody knows how the cabinet is at the moment.")
        cabinet_c, battery_v = card.latest.get("cabinet_c"), card.latest.get("battery_v")
        if cabinet_c is None or float(cabinet_c) > card.limit_c - _WARMEST_BEFORE_REBOOT_K:
            raise Refused("Not now: the cabinet is within 2 K of its limit, or its temperature is not known.")
        if not settings.has_battery:
            return
        if settings.restart_v is None or battery_v is None or float(battery_v) < settings.restart_v:
            raise Refused(
                "Not now: the voltage is below the unit's restart voltage, or one of them is not known."
            )

    def load_batch(self, new: BatchNew, person: str, happened_ms: int | None = None) -> BatchCard:
        """Write down that a named person put a batch into a cabinet (see `unit` for what is raised)."""
        self.unit(new.unit)
        return super().load_batch(new, person, happened_ms)

    def open_job(self, said: JobOpened) -> Job:
        """Write down that a named person asks for work on a cabinet (see `unit` for what is raised)."""
        self.unit(said.unit)
        return super().open_job(said)

    def begin_run_test(self, begun: RunTestBegun) -> RunTestRecord:
        """Write down that a named person begins a test (see `unit` for what is raised)."""
        self.unit(begun.unit)
        return super().begin_run_test(begun)

    def newest_change(self) -> int:
        """Return the number of the newest change, for a page to go on from."""
        return self._records.change_no()

    def close_hold(self, release: Release) -> Noted:
        """Write down the closing of a hold; the records refuse what the rules forbid."""
        self.unit(release.unit)
        now = self.now_ms()
        self._records.release_hold(
            release.unit,
            who=release.person,
            probe_c=release.probe_c,
            disposition=release.disposition,
            reason=release.reason,
            to_unit=release.to_unit,
            now_ms=now,
        )
        return Noted(unit=release.unit, noted_ms=now)


def _nullable(values: FloatArray) -> tuple[float | None, ...]:
    return tuple(None if math.isnan(value) else value for value in np.asarray(values).tolist())
