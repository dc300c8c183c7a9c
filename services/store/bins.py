"""Thinning of a series for a chart: lowest, mean, highest and number of readings per bin of time."""

from dataclasses import dataclass

import numpy as np

from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS


@dataclass(frozen=True, slots=True)
class Bins:
    """Readings of one channel gathered into equal bins; a bin without a reading has NaN and 0."""

    t_ms: IntArray
    """Start of each bin. [ms since 1970-01-01 UTC]"""
    lowest: FloatArray
    highest: FloatArray
    mean: FloatArray
    count: IntArray


@dataclass(frozen=True, slots=True)
class Grid:
    """Equal bins that cover a span of time; readings outside the span belong to none of them."""

    start_ms: int
    end_ms: int
    """The span, start included and end excluded."""
    first_ms: int
    """Start of the first bin."""
    width_ms: int

    @property
    def bins(self) -> int:
        """Number of bins."""
        return max(0, -(-(self.end_ms - self.first_ms) // self.width_ms))

    @property
    def t_ms(self) -> IntArray:
        """Start of each bin."""
        return self.first_ms + np.arange(self.bins, dtype=np.int64) * self.width_ms


def grid(start_ms: int, end_ms: int, max_points: int) -> Grid:
    """Return at most `max_points` bins over a span.

    Bins of an hour and more are whole hours and begin on the hour, so that they can be put together from
    what is kept for each hour; the first one may then begin before the span.
    """
    width_ms = max(1, -(-(end_ms - start_ms) // max_points))
    if width_ms <= HOUR_MS // 2:
        return Grid(start_ms, end_ms, start_ms, width_ms)
    first_ms = start_ms - start_ms % HOUR_MS
    hours = -(-(end_ms - first_ms) // HOUR_MS)
    return Grid(start_ms, end_ms, first_ms, -(-hours // max_points) * HOUR_MS)


@dataclass(frozen=True, slots=True)
class Gathered:
    """What bins hold, in a form that can be gathered further: equal and exact whichever way it was got."""

    low: FloatArray
    high: FloatArray
    """NaN where a bin holds nothing."""
    total: IntArray
    """Sum of the readings. [thousandths]"""
    count: IntArray

    @staticmethod
    def nothing(bins: int) -> "Gathered":
        """Return empty bins."""
        return Gathered(
            np.full(bins, np.nan),
            np.full(bins, np.nan),
            np.zeros(bins, dtype=np.int64),
            np.zeros(bins, dtype=np.int64),
        )

    def put(self, first: int, other: "Gathered") -> None:
        """Add what other bins hold, from the bin `first` on."""
        part = slice(first, first + other.count.size)
        np.fmin(self.low[part], other.low, out=self.low[part])
        np.fmax(self.high[part], other.high, out=self.high[part])
        self.total[part] += other.total
        self.count[part] += other.count

    def part(self, first: int, end: int) -> "Gathered":
        """Return the bins from `first` up to, not with, `end`."""
        piece = slice(first, end)
        return Gathered(self.low[piece], self.high[piece], self.total[piece], self.count[piece])

    def coarser(self, factor: int) -> "Gathered":
        """Return bins `factor` times as wide; the last may be made of fewer."""
        starts = np.arange(0, self.count.size, factor)
        if not starts.size:
            return self
        return Gathered(
            np.fmin.reduceat(self.low, starts),
            np.fmax.reduceat(self.high, starts),
            np.add.reduceat(self.total, starts),
            np.add.reduceat(self.count, starts),
        )

    def bins(self, t_ms: IntArray) -> Bins:
        """Return what a chart shows of bins that begin at given times."""
        mean = np.full(self.count.size, np.nan)
        np.divide(self.total / 1000.0, self.count, out=mean, where=self.count > 0)
        return Bins(t_ms, self.low, self.high, mean, self.count)


def gathered(t_ms: IntArray, values: FloatArray, over: Grid) -> Gathered:
    """Return what each bin of a grid holds of a series.

    Peaks survive, and so do gaps: nothing is carried into a bin that holds no finite reading.

    Parameters
    ----------
    t_ms : (n,) int64
        Sample times, not decreasing. [ms since 1970-01-01 UTC]
    values : (n,) float64
        Readings; NaN where not measured. [any unit]
    over : Grid
        The bins.
    """
    found = Gathered.nothing(over.bins)
    keep = np.isfinite(values) & (t_ms >= over.start_ms) & (t_ms < over.end_ms)
    times, readings = t_ms[keep], values[keep]
    if readings.size:
        edges = np.searchsorted(times, np.append(over.t_ms, over.end_ms), side="left")
        found.count[:] = np.diff(edges)
        filled = found.count > 0
        # reduceat takes "from here to the next start", so only bins that hold something may be named
        first = edges[:-1][filled]
        found.low[filled] = np.minimum.reduceat(readings, first)
        found.high[filled] = np.maximum.reduceat(readings, first)
        found.total[filled] = np.add.reduceat(np.rint(readings * 1000.0).astype(np.int64), first)
    return found
