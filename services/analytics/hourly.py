"""Time above a limit and charge through a cable, hour by hour: what adds up to days and years.

The pairs of readings are those of `exposure.line_parts`, so that hours add up to what a food clock counts
on the same readings.
"""

import numpy as np

from services.analytics.food.exposure import gaps, line_parts
from services.analytics.food.intervals import Intervals
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, MINUTE_MS


def above_each(
    t_ms: IntArray, value_c: FloatArray, *, limit_c: float, gap_ms: float, edges_ms: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return how long readings lay above a limit, and of how much time it is known, per stretch.

    Parameters
    ----------
    t_ms : (n,) int64
        Times of the readings, strictly increasing. [ms since 1970-01-01 UTC]
    value_c : (n,) float64
        Readings, all finite. [°C]
    limit_c : float
        The limit; a reading on it is not above. [°C]
    gap_ms : float
        The longest pair of readings a line is drawn across. [ms]
    edges_ms : (m + 1,) int64
        Where the stretches begin and end, increasing. [ms since 1970-01-01 UTC]

    Returns
    -------
    above_ms, told_ms : (m,) float64
        Time above the limit, and time of which it can be told whether it was above. [ms]
    """
    parts = line_parts(t_ms, value_c, limit_c=limit_c, gap_ms=gap_ms)
    above_ms = _within(parts.above, edges_ms)
    if not t_ms.size:
        return above_ms, np.zeros_like(above_ms)
    heard = Intervals.of(t_ms[:1].astype(np.float64), t_ms[-1:].astype(np.float64))
    return above_ms, _within(heard, edges_ms) - _within(parts.unknown, edges_ms)


def charge_each(
    t_ms: IntArray, current_a: FloatArray, *, gap_ms: float, edges_ms: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the charge drawn, the charge given back, and the time it was measured, per stretch.

    Between two readings the current is the straight line through them; where it crosses nothing, each
    side counts for itself. No charge is made up for time without readings.

    Parameters
    ----------
    t_ms, gap_ms, edges_ms
        As for `above_each`.
    current_a : (n,) float64
        Readings, all finite; above nothing is drawn by the unit. [A]

    Returns
    -------
    drawn_ah, given_ah : (m,) float64
        Charge of either direction, neither negative. [Ah]
    told_ms : (m,) float64
        Time with a line through it. [ms]
    """
    drawn_ah, given_ah, told_ms = (np.zeros(edges_ms.size - 1) for _ in range(3))
    if t_ms.size < 2:  # noqa: PLR2004 - a line needs two ends
        return drawn_ah, given_ah, told_ms
    times = (t_ms - t_ms[0]).astype(np.float64)
    gap, _ = gaps(np.diff(times), np.zeros(times.size - 1, dtype=np.bool_), gap_ms=gap_ms)
    # cut at edges and where the line crosses nothing: each piece then lies in one stretch, on one side
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = times[:-1] - current_a[:-1] * np.diff(times) / np.diff(current_a)
    crossing = crossing[current_a[:-1] * current_a[1:] < 0.0]
    edges = (edges_ms - t_ms[0]).astype(np.float64)
    inside = edges[(edges > 0.0) & (edges < times[-1])]
    cuts = np.unique(np.concatenate((times, crossing, inside)))
    amps = np.interp(cuts, times, current_a)
    middle, lasts = (cuts[:-1] + cuts[1:]) / 2, np.diff(cuts)
    stretch = np.searchsorted(edges, middle, side="right") - 1
    pair = np.searchsorted(times, middle, side="right") - 1
    keep = (stretch >= 0) & (stretch < drawn_ah.size) & ~gap[pair]
    piece_ah = (amps[:-1] + amps[1:]) / 2 * lasts / HOUR_MS
    for into, part in ((drawn_ah, np.maximum(piece_ah, 0.0)), (given_ah, np.maximum(-piece_ah, 0.0))):
        np.add.at(into, stretch[keep], part[keep])
    np.add.at(told_ms, stretch[keep], lasts[keep])
    return drawn_ah, given_ah, told_ms


def _within(spans: Intervals, edges_ms: IntArray) -> FloatArray:
    edges = edges_ms.astype(np.float64)
    return spans.minutes_between(edges[:-1], edges[1:]) * MINUTE_MS
