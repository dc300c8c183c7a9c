"""Air around a unit as another unit of its place measured it."""

import numpy as np

from services.analytics.quality import impossible
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import HOUR_MS

NEIGHBOUR_GAP_MS = 2 * HOUR_MS
"""Air changes slowly: no further than this from a reading it is taken to lie on the line (judgement)."""


def borrowed_c(t_ms: IntArray, neighbour: Series | None) -> FloatArray | None:
    """Return a neighbour's ambient at some instants; None without any.

    Parameters
    ----------
    t_ms : (n,) int64
        Instants, increasing. [ms]
    neighbour : Series or None
        Samples of another unit of the same place.

    Returns
    -------
    (n,) float64 or None
        On the line between its readings, NaN further than `NEIGHBOUR_GAP_MS` from any. [°C]
    """
    if neighbour is None or not neighbour.has("ambient_c"):
        return None
    read = neighbour.numbers("ambient_c")
    known = np.isfinite(read) & ~impossible(read, "ambient_c")
    told_ms, values = neighbour.t_ms[known], read[known]
    if told_ms.size == 0:
        return None
    near = np.clip(np.searchsorted(told_ms, t_ms), 1, max(told_ms.size - 1, 1))
    apart = np.minimum(
        np.abs(told_ms[np.minimum(near, told_ms.size - 1)] - t_ms), np.abs(told_ms[near - 1] - t_ms)
    )
    return np.where(apart <= NEIGHBOUR_GAP_MS, np.interp(t_ms, told_ms, values), np.nan)
