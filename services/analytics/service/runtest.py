"""The run test: twelve hours under operating conditions, judged by their last six."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from services.analytics.service.borrowedair import borrowed_c
from services.analytics.service.runtest_lines import (
    Asked,
    because_of,
    condition_lines,
    not_measured,
    result,
)
from services.analytics.service.runtest_results import (
    LAST_MS,
    LENGTH_MS,
    Baseline,
    pulldown_line,
    result_lines,
)
from services.analytics.service.stretch import Bench, Stretch, stretch_of
from services.domain import (
    EarlierNumber,
    RunTest,
    RunTestKey,
    RunTestLine,
    RunTestVerdict,
    RunTestWords,
    UnitSettings,
)
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS

BEFORE_MS = 14 * DAY_MS
"""So far back the unit's own days are looked at for comparison (judgement)."""
FEWEST_STRETCHES = 4
MOST_MISSING_BEFORE = 0.1
"""Own stretches of six hours: as many as this are needed, each with no more than this missing (judgement)."""
LEAST_SO_FAR_MS = HOUR_MS // 2
NO_FAULT = frozenset({"none", "ok"})
_COMPARED: tuple[RunTestKey, ...] = (
    "mean_c", "ambient_c", "duty", "starts_per_h", "current_a", "sag_v", "source_ohm", "slope",
)  # fmt: skip


def run_test(
    series: Series,
    settings: UnitSettings,
    asked: Asked,
    *,
    before: Sequence[Stretch] = (),
    model: Sequence[float] = (),
    passed: float | None = None,
    offline: bool = False,
) -> RunTest:
    """Return what a run of twelve hours under operating conditions shows.

    Parameters
    ----------
    series : Series
        Samples of the test.
    settings : UnitSettings
        The unit.
    asked : Asked
        Span and conditions.
    before : sequence of Stretch
        Of its own days before (see `own_stretches`).
    model : sequence of float
        Slopes of valid run tests of other units of the same model. [1/K, or A/K of variable speed]
    passed : float or None
        Slope of the unit's last passed run test. [as `model`]
    offline : bool
        Whether the log's own spacing stands in for an interval nobody gave.

    Returns
    -------
    RunTest
        ``not_valid`` where a condition was not kept, or nothing tells whether it was; else ``fail`` where a
        result is out of its limit; else ``pass``.

    References
    ----------
    .. [1] A run of 12 h under operating conditions with the temperature recorded: common practice, no source.
    """
    start_ms, end_ms = asked.start_ms, min(asked.end_ms, asked.start_ms + LENGTH_MS)
    bench = Bench.of(series, settings, as_of_ms=end_ms, offline=offline)
    hand_c = hand_mean_c(asked.words)
    last_ms = start_ms + LENGTH_MS - LAST_MS
    early = end_ms - last_ms < LEAST_SO_FAR_MS
    last = None if early else stretch_of(bench, last_ms, end_ms, ambient_by_hand_c=hand_c)
    baseline = Baseline.of(before, model, passed)
    lines = (
        *condition_lines(bench, asked),
        pulldown_line(bench, start_ms, end_ms, over=asked.over),
        *result_lines(bench, last, baseline, asked.words),
        _faults(bench, start_ms, end_ms),
    )
    speaking = because_of(lines, over=asked.over)
    return RunTest(
        unit=settings.unit.id,
        kind="run",
        start=start_ms,
        end=end_ms,
        verdict=verdict_of(lines, over=asked.over),
        because=speaking,
        lines=lines,
        set_point_c=settings.set_point_c,
        limit_c=bench.limit_c,
        samples=len(series.between(start_ms, end_ms + 1)),
        days_before=_earlier(before),
        stretches_before=len(before),
        words=asked.words,
        assumed=bench.assumed,
    )


def hand_mean_c(words: RunTestWords) -> float | None:
    """Return the mean of the air as read by hand, None where nobody read it [°C]."""
    return float(np.mean(words.ambient_by_hand_c)) if len(words.ambient_by_hand_c) > 0 else None


def verdict_of(lines: Sequence[RunTestLine], *, over: bool) -> RunTestVerdict:
    """Return what the lines of a test amount to."""
    if not over:
        return "running"
    speaking = [line for line in lines if line.speaks]
    if any(line.role == "condition" or line.state == "not_measured" for line in speaking):
        return "not_valid"
    return "fail" if speaking else "pass"


def own_stretches(
    series: Series,
    settings: UnitSettings,
    *,
    before_ms: int,
    neighbour: Series | None = None,
    offline: bool = False,
) -> list[Stretch]:
    """Return the six-hour stretches of a unit's own days before a test that were seen well and that ran.

    Parameters
    ----------
    series : Series
        Samples up to the test; the `BEFORE_MS` before it are looked at.
    settings : UnitSettings
        The unit.
    before_ms : int
        When the test begins. [ms]
    neighbour : Series or None
        Of another unit of its place: its air stands in where this one measures none.
    offline : bool
        Whether the log's own spacing stands in for an interval nobody gave.

    Returns
    -------
    list of Stretch
        The newest first; none at all where there are fewer than four.
    """
    if not len(series):
        return []
    series = series.between(0, before_ms)
    air = None if series.has("ambient_c") else borrowed_c(series.t_ms, neighbour)
    if air is not None:
        series = Series(series.t_ms, {**series.columns, "ambient_c": air})
    bench = Bench.of(series, settings, as_of_ms=before_ms, offline=offline)
    t_ms = bench.series.t_ms
    first_ms = max(before_ms - BEFORE_MS, int(t_ms[0])) if t_ms.size else before_ms
    found = []
    for end_ms in range(before_ms, first_ms, -LAST_MS):
        begin_ms = end_ms - LAST_MS
        if begin_ms >= first_ms and bench.missing_share(bench.cabinet_c, begin_ms, end_ms) <= (
            MOST_MISSING_BEFORE
        ):
            stretch = stretch_of(bench, begin_ms, end_ms, ambient_by_hand_c=None)
            found.append(replace(stretch, borrowed_air=air is not None))
    found = [each for each in found if each.duty is None or each.duty > 0.0]
    return found if len(found) >= FEWEST_STRETCHES else []


def _earlier(stretches: Sequence[Stretch]) -> tuple[EarlierNumber, ...]:
    """Return the middle of each quantity over a unit's own stretches."""
    found = []
    for key in _COMPARED:
        values = [value for each in stretches if (value := _value(each, key)) is not None]
        if len(values) >= FEWEST_STRETCHES:
            found.append(EarlierNumber(key=key, value=float(np.median(values))))
    return tuple(found)


def _value(stretch: Stretch, key: RunTestKey) -> float | None:
    if key == "mean_c":
        return None if stretch.cabinet is None else stretch.cabinet.mean
    found: float | None = getattr(stretch, key)
    return found


def _faults(bench: Bench, start_ms: int, end_ms: int) -> RunTestLine:
    """Return how many different faults the unit itself reported."""
    part = bench.series.between(start_ms, end_ms + 1)
    source = "reported by the unit itself"
    if not bench.series.has("fault"):
        return not_measured("faults", "told", "1", "the unit reports no faults", source=source)
    codes = sorted({str(word) for word in part.texts("fault") if word} - NO_FAULT)
    named = f"{source}: {', '.join(codes)}" if codes else source
    return result("faults", float(len(codes)), "1", at_most=0.0, source=named)
