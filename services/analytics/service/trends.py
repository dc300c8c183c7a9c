"""Where a number of every day is going, and whether that is more than chance."""

import math
import warnings
from dataclasses import dataclass

from services.analytics.power.trend import Trend, trend_of
from services.telemetry import FloatArray

SURE = 0.05
"""A trend is one where days without a trend would show it in fewer than one of twenty."""


@dataclass(frozen=True, slots=True)
class Course:
    """A straight line through days, and whether it is more than days that resemble each other."""

    line: Trend
    p: float
    """Of the Mann-Kendall test with the variance corrected for serial correlation (Hamed and Rao 1998)."""

    @property
    def sure(self) -> bool:
        """Whether there is a trend."""
        return self.p < SURE


def course_of(day: FloatArray, values: FloatArray) -> Course | None:
    """Return the course of a number; None under eight days, where nothing is tested.

    Parameters
    ----------
    day : (n,) float64
        Day numbers, strictly increasing.
    values : (n,) float64
        Free of NaN.

    Returns
    -------
    Course or None
        Theil-Sen slope a day with Sen's interval; Mann-Kendall test after Hamed and Rao.

    References
    ----------
    .. [1] K. H. Hamed, A. R. Rao, J. Hydrology 204 (1998) 182-196 (as implemented by pymannkendall).
    """
    line = trend_of(day, values)
    if line is None:
        return None
    return Course(line, _p_value(values))


def _p_value(values: FloatArray) -> float:
    import pymannkendall  # noqa: PLC0415 - brings scipy, which only a test for trends pays for

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a series that never moves divides by nothing
        p = float(pymannkendall.hamed_rao_modification_test(values).p)
    return p if math.isfinite(p) else 1.0
