"""Hold-over in the field: the power is taken away, and the warmest measured point is timed to a limit.

After the test of vaccine refrigerators (WHO PQS E003): power off, readings every minute, until the warmest
point passes the limit; the hours are quoted with the mean of the air around it.
"""

import math
from dataclasses import dataclass

import numpy as np

from services.analytics.power.holdover import hours_to_limit
from services.analytics.service.runtest import verdict_of
from services.analytics.service.runtest_lines import (
    JUDGEMENT,
    Asked,
    ambient_line,
    because_of,
    condition,
    lid_line,
    missing_line,
    not_measured,
    result,
    said,
    told,
)
from services.analytics.service.stretch import Bench
from services.domain import RunTest, RunTestKey, RunTestLine, RunTestVerdict, UnitSettings
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import HOUR_MS, MINUTE_MS, SECOND_MS

LONGEST_MS = 72 * HOUR_MS
"""A test that has not reached its limit by then ends (judgement)."""
VACCINE_LIMIT_C = 10.0
VACCINE_RANGE_C = (2.0, 8.0)
PQS = "WHO PQS E003: hold-over ends at +10 °C in the warmest load point, readings every minute"
PQS_RANGE = "WHO PQS E003: loads stand within +2 and +8 °C before the power is cut (from memory)"
COLD_WITHIN_K = 2.0
OWN_SPACING_S = 300.0
VACCINE_SPACING_S = 60.0
SPACING_SLACK_S = 1.0
"""A clock of a unit may run that much slow."""
MOST_GAP_MIN = 5.0
LEAST_TAU_RATIO = 0.85
HOT_C = (32.0, 43.0)
"""Air other hold-overs are quoted at: zones of WHO PQS E003 are +43, +32 and +27 °C (from memory)."""
LUMPED = "one lumped block from this test: outer packs warm first, so it is on the long side"
FROZEN_BELOW_C = -2.0
"""With a limit below this food melts on the way, and no single time constant describes it (judgement)."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """When the warmest point passed the limit."""

    t_ms: float
    gap_ms: float
    """Between the readings around it."""


def holdover_test(
    series: Series,
    settings: UnitSettings,
    asked: Asked,
    *,
    last_tau_h: float | None = None,
    offline: bool = False,
) -> RunTest:
    """Return how long the warmest measured point took to its limit with the power off.

    Parameters
    ----------
    series : Series
        Samples from the moment the power was cut.
    settings : UnitSettings
        The unit; its food's own limit unless the vaccine method was asked for.
    asked : Asked
        Span and conditions.
    last_tau_h : float or None
        Time constant of the unit's last valid hold-over test. [h]
    offline : bool
        Whether the log's own spacing stands in for an interval nobody gave.

    Returns
    -------
    RunTest
        ``measured`` where it is valid and nobody gave hours to reach nor is there an earlier test.

    References
    ----------
    .. [1] WHO PQS E003 (vaccine refrigerators): autonomy to +8 °C, hold-over to +10 °C in the warmest load
       point, 1 min readings, as a published discussion of the method has it; no text describes the field.
    """
    bench = Bench.of(series, settings, as_of_ms=asked.end_ms, offline=offline)
    limit_c = VACCINE_LIMIT_C if asked.words.vaccine else bench.limit_c
    warmest = warmest_of(bench)
    end_ms = min(asked.end_ms, asked.start_ms + LONGEST_MS)
    t_ms, values = bench.line(warmest, bench.within(asked.start_ms, end_ms))
    crossing = crossing_of(t_ms, values, limit_c=limit_c)
    seen_ms = end_ms if crossing is None else min(end_ms, math.ceil(crossing.t_ms))
    conditions = (
        _cold(values, settings, vaccine=asked.words.vaccine),
        _power_off(bench, asked.start_ms, seen_ms),
        _spacing(t_ms, vaccine=asked.words.vaccine),
        missing_line(bench, warmest, asked.start_ms, seen_ms),
        ambient_line(bench, asked.words.ambient_by_hand_c, asked.start_ms, seen_ms),
        lid_line(bench, asked.start_ms, seen_ms, shut=asked.words.lid_shut),
        *_crossing_gap(crossing),
    )
    ambient_c = next((line.value for line in conditions if line.key == "ambient_c"), None)
    start_c = float(values[0]) if values.size else None
    hold = _hold(crossing, asked, end_ms)
    told_lines = _lumped(
        hold, start_c, limit_c, ambient_c, last_tau_h, required=asked.words.required_h is not None
    )
    lines = (*conditions, hold, *told_lines)
    return RunTest(
        unit=settings.unit.id,
        kind="hold_over",
        start=asked.start_ms,
        end=seen_ms,
        verdict=_verdict(lines, over=asked.over),
        because=because_of(lines, over=asked.over),
        lines=lines,
        set_point_c=settings.set_point_c,
        limit_c=limit_c,
        samples=len(series.between(asked.start_ms, seen_ms + 1)),
        words=asked.words,
        assumed=bench.assumed,
    )


def hold_is_over(result: RunTest) -> bool:
    """Return whether a hold-over test has its answer: the limit was passed, or it took as long as any may."""
    hold = result.line("hold_h")
    passed = hold is not None and hold.value is not None
    return passed or result.end - result.start >= LONGEST_MS


def warmest_of(bench: Bench) -> FloatArray:
    """Return the warmer of cabinet and product at each time; the product alone where it is newer [°C]."""
    if not bool(np.any(np.isfinite(bench.product_c))):
        return bench.cabinet_c
    return np.fmax(bench.cabinet_c, bench.product_c)


def crossing_of(t_ms: IntArray, values: FloatArray, *, limit_c: float) -> Crossing | None:
    """Return when a straight line through readings first lies above a limit, None where it never does."""
    over = np.flatnonzero(values > limit_c)
    if not over.size:
        return None
    at = int(over[0])
    if at == 0:
        return Crossing(float(t_ms[0]), 0.0)
    gap = float(t_ms[at] - t_ms[at - 1])
    share = (limit_c - values[at - 1]) / (values[at] - values[at - 1])
    return Crossing(float(t_ms[at - 1]) + gap * float(share), gap)


def _cold(values: FloatArray, settings: UnitSettings, *, vaccine: bool) -> RunTestLine:
    if not values.size:
        return not_measured("start_c", "condition", "°C", "no temperature", source=JUDGEMENT, decides=True)
    start_c = float(values[0])
    if vaccine:
        low, high = VACCINE_RANGE_C
        return condition("start_c", start_c, "°C", at_least=low, at_most=high, source=PQS_RANGE)
    most = settings.set_point_c + COLD_WITHIN_K
    source = f"set point {settings.set_point_c:g} °C and {COLD_WITHIN_K:g} K ({JUDGEMENT})"
    return condition("start_c", start_c, "°C", at_most=most, source=source)


def _power_off(bench: Bench, start_ms: int, end_ms: int) -> RunTestLine:
    """Return how long the compressor ran; a reading of the very start may still be of the run before it."""
    part = bench.within(start_ms + round(bench.interval_ms), end_ms)
    t_ms, on = bench.line(bench.series.numbers("compressor_on"), part)
    if not t_ms.size:
        return said("ran_min", 0.0, "min")
    held = np.append(np.minimum(np.diff(t_ms), bench.gap_ms), 0.0)
    ran = float(np.sum(held[on > 0.5])) / MINUTE_MS  # noqa: PLR2004 - between 0 and 1
    once = max(ran, 1.0) if bool(np.any(on > 0.5)) else 0.0  # noqa: PLR2004
    return condition("ran_min", once, "min", at_most=0.0, source="power off (the method itself)")


def _spacing(t_ms: IntArray, *, vaccine: bool) -> RunTestLine:
    most, source = (VACCINE_SPACING_S, PQS) if vaccine else (OWN_SPACING_S, JUDGEMENT)
    if t_ms.size < 2:  # noqa: PLR2004 - a spacing takes two
        return not_measured("spacing_s", "condition", "s", "no readings", source=source, decides=True)
    seconds = float(np.median(np.diff(t_ms))) / SECOND_MS
    told_s = min(seconds, most) if seconds <= most + SPACING_SLACK_S else seconds
    return condition("spacing_s", told_s, "s", at_most=most, source=source)


def _crossing_gap(crossing: Crossing | None) -> tuple[RunTestLine, ...]:
    if crossing is None:
        return ()
    minutes = crossing.gap_ms / MINUTE_MS
    return (condition("crossing_gap_min", minutes, "min", at_most=MOST_GAP_MIN, source=JUDGEMENT),)


def _hold(crossing: Crossing | None, asked: Asked, end_ms: int) -> RunTestLine:
    """Return the hours held; not having reached the limit decides only where the hours asked for are over."""
    required = asked.words.required_h
    seen_h = (end_ms - asked.start_ms) / HOUR_MS
    source = "its operator asks for it" if required is not None else "nobody gave hours to reach"
    if asked.words.vaccine:
        source = f"{source}; {PQS}"
    if crossing is not None:
        hours = (crossing.t_ms - asked.start_ms) / HOUR_MS
        if required is None:
            return told("hold_h", hours, "h", source=source)
        return result("hold_h", hours, "h", at_least=required, source=source)
    longer = f"longer than {seen_h:.1f} h: the limit was not reached"
    held = required is not None and seen_h >= required
    line = result("hold_h", seen_h, "h", at_least=required, source=source)
    state = "within" if held else "not_measured" if asked.over else "pending"
    return line.model_copy(
        update={
            "state": state,
            "value": None,
            "value_reason": longer,
            "lowest": seen_h,
            "lowest_reason": None,
        }
    )


def _lumped(
    hold: RunTestLine,
    start_c: float | None,
    limit_c: float,
    ambient_c: float | None,
    last_tau_h: float | None,
    *,
    required: bool,
) -> tuple[RunTestLine, ...]:
    """Return the time constant of the loaded cabinet, against the last test's, and hours in hotter air."""
    if limit_c <= FROZEN_BELOW_C:
        reason = "frozen food melts on the way: no single time constant"
        return (not_measured("tau_h", "told", "h", reason, source=LUMPED),)
    if hold.value is None or start_c is None or ambient_c is None or not start_c < limit_c < ambient_c:
        reason = "the limit was not reached from below, or the air around it is not known"
        return (not_measured("tau_h", "told", "h", reason, source=LUMPED),)
    tau_h = hold.value / math.log((ambient_c - start_c) / (ambient_c - limit_c))
    hot: tuple[tuple[RunTestKey, float], ...] = (("hold_at_32_h", HOT_C[0]), ("hold_at_43_h", HOT_C[1]))
    lines = [told("tau_h", tau_h, "h", source=LUMPED)]
    if last_tau_h is not None:
        source = f"time constant over that of its last valid test ({JUDGEMENT})"
        ratio = tau_h / last_tau_h
        compared = told("tau_ratio", ratio, "1", source=source)
        lines.append(
            compared if required else result("tau_ratio", ratio, "1", at_least=LEAST_TAU_RATIO, source=source)
        )
    for key, air_c in hot:
        hours = hours_to_limit(
            start_c=start_c, limit_c=limit_c, ambient_c=air_c, time_constant_s=tau_h * 3600.0
        )
        lines.append(told(key, hours, "h", source=LUMPED))
    return tuple(lines)


def _verdict(lines: tuple[RunTestLine, ...], *, over: bool) -> RunTestVerdict:
    verdict = verdict_of(lines, over=over)
    judged = any(line.role == "result" for line in lines)
    return "measured" if verdict == "pass" and not judged else verdict
