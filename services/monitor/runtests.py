"""Follows the tests that run: works out how each stands as readings come, and concludes what is over."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import structlog

from services.analytics.service.holdtest import LONGEST_MS, hold_is_over, holdover_test
from services.analytics.service.runtest import BEFORE_MS, own_stretches, run_test
from services.analytics.service.runtest_lines import Asked
from services.analytics.service.runtest_results import LENGTH_MS
from services.analytics.service.stretch import Stretch
from services.domain import RunTest, RunTestKey, RunTestRecord, RunTestVerdict, UnitSettings
from services.errors import DependencyUnavailable
from services.records.facade import Records
from services.store import StoreReader
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, SECOND_MS

ASK_EVERY_MS = 5 * SECOND_MS
LOOK_EVERY_MS = 30 * SECOND_MS
LATE_MS = 2 * HOUR_MS
"""So long the last readings of a test are waited for; then it is concluded with what there is (judgement)."""
DEFAULT_INTERVAL_S = 60
MOST_OF_MODEL = 500

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Followed:
    """What is remembered of a test that runs."""

    settings: UnitSettings
    before: Sequence[Stretch]
    looked_ms: int = 0
    said: int = -1


class RunTests:
    """Keeps every test that runs worked out; each is judged by itself, and none holds up another."""

    def __init__(self, reader: StoreReader, records: Records) -> None:
        """Begin with nothing remembered: everything is read again when it is needed."""
        self._reader = reader
        self._records = records
        self._followed: dict[int, _Followed] = {}
        self._asked_ms = 0

    def step(self, now_ms: int) -> tuple[int, ...]:
        """Look at tests that run, now and then; return the numbers of those concluded."""
        if 0 <= now_ms - self._asked_ms < ASK_EVERY_MS:
            return ()
        self._asked_ms = now_ms
        running = self._records.run_tests(running=True)
        known = {test.id for test in running}
        self._followed = {number: held for number, held in self._followed.items() if number in known}
        return tuple(test.id for test in running if self._looked_at(test, now_ms))

    def _looked_at(self, test: RunTestRecord, now_ms: int) -> bool:
        """Look at a test where its turn has come; return whether that concluded it."""
        try:
            held = self._followed.get(test.id)
            if held is None:
                held = self._followed[test.id] = self._begun(test)
            soon = 0 <= now_ms - held.looked_ms < LOOK_EVERY_MS
            if soon and held.said == len(test.said):
                return False
            held.looked_ms, held.said = now_ms, len(test.said)
            result, over = self._worked_out(test, held, now_ms)
            if over:
                return self._records.conclude_run_test(test.id, result, now_ms=now_ms)
            self._records.show_run_test(test.id, result)
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - each test is a loop of its own
            _log.exception("monitor.runtest.failed", test=test.id, unit=test.unit)
        return False

    def _begun(self, test: RunTestRecord) -> _Followed:
        settings = self._records.fleet(test.start).settings_of(test.unit)
        if test.kind != "run":
            return _Followed(settings, ())
        days = self._reader.read(test.unit, test.start - BEFORE_MS, test.start)
        beside = None if days.has("ambient_c") else self._neighbour(test)
        return _Followed(settings, own_stretches(days, settings, before_ms=test.start, neighbour=beside))

    def _neighbour(self, test: RunTestRecord) -> Series | None:
        """Return the air of the days before a test around another unit of the place it stood at by then."""
        fleet = self._records.fleet(test.start - DAY_MS)
        place = {unit.id: unit.site for unit in fleet.units}
        site = place.get(test.unit)
        for mate in sorted(each for each, at in place.items() if at == site and each != test.unit):
            series = self._reader.read(mate, test.start - BEFORE_MS, test.start, ("ambient_c",))
            if site is not None and series.has("ambient_c"):
                return series
        return None

    def _worked_out(self, test: RunTestRecord, held: _Followed, now_ms: int) -> tuple[RunTest, bool]:
        stopped_ms = test.stopped_ms
        full_ms = test.start + (LENGTH_MS if test.kind == "run" else LONGEST_MS)
        end_ms = min(now_ms if stopped_ms is None else stopped_ms, full_ms)
        series = self._reader.read(test.unit, test.start, end_ms + 1)
        given_s = held.settings.interval_s
        interval_s = DEFAULT_INTERVAL_S if given_s is None else given_s
        heard = len(series) > 0 and int(series.t_ms[-1]) >= end_ms - 2 * interval_s * SECOND_MS
        over = (stopped_ms is not None or now_ms >= full_ms) and (heard or now_ms >= end_ms + LATE_MS)
        asked = Asked(test.start, end_ms, test.words_now, over=over, described_anew=self._moved(test, held))
        if test.kind == "run":
            model = self._slopes_of_model(test, held.settings)
            passed = self._last(test, "slope", {"pass"})
            found = run_test(series, held.settings, asked, before=held.before, model=model, passed=passed)
            return found, over
        last_h = self._last(test, "tau_h", {"pass", "fail", "measured"})
        found = holdover_test(series, held.settings, asked, last_tau_h=last_h)
        if not over and hold_is_over(found):
            asked = Asked(test.start, end_ms, test.words_now)
            return holdover_test(series, held.settings, asked, last_tau_h=last_h), True
        return found, over

    def _moved(self, test: RunTestRecord, held: _Followed) -> bool:
        """Return whether the unit is described with another set point by now."""
        fleet = self._records.fleet()
        if test.unit not in {unit.id for unit in fleet.units}:
            return False
        return fleet.settings_of(test.unit).set_point_c != held.settings.set_point_c

    def _slopes_of_model(self, test: RunTestRecord, settings: UnitSettings) -> list[float]:
        """Return the newest slope of each other unit with the same model on its type plate."""
        model = settings.unit.model
        if model is None:
            return []
        fleet = self._records.fleet()
        same = {
            unit.id
            for unit in fleet.units
            if unit.id != test.unit and unit.kind == settings.unit.kind and unit.model == model
        }
        found: dict[str, float] = {}
        for each in self._records.run_tests(units=same, limit=MOST_OF_MODEL) if same else ():
            line = None if each.result is None else each.result.line("slope")
            valid = each.concluded is not None and each.result and each.result.verdict in {"pass", "fail"}
            if valid and line is not None and line.value is not None:
                found.setdefault(each.unit, line.value)
        return list(found.values())

    def _last(
        self, test: RunTestRecord, key: RunTestKey, verdicts: Collection[RunTestVerdict]
    ) -> float | None:
        """Return a number of the unit's last concluded test of this kind that ended in some verdict."""
        for each in self._records.run_tests(units={test.unit}):
            result = each.result
            if each.id >= test.id or each.concluded is None or result is None or result.kind != test.kind:
                continue
            line = result.line(key)
            if result.verdict in verdicts and line is not None and line.value is not None:
                return line.value
        return None
