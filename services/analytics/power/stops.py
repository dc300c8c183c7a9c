"""Every seen stop of the compressor with what came before and after it, as columns."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.thermostat import Band
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS

RECENT_STEPS = 5
RECENT_MS = 48 * HOUR_MS
"""What the voltage is expected to fall by at a start is read from so many stops, no older than this."""

SUSTAINED = 2
"""Samples in a row above a line before it counts as passed: an opened lid or noise is one."""


@dataclass(frozen=True)
class Stops:
    """One row per run that ended without a gap."""

    run: IntArray
    on_at: IntArray
    """Last sample with the compressor on."""
    v_on: FloatArray
    v_off: FloatArray
    warm: BoolArray
    """Clearly before the thermostat was satisfied."""
    early: BoolArray
    """At least a little before it."""
    locked: BoolArray
    """The cabinet climbed well past where the thermostat would have started."""
    late_at: IntArray
    """Sample at which the thermostat would have started it; -1 where it never came so far."""
    late_ms: IntArray
    """How long it was still seen standing after that."""
    late_v: FloatArray
    """Voltage in that time; that of the whole stop where there was none. [V at 12 V]"""
    started_v: FloatArray
    """Voltage just before it ran again; NaN where it did not. [V at 12 V]"""
    off_ms: IntArray
    sag_v: FloatArray
    """What the voltage fell by when it ran lately; NaN where unknown. [V at 12 V]"""
    tripped: BoolArray
    """The unit said over-temperature."""


def first_off_volts(frame: Frame, runs: Runs, off_run: IntArray) -> FloatArray:
    """Return the higher of the first two voltages after a stop: the first may still be the loaded one."""
    first = runs.first[off_run]
    second = np.minimum(first + 1, runs.last[off_run])
    return np.asarray(np.fmax(frame.volts_12[first], frame.volts_12[second]), dtype=np.float64)


def last_volts(frame: Frame, at: IntArray) -> FloatArray:
    """Return the voltage at samples, or at the one before where it is missing and of the same state."""
    volts = frame.volts_12[at]
    before = np.clip(at - 1, 0, None)
    usable = ~np.isfinite(volts) & (frame.on[before] if len(frame) else np.zeros(0, bool))
    return np.asarray(np.where(usable, frame.volts_12[before], volts), dtype=np.float64)


def stops_of(frame: Frame, runs: Runs, band: Band) -> Stops:
    """Return every run that ended in a seen stop, with what followed it.

    Parameters
    ----------
    frame : Frame
        Samples; `above_set_k` already less what a thermostat was moved by.
    runs : Runs
        Their runs.
    band : Band
        The thermostat's.
    """
    ended = np.flatnonzero(runs.on[:-1] & runs.joined[:-1]) if runs.on.size else np.empty(0, np.int64)
    off_run = ended + 1
    on_at = runs.last[ended]
    v_on, v_off = last_volts(frame, on_at), first_off_volts(frame, runs, off_run)
    level = np.where(np.isfinite(frame.above_set_k), frame.above_set_k, -np.inf)
    peaks = np.maximum.reduceat(level, runs.first) if runs.first.size else np.empty(0)
    coldest = np.fmin(frame.above_set_k[on_at], frame.above_set_k[runs.first[off_run]])
    late_at = _late_at(level, runs, off_run, band.started_above_k)
    late = late_at >= 0
    from_ms = frame.t_ms[np.maximum(late_at, 0)]
    return Stops(
        run=ended,
        on_at=on_at,
        v_on=v_on,
        v_off=v_off,
        warm=np.asarray(coldest > band.warm_above_k, dtype=np.bool_),
        early=np.asarray(coldest > band.stopped_above_k, dtype=np.bool_),
        locked=np.asarray(peaks[off_run] > band.locked_above_k, dtype=np.bool_),
        late_at=late_at,
        late_ms=np.where(late, frame.t_ms[runs.last[off_run]] - from_ms, 0),
        late_v=_medians(frame, np.where(late, late_at, runs.first[off_run]), runs.last[off_run]),
        started_v=np.where(
            runs.joined[off_run],
            _medians(frame, np.maximum(runs.last[off_run] - 2, runs.first[off_run]), runs.last[off_run]),
            np.nan,
        ),
        off_ms=runs.end_ms[off_run] - runs.start_ms[off_run],
        sag_v=_recent_sag(frame.t_ms[on_at], v_on, v_off),
        tripped=np.asarray(
            frame.over_temperature[on_at] | frame.over_temperature[runs.first[off_run]], dtype=np.bool_
        ),
    )


def _late_at(level: FloatArray, runs: Runs, off_run: IntArray, above_k: float) -> IntArray:
    """Return the first sample of each off run from which the level stays above a line for two samples."""
    over = level > above_k
    lasting = over.copy()
    for ahead in range(1, SUSTAINED):
        lasting[:-ahead] &= over[ahead:]
    at = np.flatnonzero(lasting)
    place = np.searchsorted(at, runs.first[off_run])
    found = np.append(at, level.size)[place]
    return np.asarray(np.where(found < runs.last[off_run], found, -1), dtype=np.int64)


def _medians(frame: Frame, first: IntArray, last: IntArray) -> FloatArray:
    """Return the median voltage of sample ranges; ends and middle stand for long ones."""
    places = np.linspace(0.0, 1.0, 7)
    rows = first[:, None] + np.round((last - first)[:, None] * places).astype(np.int64)
    volts = frame.volts_12[rows] if rows.size else np.empty((0, places.size))
    known = np.isfinite(volts)
    filled = np.where(known, volts, np.inf)
    ordered = np.sort(filled, axis=1)
    count = known.sum(axis=1)
    middle = np.clip((count - 1) // 2, 0, None)
    value = ordered[np.arange(rows.shape[0]), middle] if rows.size else np.empty(0)
    return np.asarray(np.where(count > 0, value, np.nan), dtype=np.float64)


def _recent_sag(t_ms: IntArray, v_on: FloatArray, v_off: FloatArray) -> FloatArray:
    """Return the largest of the last few steps up to each stop: resistance grows, it does not shrink.

    A step taken while a charger holds the voltage shows the cable alone, so it counts as at least.
    """
    usable = np.isfinite(v_on) & np.isfinite(v_off) & (v_off > 0.5 * v_on)
    step = np.where(usable, np.maximum(v_off - v_on, 0.0), -np.inf)
    best = np.full(step.shape, -np.inf)
    for back in range(min(RECENT_STEPS, step.size)):
        shifted = step[: step.size - back]
        recent = t_ms[back:] - t_ms[: t_ms.size - back] <= RECENT_MS
        best[back:] = np.maximum(best[back:], np.where(recent, shifted, -np.inf))
    return np.where(np.isfinite(best), best, np.nan)
