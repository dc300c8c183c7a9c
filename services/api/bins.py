"""Thinning of a series for a chart: lowest, highest and number of readings per bin of time."""

from dataclasses import dataclass

import numpy as np

from services.telemetry import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Bins:
    """Readings of one channel gathered into equal bins; a bin without a reading has NaN and 0."""

    t_ms: IntArray
    """Start of each bin. [ms since 1970-01-01 UTC]"""
    lowest: FloatArray
    highest: FloatArray
    count: IntArray


def bin_width_ms(start_ms: int, end_ms: int, max_points: int) -> int:
    """Return the smallest whole-millisecond width that covers the span in `max_points` bins."""
    return max(1, -(-(end_ms - start_ms) // max_points))


def binned(t_ms: IntArray, values: FloatArray, *, start_ms: int, end_ms: int, width_ms: int) -> Bins:
    """Return the lowest and highest reading per bin of ``[start_ms, end_ms)``.

    Peaks survive, and so do gaps: nothing is carried into a bin that holds no finite reading.

    Parameters
    ----------
    t_ms : (n,) int64
        Sample times, not decreasing. [ms since 1970-01-01 UTC]
    values : (n,) float64
        Readings; NaN where not measured. [any unit]
    start_ms, end_ms : int
        The span, start included and end excluded; bins begin at `start_ms`. [ms]
    width_ms : int
        Width of a bin, at least 1; the last bin may reach past `end_ms` but holds nothing from there. [ms]

    Returns
    -------
    Bins
        ``ceil((end_ms - start_ms) / width_ms)`` bins.

    Raises
    ------
    ValueError
        If `width_ms` is below 1.
    """
    if width_ms < 1:
        raise ValueError(f"a bin must be at least 1 ms wide, not {width_ms}")
    bins = max(0, -(-(end_ms - start_ms) // width_ms))
    starts = start_ms + np.arange(bins, dtype=np.int64) * width_ms
    lowest, highest = np.full(bins, np.nan), np.full(bins, np.nan)
    keep = np.isfinite(values) & (t_ms >= start_ms) & (t_ms < end_ms)
    times, readings = t_ms[keep], values[keep]
    edges = np.searchsorted(times, np.append(starts, end_ms), side="left")
    count = np.diff(edges).astype(np.int64) if bins else np.empty(0, dtype=np.int64)
    filled = count > 0
    if readings.size:
        # reduceat takes "from here to the next start", so only bins that hold something may be named
        first = edges[:-1][filled]
        lowest[filled] = np.minimum.reduceat(readings, first)
        highest[filled] = np.maximum.reduceat(readings, first)
    return Bins(starts, lowest, highest, count)
