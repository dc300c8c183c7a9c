"""Follows the change feed and the clock, and keeps every unit judged."""

import random
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import structlog

from services.analytics.food.verdicts import CLOCK_MS
from services.domain import Fleet, UnitSettings
from services.errors import DependencyUnavailable
from services.monitor.banks import Banks
from services.monitor.batches import BatchJudge, Moment
from services.monitor.expected import expected_spans
from services.monitor.judge import Case, doubt_of, judge, rechecked_from_ms
from services.monitor.pending import Pending
from services.monitor.ruled import Ruled
from services.monitor.window import Windows
from services.records.facade import Records
from services.records.said import Result
from services.store import Latest, StoreReader, UnitStatus
from services.timebase import Span

BATCH = 16
"""Units judged before their results are written: a write stays within 50 ms (design 4)."""
PAGES = 20
"""Pages of the change feed read in one step."""
PAGE = 10_000
POLL_S = 0.25
BEAT_EVERY_S = 1.0
_WORST_WAIT_S = 30.0

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Step:
    """What one step did."""

    judged: tuple[str, ...]
    failed: tuple[str, ...]
    more: bool
    """Whether units are left whose turn it is already."""


class Monitor:
    """Judges units whenever their samples change, somebody says something, or a minute has passed."""

    def __init__(self, reader: StoreReader, records: Records) -> None:
        """Go on from the place in the change feed that the records keep."""
        self._reader = reader
        self._records = records
        self._windows = Windows(reader)
        self._kept_position = records.monitor_position()
        self._pending = Pending(self._kept_position)
        self._ruled = Ruled(records)
        self._batches = BatchJudge(records, self._windows, self._ruled)
        self._banks = Banks(records, self._windows)
        self._fleet: Fleet | None = None
        self._said_no = 0

    @property
    def rows_read(self) -> int:
        """How many samples were read from the store so far."""
        return self._windows.rows_read

    @property
    def behind(self) -> int:
        """How many changes of the feed are read and not judged yet."""
        return self._pending.read_to - self._kept_position

    def step(self, now_ms: int) -> Step:
        """Judge the units whose turn it is, at most `BATCH` of them, and keep the results."""
        fleet = self._records.fleet()
        known = frozenset(unit.id for unit in fleet.units)
        self._take_in(fleet, known)
        self._batches.homeless(fleet, now_ms)
        due = self._pending.due(known, now_ms)
        batch = due[:BATCH]
        if not batch:
            self._keep_position()
            return Step((), (), more=False)
        latest, statuses = self._reader.latest(now_ms), self._reader.statuses()
        results: list[Result] = []
        failed: list[str] = []
        for unit in batch:
            result = self._judged(fleet, unit, latest.get(unit), statuses, now_ms)
            if result is None:
                failed.append(unit)
            else:
                results.append(result)
        judged = self._keep(results, now_ms)
        return Step(judged, tuple(failed), more=len(due) > len(batch) or len(judged) < len(results))

    def _take_in(self, fleet: Fleet, known: frozenset[str]) -> None:
        for _ in range(PAGES):
            changes = self._reader.changes_after(self._pending.read_to, PAGE)
            self._pending.touch(changes, known)
            if len(changes) < PAGE:
                break
        if fleet is not self._fleet:
            self._pending.urge(known if self._fleet is None else _changed(self._fleet, fleet))
            self._batches.read_anew()
            self._ruled.forget()
            self._fleet = fleet
        said = self._records.statements_after(self._said_no)
        if said:
            self._said_no = said[-1].id
            for statement in said:
                self._batches.read_anew(statement.unit)
            self._pending.urge(statement.unit for statement in said)
        self._pending.urge(self._batches.take_in() & known)

    def _judged(
        self,
        fleet: Fleet,
        unit: str,
        latest: Latest | None,
        statuses: Mapping[str, UnitStatus],
        now_ms: int,
    ) -> Result | None:
        """Return the assessment of a unit; one that cannot be judged must not hold up the others."""

        def expected_of(other: str) -> tuple[Span, ...]:
            return expected_spans(self._reader, other, statuses.get(other))

        try:
            context = self._records.context(unit)
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
                latest=latest,
                expected=expected_of(unit),
                backlog=bool(self._reader.missing_spans(unit)),
                oldest_ms=None if span is None else span[0],
                settings_at=lambda at_ms: self._settings_at(fleet, unit, at_ms),
                bank=known,
            )
            result, series = judge(case, self._windows, now_ms=now_ms)
            self._banks.note(settings, series, now_ms=now_ms)
            analysis, card = self._banks.with_neighbours(result.analysis, result.card, fleet, now_ms=now_ms)
            result = replace(result, analysis=analysis, card=card, taught=taken.taught())
            moment = Moment(
                unit=unit,
                now_ms=now_ms,
                touched_ms=touched_ms,
                expected=case.expected,
                doubt=doubt_of(case),
                fleet=fleet,
                series=series,
                expected_of=expected_of,
            )
            past = rechecked_from_ms(context) is not None
            return self._batches.joined(result, moment, past=past)
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - each unit is a loop of its own
            _log.exception("monitor.unit.failed", unit=unit)
            self._windows.forget(unit)
            self._batches.forget()
            self._pending.put_off(unit, now_ms)
            return None

    def _settings_at(self, fleet: Fleet, unit: str, at_ms: int) -> UnitSettings:
        """Return how a unit was described at a moment; before anybody described it, as it is now."""
        try:
            return self._records.fleet(at_ms).settings_of(unit)
        except KeyError:
            return fleet.settings_of(unit)

    def _keep(self, results: Sequence[Result], now_ms: int) -> tuple[str, ...]:
        units = [result.card.unit for result in results]
        position = self._pending.position(without=units)
        overtaken = self._records.write_results(results, now_ms=now_ms, position=position)
        self._kept_position = self._kept_position if overtaken else position
        judged = tuple(unit for unit in units if unit not in overtaken)
        for unit in judged:
            self._pending.judged(unit, now_ms)
        for result in results:
            if result.card.unit not in overtaken:
                self._pending.urge(self._batches.kept(result))
        self._pending.urge(overtaken)
        return judged

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


@dataclass(slots=True)
class _Figures:
    """What the monitor says of itself."""

    judged: int = 0
    failed: int = 0
    step_s: float = 0.0
    """The last step's time."""
    trouble: str | None = None
    busy_since_ms: int | None = None
    """Since when there has always been more to judge."""

    def done(self, step: Step, now_ms: int, took_s: float) -> None:
        """Note a step."""
        self.judged += len(step.judged)
        self.failed += len(step.failed)
        self.step_s = took_s
        self.trouble = None
        if not step.more:
            self.busy_since_ms = None
        elif self.busy_since_ms is None:
            self.busy_since_ms = now_ms

    def said(self, behind: int) -> Mapping[str, Any]:
        """Return everything as it goes into the sign of life."""
        return {
            "judged": self.judged,
            "failed": self.failed,
            "step_s": round(self.step_s, 4),
            "behind": behind,
            "busy_since_ms": self.busy_since_ms,
            "trouble": self.trouble,
        }


def run_monitor(
    reader: StoreReader,
    records: Records,
    *,
    stop: threading.Event,
    clock: Callable[[], int],
    heartbeat: Callable[[int, Mapping[str, Any]], None],
) -> None:
    """Judge until told to stop; what fails is counted, told and tried again.

    `heartbeat` takes the time and what there is to say about once a second, also while waiting.
    """
    monitor = Monitor(reader, records)
    figures = _Figures()
    failures = 0
    while not stop.is_set():
        wait_s = POLL_S
        begun_s = time.monotonic()
        try:
            moment_ms = clock()
            step = monitor.step(moment_ms)
            wait_s = 0.0 if step.more else POLL_S
            failures = 0
            figures.done(step, moment_ms, time.monotonic() - begun_s)
        except DependencyUnavailable as error:
            failures += 1
            wait_s = _wait_s(failures)
            figures.trouble = f"Nothing is judged: {error}"
            _log.warning("monitor.dependency.unavailable", error=str(error), failures=failures)
        except Exception:  # noqa: BLE001 - the outermost loop
            failures += 1
            wait_s = _wait_s(failures)
            figures.trouble = "Nothing is judged: a fault in the service itself; its log says which."
            _log.exception("monitor.step.failed", failures=failures)
        _rest(stop, wait_s, lambda: heartbeat(clock(), figures.said(monitor.behind)))


def _rest(stop: threading.Event, wait_s: float, beat: Callable[[], None]) -> None:
    """Show life, then wait, showing it again every second."""
    end_s = time.monotonic() + wait_s
    beat()
    while (left_s := end_s - time.monotonic()) > 0.0 and not stop.wait(min(left_s, BEAT_EVERY_S)):
        if left_s > BEAT_EVERY_S:
            beat()


def _wait_s(failures: int) -> float:
    """Return a jittered back-off."""
    return min(_WORST_WAIT_S, POLL_S * 2.0 ** min(failures, 8)) * random.uniform(0.5, 1.0)  # noqa: S311
