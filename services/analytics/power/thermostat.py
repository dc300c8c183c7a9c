"""The thermostat's band, learned from where the compressor stopped and started, and where it was moved to.

Cut-outs, lock-outs and opened lids only ever push a stop or a start upwards, so the band is read from the
lower end of what was seen. A set point turned by hand moves every stop alike, whatever the voltage.
"""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.frame import Frame, Runs
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS

DEFAULT_HALF_DIFFERENTIAL_K = 1.0
"""Half the thermostat's differential where the log shows too few turns (judgement, no source)."""

FEWEST_TURNS = 3
HEALTHY_V = 11.9
"""Turns above this, at 12 V, are taken for the thermostat's own: above every usual cut-out."""
LEAST_MARGIN_K = 0.5
LEAST_STOP_MARGIN_K = 0.3
LOW_END = 0.2
"""Quantile of what was seen that stands for the thermostat's own (judgement)."""
ATTEMPT_MS = 5 * MINUTE_MS
"""A run up to this long may have been an attempt at too low a voltage."""
LONG_STOP_MS = 6 * MINUTE_MS
"""A shorter stop was no turn of the thermostat but a pause between attempts."""
WIDEST_K = 4.0
NARROWEST_K = 0.4
NEAR_K = 0.5
FURTHEST_K = 3.0
"""Stops further from the set point than this, in no regular cycle, are not the thermostat's (judgement)."""
SHIFT_WINDOW = 5
"""Stops in a row that must agree before the band counts as moved."""
SHIFT_SPREAD_K = 0.3
LEAST_SHIFT_K = 0.5


@dataclass(frozen=True, slots=True)
class Band:
    """Where the thermostat stops and starts the compressor, against the set point."""

    stop_k: float
    start_k: float
    margin_k: float
    """How far past the band counts as past it: half its width, its scatter, at least 0.5 K."""
    stop_margin_k: float
    """As `margin_k`, for a stop after which the compressor did not start again: scatter, at least 0.3 K."""
    learned: bool

    @property
    def stopped_above_k(self) -> float:
        """A stop above this was not quite the thermostat's."""
        return self.stop_k + self.stop_margin_k

    @property
    def warm_above_k(self) -> float:
        """A stop above this was clearly not the thermostat's."""
        return self.stop_k + self.margin_k

    @property
    def started_above_k(self) -> float:
        """A compressor that still stands a while after this was passed is late."""
        return self.start_k + self.stop_margin_k

    @property
    def locked_above_k(self) -> float:
        """A cabinet above this with the compressor still would have started it."""
        return self.start_k + self.margin_k


@dataclass(frozen=True)
class _Turns:
    """Every seen stop of the compressor."""

    off_at: IntArray
    """First sample after each."""
    level_k: FloatArray
    v_on: FloatArray
    on_ms: IntArray
    off_ms: IntArray
    width_k: FloatArray
    """From the stop to the next start; NaN where none was seen."""


def _turns(frame: Frame, runs: Runs) -> _Turns:
    ended = np.flatnonzero(runs.on[:-1] & runs.joined[:-1]) if runs.on.size else np.empty(0, np.int64)
    off_run = ended + 1
    off_at = runs.first[off_run]
    level = np.fmin(frame.above_set_k[off_at], frame.above_set_k[runs.last[ended]])
    later = np.minimum(off_run + 1, runs.first.size - 1) if ended.size else off_run
    started = runs.joined[off_run] & (later > off_run)
    start_k = np.fmax(frame.above_set_k[runs.first[later]], frame.above_set_k[runs.last[off_run]])
    return _Turns(
        off_at=off_at,
        level_k=level,
        v_on=frame.volts_12[runs.last[ended]],
        on_ms=runs.end_ms[ended] - runs.start_ms[ended],
        off_ms=runs.end_ms[off_run] - runs.start_ms[off_run],
        width_k=np.where(started, start_k - level, np.nan),
    )


def band_of(frame: Frame, runs: Runs) -> Band:
    """Return the thermostat's band of one log.

    Parameters
    ----------
    frame : Frame
        Samples.
    runs : Runs
        Their runs.

    Returns
    -------
    Band
        The lower end of stops, and of the rise from stop to start in ordinary stops, healthy ones where
        there are enough; the set point ± 1 K with fewer than three.
    """
    turns = _turns(frame, runs)
    known = np.isfinite(turns.level_k)
    usable = known
    for better in (turns.on_ms > ATTEMPT_MS, ~(turns.v_on <= HEALTHY_V)):
        if int(np.sum(usable & better)) >= FEWEST_TURNS:
            usable = usable & better
    half = DEFAULT_HALF_DIFFERENTIAL_K
    if int(np.sum(usable)) < FEWEST_TURNS:
        return Band(-half, half, half, LEAST_STOP_MARGIN_K, learned=False)
    stop_k = float(np.quantile(turns.level_k[usable], LOW_END))
    ordinary = usable & (np.abs(turns.level_k - stop_k) <= NEAR_K) & (turns.off_ms >= LONG_STOP_MS)
    width = turns.width_k[ordinary & np.isfinite(turns.width_k)]
    width_k = float(np.quantile(width, LOW_END)) if width.size >= FEWEST_TURNS else 0.0
    learned = NARROWEST_K <= width_k <= WIDEST_K
    if not learned and abs(stop_k) > FURTHEST_K:
        return Band(-half, half, half, LEAST_STOP_MARGIN_K, learned=False)
    if width.size < FEWEST_TURNS:
        return Band(stop_k, stop_k + 2.0 * half, half, LEAST_STOP_MARGIN_K, learned=False)
    width_k = width_k if learned else 2.0 * half
    spread = _spread(turns.level_k[usable & (np.abs(turns.level_k - stop_k) <= NEAR_K)])
    margin = max(LEAST_MARGIN_K, 0.5 * width_k, 3.0 * spread)
    return Band(stop_k, stop_k + width_k, margin, max(LEAST_STOP_MARGIN_K, 3.0 * spread), learned=learned)


def moved_k(frame: Frame, runs: Runs, band: Band) -> FloatArray:
    """Return how far the band lies above the one learned, at every sample.

    Parameters
    ----------
    frame : Frame
        Samples.
    runs : Runs
        Their runs.
    band : Band
        As learned from the whole log.

    Returns
    -------
    (n,) float64
        0 but where five stops in a row agreed on another level though not on one voltage: a set point
        turned up, or a thermostat that reads low. Between two stops the higher one counts. [K]
    """
    shift = np.zeros(len(frame))
    turns = _turns(frame, runs)
    if turns.level_k.size < SHIFT_WINDOW or not band.learned:
        return shift
    levels = np.lib.stride_tricks.sliding_window_view(turns.level_k, SHIFT_WINDOW)
    volts = np.lib.stride_tricks.sliding_window_view(turns.v_on, SHIFT_WINDOW)
    middle = np.median(levels, axis=1)
    scatter = np.median(np.abs(levels - middle[:, None]), axis=1)
    away = middle - band.stop_k > max(LEAST_SHIFT_K, band.stop_margin_k)
    moved = (scatter <= SHIFT_SPREAD_K / 2.0) & ~(np.median(volts, axis=1) <= HEALTHY_V) & away
    at_stop = np.zeros(turns.level_k.shape)
    for back in range(SHIFT_WINDOW):
        own = slice(back, back + moved.size)
        near = moved & (np.abs(turns.level_k[own] - middle) <= NEAR_K)
        at_stop[own] = np.maximum(at_stop[own], np.where(near, middle - band.stop_k, 0.0))
    before = np.concatenate([[0.0], at_stop])
    after = np.concatenate([at_stop, [at_stop[-1]]])
    place = np.searchsorted(turns.off_at, np.arange(len(frame)), side="right")
    return np.asarray(np.maximum(before, after)[place], dtype=np.float64)


def _spread(values: FloatArray) -> float:
    """Return a standard deviation that a few odd values do not move."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
