"""Works out the days of machines once they are over, a little at a time, and what they say of change."""

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

import structlog

from services.analytics.service.health import health_days
from services.analytics.service.healthgrid import AFTER_MS, BEFORE_MS
from services.analytics.service.healthusual import usual_of
from services.analytics.service.longrun import longrun_findings
from services.analytics.service.middles import middles_of
from services.analytics.service.weather import UNKNOWN, Weather, warmth_of
from services.domain import Analysis, Fleet, HealthTable, UnitCard, UnitSettings
from services.errors import DependencyUnavailable
from services.records.facade import Records
from services.records.healthbook import KEEP_MS, HealthState
from services.store import Change, StoreReader
from services.telemetry import Series
from services.timebase import DAY_MS, MINUTE_MS, utc_day_start_ms

WAIT_MS = AFTER_MS + 10 * MINUTE_MS
"""A day is worked out so long after its end."""
AT_ONCE_MS = 8 * DAY_MS
"""Days worked out in one go: live samples wait behind it."""
BUSY_SHARE = 0.1
"""Of the monitor's time, at most so much goes into this."""
QUIET_S = 120.0
"""A unit whose past is arriving is left alone until it has been quiet for so long."""
PUT_OFF_S = 3600.0
NEW_EVERY_S = 60.0
LOOK_BACK_MS = 400 * DAY_MS
"""A year and the weeks before it that it is compared with."""
WEATHER_UNITS = 24
"""Cabinets whose days tell the weather: more say nothing new."""
COLUMNS = (
    "cabinet_c",
    "battery_v",
    "compressor_on",
    "ambient_c",
    "evaporator_c",
    "current_a",
    "bank_v",
    "lid_open",
    "supply",
    "fault",
    "set_point_c",
    "cutout_v",
)

_log = structlog.get_logger(__name__)


class HealthDays:
    """Keeps the days of every unit worked out; late samples take back the days they fall on."""

    def __init__(
        self, reader: StoreReader, records: Records, *, seconds: Callable[[], float] = time.perf_counter
    ) -> None:
        """Go on from where the records say; `seconds` is a clock that only goes forward."""
        self._reader = reader
        self._records = records
        self._seconds = seconds
        self._states: dict[str, HealthState] = dict(records.health_states())
        self._rest_until_s = -float("inf")
        self._not_before_s: dict[str, float] = {}
        self._asked_new_s = -float("inf")
        self._weather: tuple[int, Weather] = (0, UNKNOWN)

    def touched(self, changes: Iterable[Change], fleet: Fleet) -> None:
        """Take back days that late samples fall on, of the unit and of those that may borrow its air.

        Kept before this returns: the monitor's place in the feed only moves on afterwards.
        """
        late: dict[str, int] = {}
        for change in changes:
            state = self._states.get(change.unit)
            if state is not None and change.t_min_ms < state.next_ms:
                day_ms = utc_day_start_ms(change.t_min_ms)
                late[change.unit] = min(day_ms, late.get(change.unit, day_ms))
        if not late:
            return
        site_of = {unit.id: unit.site for unit in fleet.units}
        back: dict[str, int] = {}
        for unit, day_ms in late.items():
            site = site_of.get(unit)
            mates = [other for other, at in site_of.items() if at == site and site is not None]
            for other in {unit, *mates}:
                kept = self._states.get(other)
                if kept is not None and day_ms < kept.next_ms:
                    back[other] = min(day_ms, back.get(other, day_ms))
            self._not_before_s[unit] = self._seconds() + QUIET_S
        self._reopen(back)

    def _reopen(self, back: Mapping[str, int]) -> None:
        if not back:
            return
        self._records.reopen_health(back)
        for unit, day_ms in back.items():
            before = self._states.get(unit)
            self._states[unit] = (
                HealthState(day_ms, None)
                if before is None
                else replace(before, next_ms=day_ms, found_ms=None)
            )

    def step(self, fleet: Fleet, now_ms: int) -> str | None:
        """Do one piece of what waits, where its turn has come; return the unit it was done for."""
        if self._seconds() < self._rest_until_s:
            return None
        begun_s = self._seconds()
        known = {unit.id for unit in fleet.units}
        over_ms = utc_day_start_ms(now_ms - WAIT_MS)
        self._take_in_new(known, over_ms)
        behind = self._next(known, lambda state: state.next_ms < over_ms)
        unit = behind or self._next(known, lambda state: state.found_ms != over_ms)
        if unit is None:
            return None
        if behind is not None:
            self._guarded(unit, lambda: self._work_out(unit, fleet, over_ms, now_ms))
        else:
            self._guarded(unit, lambda: self._look_for_change(unit, fleet, over_ms))
        self._rest_until_s = self._seconds() + (self._seconds() - begun_s) * (1.0 / BUSY_SHARE - 1.0)
        return unit

    def joined(self, analysis: Analysis, card: UnitCard) -> tuple[Analysis, UnitCard]:
        """Return an analysis and its card with what the days of the unit say."""
        state = self._states.get(card.unit)
        if state is None or not state.findings:
            return analysis, card
        found = (*(analysis.service or ()), *state.findings)
        update = {"service": found, "service_reason": None}
        return analysis.model_copy(update=update), card.model_copy(update={"service": found})

    def _next(self, known: set[str], waits: Callable[[HealthState], bool]) -> str | None:
        """Return the unit that waits and is furthest behind."""
        now_s = self._seconds()
        waiting = [
            (state.next_ms, unit)
            for unit, state in self._states.items()
            if unit in known and waits(state) and self._not_before_s.get(unit, now_s) <= now_s
        ]
        return min(waiting)[1] if waiting else None

    def _guarded(self, unit: str, work: Callable[[], None]) -> None:
        """Do something for a unit; what fails must not hold up the others."""
        try:
            work()
            self._not_before_s.pop(unit, None)
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - each unit is a loop of its own
            _log.exception("monitor.health.failed", unit=unit)
            self._not_before_s[unit] = self._seconds() + PUT_OFF_S

    def _take_in_new(self, known: set[str], over_ms: int) -> None:
        """Begin with units that were not followed yet, at their first sample."""
        new = known - self._states.keys()
        if not new or self._seconds() - self._asked_new_s < NEW_EVERY_S:
            return
        self._asked_new_s = self._seconds()
        spans = {unit: self._reader.span_of(unit) for unit in new}
        self._reopen(
            {
                unit: max(utc_day_start_ms(span[0]), over_ms - KEEP_MS)
                for unit, span in spans.items()
                if span is not None
            }
        )

    def _work_out(self, unit: str, fleet: Fleet, over_ms: int, now_ms: int) -> None:
        """Work out the next days of a unit, as it was described on them."""
        start_ms = self._states[unit].next_ms
        end_ms = min(start_ms + AT_ONCE_MS, over_ms)
        anew = self._records.fleet_changes(start_ms + DAY_MS, now_ms + 1)
        described = [utc_day_start_ms(at_ms) for at_ms in anew]
        settings = self._settings(unit, fleet, start_ms if described else None)
        end_ms = min([end_ms, *(day_ms for day_ms in described if day_ms > start_ms)])
        series = self._read(unit, start_ms, end_ms, COLUMNS)
        neighbour = None if series.has("ambient_c") else self._neighbour(unit, fleet, start_ms, end_ms)
        table = health_days(series, settings, from_ms=start_ms, to_ms=end_ms, neighbour=neighbour)
        self._records.write_health(unit, table.days, start_ms=start_ms, end_ms=end_ms)
        self._states[unit] = replace(self._states[unit], next_ms=end_ms, found_ms=None)

    def _settings(self, unit: str, fleet: Fleet, day_ms: int | None) -> UnitSettings:
        """Return how a unit was described at the end of a day; without a day, or before, as it is now."""
        if day_ms is None:
            return fleet.settings_of(unit)
        try:
            return self._records.fleet(day_ms + DAY_MS - 1).settings_of(unit)
        except KeyError:
            return fleet.settings_of(unit)

    def _read(self, unit: str, start_ms: int, end_ms: int, columns: tuple[str, ...]) -> Series:
        return self._reader.read(unit, start_ms - BEFORE_MS, end_ms + AFTER_MS, columns)

    def _neighbour(self, unit: str, fleet: Fleet, start_ms: int, end_ms: int) -> Series | None:
        """Return the air around the first other unit of the site that measured it in a stretch."""
        site = next((each.site for each in fleet.units if each.id == unit), None)
        mates = sorted(each.id for each in fleet.units if each.site == site and each.id != unit)
        for mate in mates if site is not None else ():
            series = self._read(mate, start_ms, end_ms, ("ambient_c",))
            if series.has("ambient_c"):
                return series
        return None

    def _look_for_change(self, unit: str, fleet: Fleet, over_ms: int) -> None:
        """Look for change over the days of a unit; the answer holds until the next day is worked out."""
        table, settings = self._table(unit, over_ms), fleet.settings_of(unit)
        marks = self._records.service_marks(unit)
        found = longrun_findings(
            table, marks, settings, as_of_ms=over_ms, weather=self._weather_before(fleet, over_ms)
        )
        usual = usual_of(table, marks, settings, as_of_ms=over_ms)
        card = self._records.card(unit)
        middles = middles_of(table, settings, None if card is None else card.bench, as_of_ms=over_ms)
        self._records.write_findings(unit, found, usual, middles, found_ms=over_ms)
        self._states[unit] = replace(self._states[unit], found_ms=over_ms, findings=found)

    def _table(self, unit: str, over_ms: int) -> HealthTable:
        return HealthTable(self._records.health_days(unit, over_ms - LOOK_BACK_MS, over_ms))

    def _weather_before(self, fleet: Fleet, over_ms: int) -> Weather:
        """Return what the days of some cabinets say of the weather, worked out once a day."""
        if self._weather[0] != over_ms:
            units = sorted(unit.id for unit in fleet.units)
            chosen = units[:: max(1, -(-len(units) // WEATHER_UNITS))]
            tables = {unit: self._table(unit, over_ms) for unit in chosen}
            self._weather = (over_ms, warmth_of(tables))
        return self._weather[1]
