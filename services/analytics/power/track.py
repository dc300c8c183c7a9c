"""What the charge filter walks along: marks in time with what happened between and at them."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from services.analytics.power.capacity import usable_share
from services.analytics.power.charging import absorption_starts_ms
from services.analytics.power.curves import RestCurve
from services.analytics.power.frame import BoolArray, Frame
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS

STEP_MS = 15 * MINUTE_MS
"""Steps of the filter lie at most this far apart in the last month."""
FINE_MS = 30 * DAY_MS
READING_SD = 0.08
"""What one rest voltage an hour scatters about its curve, in state of charge: the hours of one night have
much of it in common (judgement, no source)."""
READ_MS, COARSE_MS = HOUR_MS, 6 * HOUR_MS
"""One rest voltage for each of these, in the last month and further back: neighbours tell the same."""
SILENT_MS = 2 * HOUR_MS
"""Through a longer silence something may have charged or drawn."""
LEAD_TAPER_H, LITHIUM_TAPER_H = 1.2, 0.3
"""At absorption voltage the missing charge of lead-acid falls with an hour's time constant, the ampere-hour
law (Vinal, Storage Batteries, from memory), over the coulombic efficiency; lithium by judgement. [h]"""
LEAD_NOT_RETURNED, LITHIUM_NOT_RETURNED = 0.5, 0.15
"""A charge that seems full while the count misses some is doubted by this share of it: lead-acid far down a
charger's cable looks full for hours before it is, lithium only shows such a voltage near full (judgement)."""
HOTTER_MS = DAY_MS
"""A battery's temperature follows the mean of the last day (judgement: tens of kilograms of lead)."""


@dataclass(frozen=True)
class Rests:
    """Voltages read as states of charge."""

    at: IntArray
    """Sample numbers."""
    soc: FloatArray
    sd: FloatArray
    """Standard deviation; common to readings of one kind, so that averaging does not lower it."""
    flat: BoolArray
    """Read on the flat part of lithium iron phosphate, where a voltage says next to nothing."""


@dataclass(frozen=True)
class Track:
    """Marks and the steps that end at them; the first step is empty."""

    t_ms: IntArray
    hours: FloatArray
    used: FloatArray
    """Counted charge over the capacity believed, at the bank's temperature."""
    charging: BoolArray
    absorbing_h: FloatArray
    silent_h: FloatArray
    starts_day: BoolArray
    full: BoolArray
    absorbs: BoolArray
    """Where charging first reaches absorption voltage."""
    reading: FloatArray
    """State of charge by the rest table, NaN where nothing is read."""
    reading_sd: FloatArray
    """Its standard deviation."""
    flat: BoolArray
    """Where it lies on the flat part of lithium iron phosphate."""
    leak_per_h: float
    taper_h: float
    """Time constant of the missing charge at absorption voltage. [h]"""
    not_returned: float
    """How far a charge that seems full is doubted, as a share of what the count misses."""
    temperature_share: float
    """What temperature makes of the capacity at the last mark."""
    curve_sd: float
    bank: str
    sunlit: BoolArray
    """Where a panel may have given something in the step."""


def track_of(
    frame: Frame,
    *,
    charging: BoolArray,
    full_ms: IntArray,
    found: Rests,
    ah: FloatArray,
    capacity_ah: float,
    curve: RestCurve,
    lithium: bool,
    from_ms: int | None,
    bank: str,
    sunlit: Callable[[IntArray], BoolArray],
) -> Track:
    """Lay out the marks of one log.

    Parameters
    ----------
    frame : Frame
        Samples; not empty.
    charging : (n,) bool
        Where something charges the bank.
    full_ms : (m,) int64
        When it was full. [ms]
    found : Rests
        Rest voltages fit to be read.
    ah : (n,) float64
        Charge counted out since the first sample. [Ah]
    capacity_ah : float
        Believed capacity at 25 °C. [Ah]
    curve : RestCurve
        Absorption voltage and spread of the table.
    lithium : bool
        Chooses the temperature table.
    from_ms : int or None
        Where to start: a day whose start is known; None for the first sample. [ms]
    bank : str
        What the filter's memory is keyed by.
    sunlit : callable
        Tells at which instants a panel may give something.
    """
    t_ms = frame.t_ms
    begin_ms = int(t_ms[0])
    if from_ms is not None and from_ms >= begin_ms - frame.gap_ms:
        begin_ms = from_ms
    end_ms = int(t_ms[-1])
    kept = _thinned(t_ms[found.at], end_ms)
    at = found.at[kept]
    switches = t_ms[1:][charging[1:] != charging[:-1]]
    absorbs_ms = (
        absorption_starts_ms(t_ms, frame.volts_12, charging, curve)
        if curve.full_hold_s > 0
        else np.empty(0, np.int64)
    )
    days = np.arange(-(-begin_ms // DAY_MS) * DAY_MS, end_ms + 1, DAY_MS)
    base = np.unique(np.concatenate([[begin_ms, end_ms], t_ms[at], switches, full_ms, absorbs_ms, days]))
    base = base[(base >= begin_ms) & (base <= end_ms)]
    marks = _filled(base, end_ms)
    hours = np.diff(marks, prepend=marks[0]) / HOUR_MS
    usable = usable_share(_bank_c(frame, marks), lithium=lithium)
    used = np.diff(np.interp(marks, t_ms, ah), prepend=np.interp(marks[0], t_ms, ah)) / (capacity_ah * usable)
    held = np.where(charging & (frame.volts_12 >= curve.full_above_v - 0.2), frame.held_ms, 0)
    silent = np.where(frame.broken & (np.diff(t_ms) > SILENT_MS), np.diff(t_ms), 0)
    before = np.clip(
        np.searchsorted(t_ms, np.concatenate([marks[:1], marks[:-1]]), side="right") - 1, 0, None
    )
    reading, reading_sd = np.full(marks.size, np.nan), np.zeros(marks.size)
    flat = np.zeros(marks.size, dtype=np.bool_)
    place, inside = _places(marks, t_ms[at])
    reading[place] = found.soc[kept][inside]
    reading_sd[place], flat[place] = found.sd[kept][inside], found.flat[kept][inside]
    silent_h = _between(marks, t_ms, np.concatenate([[0], np.cumsum(silent)]))
    return Track(
        t_ms=marks,
        hours=hours,
        used=used,
        charging=charging[before] & (silent_h < 0.5 * hours + 1e-9),
        absorbing_h=np.minimum(_between(marks, t_ms, np.concatenate([[0], np.cumsum(held[:-1])])), hours),
        silent_h=silent_h,
        starts_day=(marks % DAY_MS == 0) & (marks > begin_ms),
        full=np.isin(marks, full_ms),
        absorbs=np.isin(marks, absorbs_ms),
        reading=reading,
        reading_sd=reading_sd,
        flat=flat,
        leak_per_h=curve.leak_per_month / (30.44 * 24.0),
        taper_h=LITHIUM_TAPER_H if lithium else LEAD_TAPER_H,
        not_returned=LITHIUM_NOT_RETURNED if lithium else LEAD_NOT_RETURNED,
        temperature_share=float(usable[-1]),
        curve_sd=curve.soc_sd,
        bank=bank,
        sunlit=sunlit(marks),
    )


def _thinned(t_ms: IntArray, end_ms: int) -> BoolArray:
    """Return which readings are used: the last of every hour, further back than a month of every six."""
    block = np.where(t_ms >= end_ms - FINE_MS, t_ms // READ_MS, t_ms // COARSE_MS - t_ms[-1:] // READ_MS)
    newest = np.ones(t_ms.shape, dtype=np.bool_)
    newest[:-1] = block[1:] != block[:-1]
    return newest


def _filled(base: IntArray, end_ms: int) -> IntArray:
    """Return marks with steps put between those too far apart."""
    fine_from = max(int(base[0]), end_ms - FINE_MS)
    grid = np.arange(-(-fine_from // STEP_MS) * STEP_MS, end_ms, STEP_MS)
    right = np.searchsorted(base, grid)
    wide = (right > 0) & (right < base.size)
    right = np.clip(right, 1, base.size - 1) if base.size > 1 else right
    if base.size > 1:
        wide &= base[right] - base[right - 1] > STEP_MS
    return np.unique(np.concatenate([base, grid[wide]])).astype(np.int64)


def _between(marks: IntArray, t_ms: IntArray, running: IntArray) -> FloatArray:
    """Return how much of a running total of milliseconds falls into each step [h]."""
    at = np.interp(marks, t_ms, running)
    return np.asarray(np.diff(at, prepend=at[0]) / HOUR_MS, dtype=np.float64)


def _places(marks: IntArray, t_ms: IntArray) -> tuple[IntArray, BoolArray]:
    """Return which mark each instant is, of those that are marks."""
    place = np.clip(np.searchsorted(marks, t_ms), 0, marks.size - 1)
    inside = np.asarray(marks[place] == t_ms, dtype=np.bool_)
    return place[inside], inside


def _bank_c(frame: Frame, marks: IntArray) -> FloatArray:
    """Return the mean ambient of the day before each mark; NaN where none was measured [°C]."""
    known = np.isfinite(frame.ambient_c)
    if not bool(np.any(known)):
        return np.full(marks.size, np.nan)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, frame.ambient_c, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    high = np.searchsorted(frame.t_ms, marks, side="right")
    low = np.searchsorted(frame.t_ms, marks - HOTTER_MS)
    seen = count[high] - count[low]
    return np.asarray(
        np.where(seen > 0, (total[high] - total[low]) / np.maximum(seen, 1), np.nan), dtype=np.float64
    )
