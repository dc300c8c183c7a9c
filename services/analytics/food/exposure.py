"""Minutes above a limit on readings joined by straight lines, with gaps kept unknown."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from services.analytics.food.intervals import Intervals
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS

BoolArray = npt.NDArray[np.bool_]

BOTH_ENDS_MS = 360 * MINUTE_MS
"""A gap no longer than this with both ends above counts as above (design decision "gap limit")."""


@dataclass(frozen=True, slots=True)
class Parts:
    """The stretches above a limit and those nobody can tell; all other time was not above."""

    above: Intervals
    unknown: Intervals


def line_parts(t_ms: IntArray, value_c: FloatArray, *, limit_c: float, gap_ms: float) -> Parts:
    """Return when a straight line through the readings lies strictly above a limit.

    The crossing is solved, not rounded to a sample; a reading equal to the limit complies. A pair
    further apart than `gap_ms` is unknown, except that with both ends above it counts as above when
    it lasts no longer than 360 min.

    Parameters
    ----------
    t_ms : (n,) int64
        Times of the readings, strictly increasing. [ms since 1970-01-01 UTC]
    value_c : (n,) float64
        Readings, all finite. [°C]
    limit_c : float
        The limit. [°C]
    gap_ms : float
        The longest pair a line is drawn across. [ms]

    Returns
    -------
    Parts
        Both sets lie inside ``[t_ms[0], t_ms[-1])`` and are disjoint.

    Raises
    ------
    ValueError
        If the arrays differ in length, times do not increase, or a reading is not finite.

    References
    ----------
    .. [1] FSANZ, 2-hour/4-hour rule, adds up every period above 5 °C; that crossings are solved on a
       straight line, and that gaps are kept apart, is this project's reading: no document says.
    """
    if t_ms.shape != value_c.shape:
        raise ValueError(f"{t_ms.size} times for {value_c.size} readings")
    if t_ms.size < 2:  # noqa: PLR2004 - a line needs two ends
        return Parts(Intervals.empty(), Intervals.empty())
    if not bool((t_ms[1:] > t_ms[:-1]).all()) or not bool(np.isfinite(value_c).all()):
        raise ValueError("times must increase strictly and readings be finite")
    start, end = t_ms[:-1].astype(np.float64), t_ms[1:].astype(np.float64)
    left, right = value_c[:-1], value_c[1:]
    over_left, over_right = left > limit_c, right > limit_c
    gap, gap_above = gaps(end - start, over_left & over_right, gap_ms=gap_ms)
    if not gap.any() and not over_right.any() and not over_left[0]:
        return Parts(Intervals.empty(), Intervals.empty())
    rise = right - left
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = start + (limit_c - left) / rise * (end - start)
    begin = np.where(over_left, start, crossing)
    finish = np.where(over_right, end, crossing)
    counted = (over_left | over_right) & (~gap | gap_above)
    unknown = gap & ~gap_above
    return Parts(
        above=Intervals.of(begin[counted], finish[counted]),
        unknown=Intervals.of(start[unknown], end[unknown]),
    )


def gaps(spacing_ms: FloatArray, both_above: BoolArray, *, gap_ms: float) -> tuple[BoolArray, BoolArray]:
    """Return which pairs are too far apart for a line, and which of them count as above all the same."""
    gap = spacing_ms > gap_ms
    return gap, gap & both_above & (spacing_ms <= BOTH_ENDS_MS)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Peak and mean of a temperature over stretches of time."""

    peak_c: FloatArray
    mean_c: FloatArray


def stretch_stats(t_ms: IntArray, value_c: FloatArray, spans: Intervals) -> Stretch:
    """Return highest and time-weighted mean value over each stretch, on straight lines between samples."""
    if not len(spans) or not t_ms.size:
        return Stretch(np.full(len(spans), np.nan), np.full(len(spans), np.nan))
    times = (t_ms - t_ms[0]).astype(np.float64)
    start, end = spans.start_ms - float(t_ms[0]), spans.end_ms - float(t_ms[0])
    at_start, at_end = np.interp(start, times, value_c), np.interp(end, times, value_c)
    area = np.concatenate(([0.0], np.cumsum(np.diff(times) * (value_c[1:] + value_c[:-1]) / 2)))

    def area_until(moment: FloatArray, value: FloatArray) -> FloatArray:
        k = np.clip(np.searchsorted(times, moment, side="right") - 1, 0, times.size - 1)
        return np.asarray(area[k] + (moment - times[k]) * (value + value_c[k]) / 2)

    mean = (area_until(end, at_end) - area_until(start, at_start)) / np.maximum(end - start, 1e-9)
    first = np.searchsorted(times, start, side="left")
    last = np.searchsorted(times, end, side="right")
    padded = np.append(value_c, -np.inf)
    edges = np.column_stack((first, np.maximum(last, first + 1))).ravel()
    inside = np.maximum.reduceat(padded, np.minimum(edges, padded.size - 1))[::2]
    inside = np.where(last > first, inside, -np.inf)
    peak = np.maximum(np.maximum(at_start, at_end), inside)
    return Stretch(peak, np.clip(mean, None, peak))
