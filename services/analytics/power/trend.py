"""A robust straight line through days, and whether it is more than chance.

Theil-Sen slope with Sen's interval and the Mann-Kendall test, written out in numpy: two short formulas do
not earn a dependency of a hundred megabytes.
"""

import math
from dataclasses import dataclass

import numpy as np

from services.telemetry import FloatArray

FEWEST = 8
"""Under eight values no trend is tested (judgement: the normal approximation needs about so many)."""

Z_95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Trend:
    """A slope per step of x, its 95 % interval, and the Mann-Kendall test of no trend."""

    slope: float
    low: float
    high: float
    s: float
    variance: float
    z: float

    @property
    def sure(self) -> bool:
        """Whether a series without a trend would give this in fewer than one of twenty."""
        return abs(self.z) > Z_95


def trend_of(x: FloatArray, y: FloatArray) -> Trend | None:
    """Return the trend of a series; None with fewer than eight values.

    Parameters
    ----------
    x : (n,) float64
        Strictly increasing.
    y : (n,) float64
        Values, free of NaN.

    Returns
    -------
    Trend or None
        Slope: median over all pairs. Interval: Sen (1968), from the variance of Kendall's S, ties counted.

    References
    ----------
    .. [1] P. K. Sen, J. American Statistical Association 63 (1968) 1379-1389 (from memory).
    .. [2] M. G. Kendall, Rank Correlation Methods, 4th edition (1975) (from memory).
    """
    n = int(y.size)
    if n < FEWEST:
        return None
    first, second = np.triu_indices(n, k=1)
    rise = y[second] - y[first]
    slopes = np.sort(rise / (x[second] - x[first]))
    s = float(np.sum(np.sign(rise)))
    _, ties = np.unique(y, return_counts=True)
    tied = float(np.sum(ties * (ties - 1) * (2 * ties + 5)))
    variance = (n * (n - 1) * (2 * n + 5) - tied) / 18.0
    z = (s - math.copysign(1.0, s)) / math.sqrt(variance) if s != 0.0 and variance > 0.0 else 0.0
    half = Z_95 * math.sqrt(max(variance, 0.0))
    lower = int(np.clip(round((slopes.size - half) / 2.0) - 1, 0, slopes.size - 1))
    upper = int(np.clip(round((slopes.size + half) / 2.0), 0, slopes.size - 1))
    return Trend(float(np.median(slopes)), float(slopes[lower]), float(slopes[upper]), s, variance, z)
