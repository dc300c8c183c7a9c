"""The monitor's loop: step, show life, wait, and try again whatever fails."""

import random
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import structlog

from services.analytics.notices.wanted import HouseTrouble
from services.errors import DependencyUnavailable
from services.monitor.noticing import Noticing
from services.monitor.retiring import Retiring
from services.monitor.runtests import RunTests
from services.monitor.worker import Monitor, Step
from services.records.facade import Records
from services.store import StoreReader

POLL_S = 0.25
BEAT_EVERY_S = 1.0
_WORST_WAIT_S = 30.0

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Figures:
    """What the monitor says of itself."""

    judged: int = 0
    """In full or carried on."""
    carried: int = 0
    failed: int = 0
    step_s: float = 0.0
    """The last step's time."""
    trouble: str | None = None
    busy_since_ms: int | None = None
    """Since when there has always been more to judge."""

    def done(self, step: Step, now_ms: int, took_s: float) -> None:
        """Note a step."""
        self.judged += len(step.judged)
        self.carried += step.carried
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
            "carried": self.carried,
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
    house: Callable[[int], Sequence[HouseTrouble]] = lambda _now_ms: (),
    keep_ms: int,
) -> None:
    """Judge until told to stop; what fails is counted, told and tried again.

    `heartbeat` takes the time and what there is to say about once a second, also while waiting; `house`
    returns what the house itself cannot do at a moment. Records older than `keep_ms` go.
    """
    figures = _Figures()
    failures = 0

    def show_life() -> None:
        heartbeat(clock(), figures.said(monitor.behind))

    beats = _Beats(show_life)
    monitor = Monitor(reader, records, beat=beats.now_and_then)
    tests = RunTests(reader, records)
    notices = Noticing(records, house)
    old = Retiring(records, keep_ms)
    while not stop.is_set():
        wait_s = POLL_S
        begun_s = time.monotonic()
        try:
            moment_ms = clock()
            step = monitor.step(moment_ms)
            tests.step(moment_ms)
            notices.step(moment_ms)
            monitor.health.step(records.fleet(), moment_ms)
            old.step(moment_ms)
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
        _rest(stop, wait_s, beats)


class _Beats:
    """Shows life at most once a second, also between two units of a long step."""

    def __init__(self, beat: Callable[[], None]) -> None:
        self._beat = beat
        self._last_s = -BEAT_EVERY_S

    def now(self) -> None:
        """Show life."""
        self._beat()
        self._last_s = time.monotonic()

    def now_and_then(self) -> None:
        """Show life where the last sign is a second old."""
        if time.monotonic() - self._last_s >= BEAT_EVERY_S:
            self.now()


def _rest(stop: threading.Event, wait_s: float, beats: _Beats) -> None:
    """Show life, then wait, showing it again every second."""
    end_s = time.monotonic() + wait_s
    beats.now()
    while (left_s := end_s - time.monotonic()) > 0.0 and not stop.wait(min(left_s, BEAT_EVERY_S)):
        beats.now_and_then()


def _wait_s(failures: int) -> float:
    """Return a jittered back-off."""
    return min(_WORST_WAIT_S, POLL_S * 2.0 ** min(failures, 8)) * random.uniform(0.5, 1.0)  # noqa: S311
