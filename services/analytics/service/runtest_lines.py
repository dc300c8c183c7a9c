"""Lines of a test: a quantity beside its limit, and the conditions without which a test is not valid."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.analytics.service.stretch import Bench, level_of
from services.domain import RunTestKey, RunTestLine, RunTestWords
from services.telemetry import FloatArray
from services.timebase import HOUR_MS, MINUTE_MS

PRACTICE = "common practice, no source"
JUDGEMENT = "judgement, no source"
LENGTH_H = 12.0
LEAST_AMBIENT_C = 20.0
LEAST_SUPPLY_V = 12.2
"""At 12 V; twice that at 24 V."""
MOST_MISSING = 0.05
SET_POINT_STEP_K = 0.05
QUARTER_MS = 15 * MINUTE_MS
_SAID = "nothing measures it; the technician's word"

Role = Literal["condition", "result"]


@dataclass(frozen=True, slots=True)
class Asked:
    """Which test, from when to when, under which conditions."""

    start_ms: int
    end_ms: int
    """Its end, or now while it runs. [ms]"""
    words: RunTestWords
    over: bool = True
    """Whether it has ended; while it runs nothing is concluded."""
    described_anew: bool = False
    """Whether somebody changed the unit's set point in the file meanwhile."""


def _line(
    key: RunTestKey,
    role: Role,
    value: float,
    unit: str,
    source: str,
    *,
    at_least: float | None = None,
    at_most: float | None = None,
    spread: tuple[float, float] | None = None,
) -> RunTestLine:
    if not math.isfinite(value):  # which no limit would hold back
        return not_measured(key, role, unit, "no number came of it", source=source, decides=True)
    short = at_least is not None and value < at_least
    over = at_most is not None and value > at_most
    low, high = (None, None) if spread is None else spread
    return RunTestLine(
        key=key,
        role=role,
        state="outside" if short or over else "within",
        value=value,
        lowest=low,
        highest=high,
        at_least=at_least,
        at_most=at_most,
        unit=unit,
        source=source,
    )


def result(
    key: RunTestKey,
    value: float,
    unit: str,
    *,
    source: str,
    at_least: float | None = None,
    at_most: float | None = None,
) -> RunTestLine:
    """Return a line that makes a test fail when it is out of its limit."""
    return _line(key, "result", value, unit, source, at_least=at_least, at_most=at_most)


def condition(
    key: RunTestKey,
    value: float,
    unit: str,
    *,
    source: str,
    at_least: float | None = None,
    at_most: float | None = None,
    spread: tuple[float, float] | None = None,
) -> RunTestLine:
    """Return a line that makes a test not valid when it is out of its limit."""
    return _line(key, "condition", value, unit, source, at_least=at_least, at_most=at_most, spread=spread)


def told(key: RunTestKey, value: float, unit: str, *, source: str) -> RunTestLine:
    """Return a line that decides nothing."""
    return RunTestLine(key=key, role="told", state="told", value=value, unit=unit, source=source)


def not_measured(
    key: RunTestKey,
    role: Literal["condition", "result", "told"],
    unit: str,
    reason: str,
    *,
    source: str,
    decides: bool = False,
) -> RunTestLine:
    """Return a line that nothing measured; one that decides keeps a test from passing."""
    return RunTestLine(
        key=key,
        role=role,
        state="not_measured",
        value=None,
        value_reason=reason,
        unit=unit,
        decides=decides,
        source=source,
    )


def said(key: RunTestKey, value: float, unit: str) -> RunTestLine:
    """Return a condition that nothing measured, and that the technician says was kept."""
    return RunTestLine(
        key=key, role="condition", state="said", value=value, unit=unit, decides=False, source=_SAID
    )


def because_of(lines: Sequence[RunTestLine], *, over: bool) -> tuple[RunTestKey, ...]:
    """Return what stands in the way of a pass; while a test runs, only what is out of a limit already."""
    return tuple(line.key for line in lines if line.speaks and (over or line.state == "outside"))


def condition_lines(bench: Bench, asked: Asked) -> tuple[RunTestLine, ...]:
    """Return the conditions of a run test."""
    start_ms, end_ms = asked.start_ms, min(asked.end_ms, asked.start_ms + round(LENGTH_H * HOUR_MS))
    return (
        _length(start_ms, end_ms, over=asked.over),
        missing_line(bench, bench.cabinet_c, start_ms, end_ms),
        ambient_line(bench, asked.words.ambient_by_hand_c, start_ms, end_ms),
        lid_line(bench, start_ms, end_ms, shut=asked.words.lid_shut),
        _supply(bench, start_ms, end_ms),
        _set_point(bench, start_ms, end_ms, described_anew=asked.described_anew),
    )


def _length(start_ms: int, end_ms: int, *, over: bool) -> RunTestLine:
    hours = (end_ms - start_ms) / HOUR_MS
    if over:
        return condition("length_h", hours, "h", at_least=LENGTH_H, source=PRACTICE)
    line = condition("length_h", hours, "h", source=PRACTICE)
    return line.model_copy(update={"state": "pending", "at_least": LENGTH_H, "at_least_reason": None})


def missing_line(bench: Bench, column: FloatArray, start_ms: int, end_ms: int) -> RunTestLine:
    """Return the share of readings due that are not there, those that cannot be trusted among them."""
    share = bench.missing_share(column, start_ms, end_ms)
    return condition("missing_share", share, "1", at_most=MOST_MISSING, source=JUDGEMENT)


def ambient_line(bench: Bench, by_hand_c: Sequence[float], start_ms: int, end_ms: int) -> RunTestLine:
    """Return the mean of the air around it, with its range: measured, else as read by hand."""
    t_ms, values = bench.line(bench.ambient_c, bench.within(start_ms, end_ms))
    level = level_of(t_ms, values, gap_ms=bench.gap_ms)
    mean: float | None = None
    spread: tuple[float, float] | None = None
    source = JUDGEMENT
    if level is not None:
        mean, spread = level.mean, (level.lowest, level.highest)
    elif len(by_hand_c) > 0:
        mean, spread = float(np.mean(by_hand_c)), (min(by_hand_c), max(by_hand_c))
        source = f"{JUDGEMENT}; read by hand {len(by_hand_c)} times"
    if mean is None:
        reason = "no channel measures the air around it, and nobody read it by hand"
        return not_measured("ambient_c", "condition", "°C", reason, source=JUDGEMENT, decides=True)
    return condition("ambient_c", mean, "°C", at_least=LEAST_AMBIENT_C, spread=spread, source=source)


def lid_line(bench: Bench, start_ms: int, end_ms: int, *, shut: bool | None) -> RunTestLine:
    """Return how long the lid stood open: measured, else by the technician's word."""
    part = bench.within(start_ms, end_ms)
    t_ms, opened = bench.line(bench.series.numbers("lid_open"), part)
    if t_ms.size:
        held = np.append(np.minimum(np.diff(t_ms), bench.gap_ms), 0.0)
        minutes = float(np.sum(held[opened > 0.5])) / MINUTE_MS  # noqa: PLR2004 - between 0 and 1
        once = max(minutes, 1.0) if bool(np.any(opened > 0.5)) else 0.0  # noqa: PLR2004
        return condition("lid_open_min", once, "min", at_most=0.0, source=JUDGEMENT)
    if shut:
        return said("lid_open_min", 0.0, "min")
    reason = "no channel measures the lid, and nobody says it stayed shut"
    line = not_measured("lid_open_min", "condition", "min", reason, source=JUDGEMENT, decides=True)
    if shut is None:
        return line
    return line.model_copy(update={"state": "outside", "value_reason": "opened, by the technician's word"})


def _supply(bench: Bench, start_ms: int, end_ms: int) -> RunTestLine:
    """Return the lowest quarter of an hour of the voltage at the unit, at rest where it ever rests."""
    scale = bench.settings.nominal_v / 12.0
    if not bench.settings.has_battery:
        fed = f"fed from {bench.settings.unit.supply.kind}, no battery"
        return not_measured("supply_low_v", "condition", "V", fed, source=JUDGEMENT)
    part = bench.within(start_ms, end_ms)
    volts, on = bench.series.numbers("battery_v")[part], bench.series.numbers("compressor_on")[part]
    at_rest = np.isfinite(volts) & (on < 0.5)  # noqa: PLR2004 - between 0 and 1
    known = at_rest if bool(np.any(at_rest)) else np.isfinite(volts)
    if not bool(np.any(known)):
        reason = "the voltage at the unit was not measured"
        return not_measured("supply_low_v", "condition", "V", reason, source=JUDGEMENT, decides=True)
    quarter = (bench.series.t_ms[part][known] - start_ms) // QUARTER_MS
    _, place = np.unique(quarter, return_inverse=True)
    means = np.bincount(place, weights=volts[known]) / np.bincount(place)
    where = "at rest" if bool(np.any(at_rest)) else "under load, as it never rested"
    source = f"{JUDGEMENT}; lowest mean of 15 min at the unit, {where}"
    return condition(
        "supply_low_v", float(np.min(means)), "V", at_least=LEAST_SUPPLY_V * scale, source=source
    )


def _set_point(bench: Bench, start_ms: int, end_ms: int, *, described_anew: bool) -> RunTestLine:
    _, values = bench.line(bench.series.numbers("set_point_c"), bench.within(start_ms, end_ms))
    if values.size:
        moved = float(np.max(values) - np.min(values))
        return condition("set_point_moved_k", moved, "K", at_most=SET_POINT_STEP_K, source=JUDGEMENT)
    reason = "the unit does not report its set point; taken as the file gives it"
    line = not_measured("set_point_moved_k", "condition", "K", reason, source=JUDGEMENT)
    if not described_anew:
        return line
    return line.model_copy(
        update={"state": "outside", "value_reason": "described with another one meanwhile"}
    )
