"""The lag of the food around a product probe, learned from how the probe followed the air."""

from dataclasses import dataclass

import numpy as np

from services.analytics.food.lags import LAGS_MIN, THIN_LAG_MIN, Memory, follow
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS

LEAST_MS = 24 * HOUR_MS
"""Shortest time in which both were measured that teaches a lag."""
LEAST_SAMPLES = 100
LEAST_MOVEMENT_K = 1.0
"""Food that hardly moved follows any lag equally well (judgement, no source)."""
LARGEST_RMSE_K = 0.5
"""A fit worse than this is no lag: the probe hangs in the air, or food was put in (judgement, no source)."""
RESOLUTION_K = 0.05
"""Fits this close to the best are as good: probes report at about this fineness (judgement, no source)."""
SLOW_MARGIN = 2.0
"""Other food in the cabinet may be this much slower than what the probe sits in (judgement, no source)."""
CANDIDATES_MIN = tuple(float(x) for x in np.round(np.geomspace(5.0, 1500.0, 21), 1))
LONGEST_LINE_MS = 90 * MINUTE_MS


@dataclass(frozen=True, slots=True)
class Fit:
    """A lag that explains the probe, and the range of those that do nearly as well."""

    lag_min: float
    low_min: float
    high_min: float
    rmse_k: float
    hours: float
    """Length of what it was learned from."""

    @property
    def words(self) -> str:
        """What the result says of it."""
        return (
            f"lag of the food fitted to the product probe: {self.lag_min:.0f} min ({self.low_min:.0f} to"
            f" {self.high_min:.0f}), off by {self.rmse_k:.2f} K over {self.hours:.0f} h"
        )


def fit(t_ms: IntArray, air_c: FloatArray, probe_t_ms: IntArray, probe_c: FloatArray) -> Fit | None:
    """Return the first-order lag with which a product probe followed the air; None where it teaches none.

    Every candidate lag is run from the probe's first reading over the whole stretch, with a constant
    difference between probe and air left free (air is warmer in one corner than in another), and
    the one with the smallest error stands; the range reaches to the next candidates beyond all whose error
    is no more than a tenth or 0.05 K larger.

    Parameters
    ----------
    t_ms, air_c : (n,) int64, (n,) float64
        Cabinet air, finite, times strictly increasing. [ms since 1970-01-01 UTC, °C]
    probe_t_ms, probe_c : (k,) int64, (k,) float64
        The product probe, likewise.

    Returns
    -------
    Fit or None
        None with less than 24 h of both, food that moved less than 1 K, or no lag within 0.5 K.
    """
    if t_ms.size < LEAST_SAMPLES or probe_t_ms.size < LEAST_SAMPLES:
        return None
    begin, end = max(t_ms[0], probe_t_ms[0]), min(t_ms[-1], probe_t_ms[-1])
    shared = (probe_t_ms >= begin) & (probe_t_ms <= end) & ~_within_gaps(t_ms, probe_t_ms)
    inside = (t_ms >= begin) & (t_ms <= end)
    air_t, air = t_ms[inside], air_c[inside]
    spacing = np.diff(air_t)
    known_ms = int(spacing[spacing <= LONGEST_LINE_MS].sum())
    if known_ms < LEAST_MS or int(shared.sum()) < LEAST_SAMPLES:
        return None
    times, probe = probe_t_ms[shared], probe_c[shared]
    if np.ptp(probe) < LEAST_MOVEMENT_K:
        return None
    candidates = np.array(CANDIDATES_MIN)
    offset_k = float(np.mean(probe)) - float(np.mean(np.interp(times, air_t, air)))
    start_c = np.full(candidates.size, float(probe[0]) - offset_k)
    food, _ = follow(air_t, air, lags=candidates * MINUTE_MS, memory=Memory.at(start_c))
    modelled = np.array([np.interp(times, air_t, row) for row in food])
    miss = probe - modelled
    rmse = np.sqrt(np.mean((miss - np.mean(miss, axis=1, keepdims=True)) ** 2, axis=1))
    best = int(np.argmin(rmse))
    if rmse[best] > LARGEST_RMSE_K:
        return None
    alike = np.flatnonzero(rmse <= max(1.1 * rmse[best], rmse[best] + RESOLUTION_K))
    return Fit(
        lag_min=float(candidates[best]),
        low_min=float(candidates[max(0, alike[0] - 1)]),
        high_min=float(candidates[min(candidates.size - 1, alike[-1] + 1)]),
        rmse_k=float(rmse[best]),
        hours=known_ms / HOUR_MS,
    )


def _within_gaps(t_ms: IntArray, moments: IntArray) -> "np.ndarray[tuple[int, ...], np.dtype[np.bool_]]":
    """Return which moments lie where the air was not measured for long."""
    after = np.clip(np.searchsorted(t_ms, moments), 1, t_ms.size - 1)
    return np.asarray(t_ms[after] - t_ms[after - 1] > LONGEST_LINE_MS)


def narrowed(lags: FloatArray, fitted: Fit) -> FloatArray:
    """Return the lags of the union once a probe has taught one.

    A probe speaks for food about as large as what it sits in: lags beyond twice its range go, and its
    own joins. It says nothing of thinner food beside it, so quick lags stay, but for the thinnest.

    Parameters
    ----------
    lags : (m,) float64
        The union so far, rising. [ms]
    fitted : Fit
        What the probe taught.
    """
    slowest = max(fitted.high_min * SLOW_MARGIN, LAGS_MIN[3]) * MINUTE_MS
    if slowest >= lags[-1]:
        return lags
    kept = lags[(lags < slowest) & (lags > THIN_LAG_MIN * MINUTE_MS)]
    return np.unique(np.append(kept, slowest))
