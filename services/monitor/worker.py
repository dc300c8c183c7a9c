"""Follows the change feed and the clock, and keeps every unit judged."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import structlog

from services.analytics.food.verdicts import CLOCK_MS
from services.domain import Fleet, UnitSettings
from services.errors import DependencyUnavailable
from services.monitor.banks import Banks
from services.monitor.batches import BatchJudge, Moment
from services.monitor.carrying import Carrying
from services.monitor.healthdays import HealthDays
from services.monitor.judge import Case, doubt_of, judge, rechecked_from_ms
from services.monitor.pending import LATE_AFTER_MS, Pending
from services.monitor.ruled import Ruled
from services.monitor.seen import Seen
from services.monitor.turns import BATCH, ONE_IN, Pace, Plan
from services.monitor.window import Windows
from services.records.facade import Records
from services.records.said import Context, Result
from services.store import StoreReader

CARRIED_AT_ONCE = 64
"""Carried results written at once: each is one card."""
DAYS = 64
"""Moments of the past at which the fleet is remembered as it was described; most are midnights."""
PAGES = 20
"""Pages of the change feed read in one step."""
PAGE = 10_000

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Step:
    """What one step did."""

    judged: tuple[str, ...]
    failed: tuple[str, ...]
    more: bool
    """Whether units are left whose turn it is already."""
    carried: int = 0
    """How many of the judged ones were carried on, without a look at everything."""


class Monitor:
    """Judges units whenever their samples change, somebody says something, or a minute has passed."""

    def __init__(
        self,
        reader: StoreReader,
        records: Records,
        *,
        beat: Callable[[], None] = lambda: None,
        seconds: Callable[[], float] = time.perf_counter,
    ) -> None:
        """Go on from the place in the change feed that the records keep.

        `beat` shows life between units; `seconds` is a clock to measure with how long looks take.
        """
        self._reader = reader
        self._records = records
        self._windows = Windows(reader)
        self._kept_position = records.monitor_position()
        self._pending = Pending(self._kept_position)
        self._ruled = Ruled(records)
        self._batches = BatchJudge(records, self._windows, self._ruled)
        self._banks = Banks(records, self._windows)
        self._carrying = Carrying(reader)
        self.health = HealthDays(reader, records, seconds=seconds)
        """Its own turn is the loop's to give: it looks at days that are over."""
        self._pace = Pace(seconds)
        self._beat = beat
        self._fleet: Fleet | None = None
        self._past: dict[int, Fleet] = {}
        self._contexts: dict[str, Context] = {}
        self._said_no = 0

    @property
    def rows_read(self) -> int:
        """How many samples were read from the store so far."""
        return self._windows.rows_read + self._carrying.rows_read

    @property
    def behind(self) -> int:
        """How many changes of the feed are read and not judged yet."""
        return self._pending.read_to - self._kept_position

    def step(self, now_ms: int) -> Step:
        """Carry on what can be carried on, judge others whose turn it is in full, and keep the results."""
        fleet = self._records.fleet()
        known = frozenset(unit.id for unit in fleet.units)
        self._take_in(fleet, known)
        self._batches.homeless(fleet, now_ms)
        due = self._pending.due(known, now_ms)
        if not due:
            self._keep_position()
            return Step((), (), more=False)
        plan, wanted = self._planned(due, now_ms)
        seen = Seen(self._reader, [*plan.carried, *plan.looks(())[:BATCH]], now_ms)
        carried, asked = self._carry(plan.carried, seen, fleet, now_ms)
        self._pending.urge(asked)
        judged, failed = self._judge(plan.looks(asked), seen, fleet, now_ms)
        more = len(judged) + len(failed) < wanted + len(asked)
        return Step((*carried, *judged), failed, more=more, carried=len(carried))

    def _planned(self, due: Sequence[str], now_ms: int) -> tuple[Plan, int]:
        """Return what to do with units, and how many of them want to be judged in full.

        Of more units in turn than there is time for, those with live samples are carried on meanwhile.
        """
        plan = Plan()
        for unit in due:
            touch = self._pending.touch_of(unit)
            if self._pending.is_urgent(unit):
                plan.at_once.append(unit)
            elif not self._carrying.may(unit, touch, now_ms):
                live = touch is not None and touch.t_max_ms >= now_ms - LATE_AFTER_MS
                (plan.at_once if live else plan.in_turn).append(unit)
            elif self._pending.wants_all(unit, now_ms):
                plan.in_turn.append(unit)
            else:
                plan.carried.append(unit)
        wanted = len(plan.at_once) + len(plan.in_turn)
        room = max(self._pace.room // ONE_IN, self._pace.room - len(plan.at_once), 1)
        plan.carried.extend(
            unit
            for unit in plan.in_turn[room:]
            if self._carrying.may(unit, self._pending.touch_of(unit), now_ms)
        )
        del plan.in_turn[room:]
        return plan, wanted

    def _carry(
        self, units: Sequence[str], seen: Seen, fleet: Fleet, now_ms: int
    ) -> tuple[list[str], list[str]]:
        """Carry units on; return those that were, and those that ask for a look at everything."""
        kept: list[str] = []
        asked: list[str] = []
        results: list[Result] = []
        for unit in units:
            result = self._carried(unit, seen, fleet, now_ms)
            if result is None:
                self._carrying.forget(unit)
                asked.append(unit)
            else:
                results.append(result)
            if len(results) >= CARRIED_AT_ONCE:
                kept += self._keep(results, now_ms)
                results = []
        return [*kept, *self._keep(results, now_ms)], asked

    def _carried(self, unit: str, seen: Seen, fleet: Fleet, now_ms: int) -> Result | None:
        self._beat()
        touch = self._pending.touch_of(unit)
        if touch is None:
            return None
        try:
            return self._carrying.carried(unit, touch, seen, fleet=fleet, now_ms=now_ms)
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - each unit is a loop of its own
            _log.exception("monitor.unit.not_carried", unit=unit)
            return None

    def _judge(
        self, units: Sequence[str], seen: Seen, fleet: Fleet, now_ms: int
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Judge units in full for a while; return those whose results were kept, and those that failed."""
        if not units:
            return (), ()
        contexts = self._records.contexts(units[:BATCH], self._contexts)
        self._contexts |= contexts
        results: list[Result] = []
        failed: list[str] = []
        self._pace.begin()
        for unit in units:
            if self._pace.is_over(len(results) + len(failed)):
                break
            self._beat()
            result = self._judged(fleet, unit, contexts[unit], seen, now_ms)
            if result is None:
                failed.append(unit)
            else:
                results.append(result)
        self._pace.ended(len(results) + len(failed))
        return self._keep(results, now_ms), tuple(failed)

    def _take_in(self, fleet: Fleet, known: frozenset[str]) -> None:
        for _ in range(PAGES):
            changes = self._reader.changes_after(self._pending.read_to, PAGE)
            self._pending.touch(changes, known)
            self.health.touched(changes, fleet)
            if len(changes) < PAGE:
                break
        if fleet is not self._fleet:
            self._pending.urge(known if self._fleet is None else _changed(self._fleet, fleet))
            self._batches.read_anew()
            self._ruled.forget()
            self._past = {}
            self._carrying.forget_all()
            self._fleet = fleet
        said = self._records.statements_after(self._said_no)
        if said:
            self._said_no = said[-1].id
            for statement in said:
                self._batches.read_anew(statement.unit)
            self._pending.urge(statement.unit for statement in said)
        self._pending.urge(self._batches.take_in() & known)

    def _judged(self, fleet: Fleet, unit: str, context: Context, seen: Seen, now_ms: int) -> Result | None:
        """Return the assessment of a unit; one that cannot be judged must not hold up the others."""
        try:
            span = self._reader.span_of(unit)
            touch = self._pending.touch_of(unit)
            touched_ms = None if touch is None else touch.t_min_ms
            emptied_ms = context.clock_from_ms
            since_ms = now_ms - CLOCK_MS if emptied_ms is None else max(now_ms - CLOCK_MS, emptied_ms)
            settings = self._ruled.crossing(fleet.settings_of(unit), since_ms=since_ms, now_ms=now_ms)
            known, taken = self._banks.known(fleet, unit, now_ms=now_ms, touched_ms=touched_ms)
            case = Case(
                settings=settings,
                context=context,
                touch=touch,
                latest=seen.latest(unit),
                expected=seen.expected(unit),
                backlog=bool(seen.missing(unit)),
                oldest_ms=None if span is None else span[0],
                settings_at=lambda at_ms: self._settings_at(fleet, unit, at_ms, now_ms),
                bank=known,
            )
            found = judge(case, self._windows, now_ms=now_ms)
            self._banks.note(settings, found.series, now_ms=now_ms)
            analysis, card = self._banks.with_neighbours(
                *self.health.joined(found.result.analysis, found.result.card), fleet, now_ms=now_ms
            )
            result = replace(found.result, analysis=analysis, card=card, taught=taken.taught())
            moment = Moment(
                unit=unit,
                now_ms=now_ms,
                touched_ms=touched_ms,
                expected=case.expected,
                doubt=doubt_of(case),
                fleet=fleet,
                series=found.series,
                expected_of=seen.expected,
            )
            past = rechecked_from_ms(context) is not None
            result = self._batches.joined(result, moment, past=past)
            return self._carrying.keeping(result, found.onward, case, fleet)
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - each unit is a loop of its own
            _log.exception("monitor.unit.failed", unit=unit)
            self._windows.forget(unit)
            self._carrying.forget(unit)
            self._batches.forget()
            self._pending.put_off(unit, now_ms)
            return None

    def _settings_at(self, fleet: Fleet, unit: str, at_ms: int, now_ms: int) -> UnitSettings:
        """Return how a unit was described at a moment; before anybody described it, as it is now."""
        if at_ms >= now_ms:
            return fleet.settings_of(unit)
        if at_ms not in self._past:
            if len(self._past) >= DAYS:
                self._past = {}
            self._past[at_ms] = self._records.fleet(at_ms)
        try:
            return self._past[at_ms].settings_of(unit)
        except KeyError:
            return fleet.settings_of(unit)

    def _keep(self, results: Sequence[Result], now_ms: int) -> tuple[str, ...]:
        if not results:
            return ()
        units = [result.card.unit for result in results]
        position = self._pending.position(without=units)
        overtaken = self._records.write_results(results, now_ms=now_ms, position=position)
        self._kept_position = self._kept_position if overtaken else position
        for result in results:
            unit = result.card.unit
            if unit in overtaken:
                self._carrying.forget(unit)
            elif result.carried:
                self._went_on(unit, now_ms)
            else:
                self._pending.judged(unit, now_ms)
                self._pending.urge(self._batches.kept(result))
        self._pending.urge(overtaken)
        return tuple(unit for unit in units if unit not in overtaken)

    def _went_on(self, unit: str, now_ms: int) -> None:
        """Take note that a carried result is kept: what else looks at the unit reads its new samples anew."""
        touch = self._pending.touch_of(unit)
        if touch is not None:
            self._windows.touched(unit, touch.t_min_ms)
            self._batches.touched(unit, touch.t_min_ms)
        self._pending.carried(unit, now_ms)

    def _keep_position(self) -> None:
        """Move on past changes of units nobody described."""
        position = self._pending.position()
        if position > self._kept_position:
            self._records.set_monitor_position(position)
            self._kept_position = position


def _changed(before: Fleet, after: Fleet) -> frozenset[str]:
    """Return the units that are described otherwise than before, sites and banks included."""

    def described(fleet: Fleet) -> dict[str, object]:
        return {unit.id: fleet.settings_of(unit.id) for unit in fleet.units}

    old = described(before)
    return frozenset(unit for unit, settings in described(after).items() if old.get(unit) != settings)
